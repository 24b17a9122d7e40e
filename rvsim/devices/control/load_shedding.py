"""Loads that a panel switches off one after the other while the battery is low, and on again later.

Knows: the order, the two voltages and the wait. Does not know how an output is commanded, nor how a voltage is
measured. Every figure is common practice, no source.
"""

from typing import Annotated, Self

from pydantic import Field, model_validator

from rvsim.devices.device import Settings, Volts
from rvsim.devices.switching.output_control import OutputControl
from rvsim.rig.panel_parts import PanelParts
from rvsim.wire.frame import SECOND_US


class ShedSettings(Settings):
    """What is switched off while the battery is low."""

    outputs: Annotated[tuple[str, ...], Field(min_length=1)]
    """Outputs and groups in the order in which they are switched off."""
    below_volts: Volts = 11.6
    """Below this voltage the next one is switched off."""
    above_volts: Volts = 12.8
    """Above this voltage the last one is switched on again, where it was on."""
    after_s: Annotated[float, Field(ge=1, le=3600)] = 60.0
    """How long the voltage stays so, for each of them."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.above_volts <= self.below_volts:
            raise ValueError(
                f"above_volts {self.above_volts:g} is not above below_volts {self.below_volts:g}; the loads would go "
                "off and on in turn"
            )
        return self


class LoadShedding:
    """The state of what is switched off; ``decide`` is called every few seconds."""

    def __init__(self, settings: ShedSettings, parts: PanelParts, control: OutputControl) -> None:
        self._settings, self._control = settings, control
        self._targets = [target for target in map(parts.target, settings.outputs) if target is not None]
        self.shed: list[tuple[int, float]] = []
        """What is switched off, in order: its place in the settings, and the level at which it was, 0 for off."""
        self._since: int | None = None
        self._is_low: bool | None = None

    def decide(self, now: int, volts: float | None) -> None:
        """Switch off or on what is due; without a voltage nothing is switched."""
        settings = self._settings
        side: bool | None = None
        if volts is not None and not settings.below_volts <= volts <= settings.above_volts:
            side = volts < settings.below_volts
        if side is not self._is_low:
            self._is_low, self._since = side, now
        if side is None or self._since is None or now - self._since < settings.after_s * SECOND_US:
            return
        self._since = now
        if side and len(self.shed) < len(self._targets):
            self._switch_off(len(self.shed))
        elif not side and self.shed:
            place, level = self.shed.pop()
            if level:
                self._control.set_level(self._targets[place], level)

    def _switch_off(self, place: int) -> None:
        target = self._targets[place]
        level = self._control.level_of(target)
        self.shed.append((place, level))
        if level:
            self._control.set_level(target, 0.0)
