"""Which single failure silences which devices: a branch of the supply, or a piece of the pair.

Knows: how these are put in a table, and which failures silence the same devices. Does not know what a failure takes
away (`rig.shared_parts` does, for a survey of a log as well).
"""

from collections.abc import Iterator

from rvsim.plan.answer import PlanTable
from rvsim.rig.model import Rig
from rvsim.rig.shared_parts import single_failures


def failure_table(rig: Rig) -> Iterator[PlanTable]:
    """Yield the table of single failures, if the rig has any part that several devices could share."""
    found = [one for one in single_failures(rig) if one.devices]
    places: dict[frozenset[str], list[str]] = {}
    for failure in found:
        places.setdefault(failure.devices, []).append(failure.part.text)
    order = [device.name for device in rig.devices]
    rows = tuple(
        (
            failure.part.text,
            ", ".join(name for name in order if name in failure.devices),
            "; ".join(text for text in places[failure.devices] if text != failure.part.text),
            failure.part.advice,
        )
        for failure in found
    )
    if rows:
        recorder = rig.harness.recorder
        side = (
            f"as seen from tap {recorder}" if recorder is not None else "a break of the trunk has a row for each side"
        )
        yield PlanTable(
            "single_failures", "Which single failure silences whom", ("failure", "silent then", "the same as", "check"),
            rows, f"a survey of a log names the same places; {side}",
        )  # fmt: skip
