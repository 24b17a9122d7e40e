"""The ledger: amperes given and taken, the rest for the house battery, and the measured current of the battery.

Knows: the current that devices report to give, the current that the rig plans for each device at its present effort,
and the DC source of the highest priority; what another battery is given, or gives, is left out. Does not know how it
is drawn. The sign of the battery's current (positive out of the battery) is that of one battery maker's RV-C appendix.
"""

from collections.abc import Mapping
from typing import NamedTuple

from rvsim.faces.screen.scene import Scene
from rvsim.faces.screen.switched_currents import switched_amps
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Summary
from rvsim.watch.transitions import Presence


class Ledger(NamedTuple):
    """The currents of one moment by device, in amperes."""

    given: tuple[tuple[str, float], ...]
    taken: tuple[tuple[str, float], ...]
    unknown: tuple[str, ...]
    """Planned devices without a current in the rig."""
    silent: tuple[tuple[str, float], ...]
    """What silent devices took when they were last heard; they may still be running."""
    measured: float | None
    """The current into the battery; None while no DC source reports it."""
    measured_by: str | None = None
    """The device that reports ``measured``."""

    @property
    def left(self) -> float:
        """The rest for the battery: given minus taken."""
        return sum(amps for _, amps in self.given) - sum(amps for _, amps in self.taken)

    @property
    def unaccounted(self) -> float | None:
        """The difference between the rest and the measured current; None without a measurement."""
        return None if self.measured is None else self.left - self.measured


def ledger_of(scene: Scene) -> Ledger:
    """Return the ledger of this moment, over every device that was heard."""
    given, taken, unknown, silent = [], [], [], []
    for device in scene.devices():
        is_elsewhere, gives_elsewhere = (
            device.device in names for names in (scene.on_other_batteries, scene.charging_others)
        )
        if device.last_heard is None or (is_elsewhere and gives_elsewhere):
            continue
        summaries = scene.sent.by_function(device)
        gives = [found.output_amps for found in summaries.values() if found.output_amps is not None]
        gives = [] if gives_elsewhere else gives
        if gives and device.state is not Presence.SILENT:
            given.append((device.device, sum(gives)))
        if is_elsewhere:
            continue
        takes = _planned_current(scene, device, summaries)
        if takes is None:
            if device.planned and not gives:
                unknown.append(device.device)
        elif device.state is Presence.SILENT:
            silent.append((device.device, takes))
        else:
            taken.append((device.device, takes))
    return Ledger(tuple(given), tuple(taken), tuple(unknown), tuple(silent), *_measured(scene))


def _planned_current(scene: Scene, device: RollCallLine, summaries: Mapping[str, Summary]) -> float | None:
    """Return the planned current of a device at its present effort, in amperes; None without a figure in the rig.

    Each function takes a current between its figures at rest and at full effort. What the outputs of a module switch
    is added.
    """
    plan = scene.plans.get(device.device)
    switched = switched_amps(scene, device)
    if plan is None or not plan.amps:
        return switched
    total = switched or 0.0
    for function, (rest, full) in plan.amps.items():
        effort = summaries[function].load_fraction if function in summaries else None
        total += rest + (full - rest) * (effort or 0.0)
    return total


def _measured(scene: Scene) -> tuple[float | None, str | None]:
    """Return the current into the house battery by DC source 1 of the highest priority, and the reporting device."""
    best: tuple[float, float, str] | None = None
    for last in scene.watch.last_frames():
        is_house = last.topic.message == "DC_SOURCE_STATUS_1" and last.topic.instance == 1
        if is_house and last.spec is not None and not scene.sent.is_old(last):
            readings = {reading.field.name: reading for reading in last.spec.decode(last.frame.data)}
            amps, rank = readings["dc_current"].value, readings["device_priority"].value or 0
            if amps is not None and (best is None or rank > best[0]):
                best = (rank, -float(amps), last.device)
    return (None, None) if best is None else best[1:]
