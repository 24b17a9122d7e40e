"""The ledger: amperes given and taken, what is left for the house battery, what the battery counts.

Knows: what devices say they give, what the rig plans them to take at their present effort, and the DC source with
the highest priority. Does not know how it is drawn. The sense of the battery's current (positive out of the battery)
is that of one battery maker's RV-C appendix.
"""

from collections.abc import Mapping
from typing import NamedTuple

from rvsim.faces.screen.scene import Scene
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Summary
from rvsim.watch.transitions import Presence


class Ledger(NamedTuple):
    """One sum of currents in amperes; ``counted`` is None while no DC source says its current."""

    given: tuple[tuple[str, float], ...]
    taken: tuple[tuple[str, float], ...]
    unknown: tuple[str, ...]
    """Devices for which the rig has no figure."""
    silent: tuple[tuple[str, float], ...]
    """What silent devices took when they were last heard: they may still be running."""
    counted: float | None
    measured_by: str | None = None
    """The device that measures what is counted."""

    @property
    def left(self) -> float:
        """What is left for the battery."""
        return sum(amps for _, amps in self.given) - sum(amps for _, amps in self.taken)

    @property
    def missing(self) -> float | None:
        """What is not accounted for."""
        return None if self.counted is None else self.left - self.counted


def ledger_of(scene: Scene) -> Ledger:
    """Draw up the ledger of this moment, over everybody who was heard."""
    given, taken, unknown, silent = [], [], [], []
    for device in scene.devices():
        if device.last_heard is None:
            continue
        sayings = scene.summaries_by_function(device)
        gives = [words.gives for words in sayings.values() if words.gives is not None]
        if gives and device.state is not Presence.SILENT:
            given.append((device.device, sum(gives)))
        takes = _planned_current(scene, device, sayings)
        if takes is None:
            if device.planned and not gives:
                unknown.append(device.device)
        elif device.state is Presence.SILENT:
            silent.append((device.device, takes))
        else:
            taken.append((device.device, takes))
    return Ledger(tuple(given), tuple(taken), tuple(unknown), tuple(silent), *_message_count_text(scene))


def _planned_current(scene: Scene, device: RollCallLine, sayings: Mapping[str, Summary]) -> float | None:
    """Return what a device takes by plan at its present effort: each function between its rest and its fullest."""
    plan = scene.plans.get(device.device)
    if plan is None or not plan.amps:
        return None
    total = 0.0
    for function, (rest, full) in plan.amps.items():
        effort = sayings[function].effort if function in sayings else None
        total += rest + (full - rest) * (effort or 0.0)
    return total


def _message_count_text(scene: Scene) -> tuple[float | None, str | None]:
    """Return the current into the house battery, as the DC source 1 of the highest priority says it, and its name."""
    best: tuple[float, float, str] | None = None
    for told in scene.watch.last_frames():
        house = told.topic.message == "DC_SOURCE_STATUS_1" and told.topic.instance == 1
        if house and told.spec is not None and not scene.is_old(told):
            said = {reading.field.name: reading for reading in told.spec.decode(told.frame.data)}
            amps, rank = said["dc_current"].value, said["device_priority"].value or 0
            if amps is not None and (best is None or rank > best[0]):
                best = (rank, -float(amps), told.device)
    return (None, None) if best is None else best[1:]
