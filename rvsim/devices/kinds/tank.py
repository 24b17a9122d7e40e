"""A level sensor in a tank of water or liquid gas.

Messages: sends TANK_STATUS (layout and instances from memory). Its level is a number of steps of its resolution: a
hundred by default, so that one step is one percent; whole litres are sent as well. A fuel tank has no instance in it,
so that no such sensor can be simulated.

Knows: what a sender makes of its tank: steps of probes, the mean over the sloshing of a moving vehicle, what ice does
to it, and a sender that is fitted the wrong way round. Does not know who uses the water.

A float that is held by ice keeps its level; probes in ice have no contact and read empty. Common practice, no source.
"""

from collections.abc import Callable
from math import exp
from typing import Annotated, Literal

from pydantic import Field

from rvsim.devices.device import Amps, Device, DeviceContext, Settings
from rvsim.devices.resting_ticks import RestingTicks
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText
from rvsim.wire.frame import SECOND_US

LEVEL_STEPS = 100
"""The steps of a full tank: the level in TANK_STATUS is a number of steps of this resolution."""
TANK_INSTANCES = {"fresh": (0, 16), "black": (1, 17), "grey": (2, 18), "lpg": (3, 19)}
"""The instances that TANK_STATUS has for each content: the first tank, the second tank (from memory)."""
_TITLES = {"fresh": "fresh water tank", "black": "black water tank", "grey": "grey water tank", "lpg": "LPG tank"}
FROZEN_PERCENT = 10.0
"""From this share of ice on a sender is held by it. Common practice, no source: ice begins at walls and surface."""


class TankSettings(Settings):
    """Which of the vehicle's tanks the sensor is in, and how its sender works."""

    tank: OneLineText = "fresh"
    """The tank that the sensor is in: "fresh", "grey", "black", or the name of another tank of the rig."""
    sender: Literal["float", "probes"] = "float"
    """How it measures: without steps of its own, or by probes that are in the water or not."""
    steps: Annotated[int, Field(ge=1, le=250)] = LEVEL_STEPS
    """The steps of a full tank. 4 or 8 for probes: gauges of 25 or 12.5 %. Common practice, no source."""
    slosh_percent: Annotated[float, Field(ge=0, le=50)] = 5.0
    """How far the level swings while the engine runs, as a standard deviation. Invented."""
    damping_s: Annotated[float, Field(ge=0, le=600)] = 30.0
    """Time over which it averages the level while the engine runs. Common practice, no source."""
    is_reversed: bool = False
    """Whether the sender is fitted upside down or wired the wrong way round: a full tank reads empty."""
    electronics_amps: Amps = 0.0
    """Current of the electronics, always. Invented: counted with the parasitic loads of the vehicle."""


class TankSensor(Device):
    """Sends TANK_STATUS for one tank."""

    kind = "tank"
    Settings = TankSettings
    settings: TankSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self._instance = self.instance("tank")
        name = self.settings.tank
        names = self.world.tank_names()
        if name not in names:
            raise InputError(
                f'device "{self.name}": {shown(name)} is not a tank of the rig{did_you_mean(name, names)}; '
                f"its tanks are {', '.join(names)}"
            )
        self._tank = self.world.tank(name)
        content = self._tank.content
        if self._instance not in TANK_INSTANCES[content]:
            first, second = TANK_INSTANCES[content]
            article = "an" if content == "lpg" else "a"
            raise InputError(
                f'device "{self.name}": in TANK_STATUS, instance {self._instance} is not {article} {_TITLES[content]}: '
                f'write tank = {first} (or {second} for a second one), or set another tank than "{name}"'
            )
        self._size_litres = self._tank.size_litres
        self._is_reversed = self.settings.is_reversed
        damping_s = self.settings.damping_s
        self._share = 1 - exp(-1 / damping_s) if damping_s else 1.0
        self._percent = self._tank.percent
        self._ticks: RestingTicks | None = None
        """The seconds in which the water moves; None before the start, and where it never does."""

    def on_start(self) -> None:
        """Measure each second while the water moves; send the level at the gap."""
        self.world.set_load(self.name, self.settings.electronics_amps)
        self._percent = self._tank.percent
        if self.settings.slosh_percent:
            self._ticks = self.every_while_busy(SECOND_US, self._slosh)
        self.broadcast("TANK_STATUS", self._status_builder())

    def turn_over(self) -> None:
        """Turn the sender over: the wrong way round, or back."""
        self._is_reversed = not self._is_reversed

    def on_site_change(self) -> None:
        """Let the water move while the engine runs."""
        if self._ticks is not None and self.site.engine_rpm > 0:
            self._ticks.wake()

    def _slosh(self) -> bool:
        """Average the level, which swings while the vehicle moves; return whether it stands."""
        if self.site.engine_rpm <= 0:
            return True
        if not self._is_held:
            swung = self._tank.percent + self.random.gauss(0, self.settings.slosh_percent)
            self._percent += self._share * (min(100.0, max(0.0, swung)) - self._percent)
        return False

    @property
    def _is_held(self) -> bool:
        """Whether ice holds the sender."""
        return self._tank.ice_percent >= FROZEN_PERCENT

    def _measured_percent(self) -> float:
        """Return the level that the sender gives, 0 to 100."""
        if self._is_held:
            percent = 0.0 if self.settings.sender == "probes" else self._percent
        else:
            if not (self.site.engine_rpm > 0 and self.settings.slosh_percent):
                self._percent = self._tank.percent
            percent = self._percent
        return 100.0 - percent if self._is_reversed else percent

    def _status_builder(self) -> Callable[[], bytes]:
        steps, size_litres = self.settings.steps, self._size_litres
        pack = self.catalogue.by_name("TANK_STATUS").packer(
            "relative_level", "absolute_level",
            instance=self._instance, resolution=steps, tank_size=round(size_litres),
        )  # fmt: skip
        has_probes = self.settings.sender == "probes"
        last, data = -1.0, b""

        def build() -> bytes:
            nonlocal last, data
            percent = self._measured_percent()
            if percent != last:
                last = percent
                level = int(percent * steps / 100) if has_probes else round(percent * steps / 100)
                given = 100 * level / steps if has_probes else percent
                data = pack(relative_level=level, absolute_level=round(given * size_litres / 100))
            return data

        return build
