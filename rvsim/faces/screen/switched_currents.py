"""The current that the outputs of a module take at present, for the ledger: as loads report it, else by the rig.

Knows: that a dimmer reports no current, and that what a module reports of an output with a relay is that of the coil.
Does not know how a current is drawn, nor what a simulation knows: the ledger is the same from a log.
"""

from collections.abc import Mapping

from rvsim.faces.screen.scene import Scene
from rvsim.faces.screen.terminals import OutputRow
from rvsim.watch.identity.records import RollCallLine
from rvsim.watch.summaries import Summary


def switched_amps(scene: Scene, device: RollCallLine) -> float | None:
    """Return the current of all outputs of a module that are on; None where no output has a known current."""
    outputs = scene.terminals(device).outputs
    summaries = scene.sent.of_terminals(device) if outputs else {}
    known = [amps for row in outputs if (amps := _amps(row, summaries)) is not None]
    return sum(known) if known else None


def _amps(row: OutputRow, summaries: Mapping[tuple[str, int], Summary]) -> float | None:
    found = None if row.function is None or row.instance is None else summaries.get((row.function, row.instance))
    if found is None:
        return None
    has_relay = row.plan is not None and row.plan.relay is not None
    if found.rails and not has_relay and found.rails[0].reading.value is not None:
        return float(found.rails[0].reading.value)
    if row.plan is None or row.plan.amps is None or found.load_fraction is None:
        return None
    return row.plan.amps * found.load_fraction
