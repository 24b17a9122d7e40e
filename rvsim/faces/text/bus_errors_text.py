"""Error frames and controller states of a log: what each means, and what to try next.

Knows: the meanings, by the CAN Specification 2.0 (1991, part B, sections 7 and 8); the next steps are common practice,
no source. Does not know how errors are counted.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

from rvsim.logs.error_counts import ErrorCounts
from rvsim.wire.error_report import NO_ACKNOWLEDGE
from rvsim.wire.line_events import ErrorState


class ErrorMeaning(NamedTuple):
    """What an error means, and the next thing to try."""

    means: str
    next_step: str


_NOT_ACKNOWLEDGED = ErrorMeaning(
    "no node acknowledged a frame: no other working node was on the bus",
    "power a second node; then compare both bit rates; then check the two wires of the sender, which may be swapped or "
    "open",
)
_ERROR_FRAME = ErrorMeaning(
    "a node saw a frame that breaks the rules of CAN and destroyed it with an error flag; the frame is sent again",
    "check the bit rate of the node that was added last; then, with the power off, both terminators (60 ohm across the "
    "two bus wires); then plugs and drops",
)
_STATES = {
    ErrorState.PASSIVE: ErrorMeaning(
        "an error counter is above 127: the node goes on, but can no longer make others repeat a frame that it could "
        "not read",
        "one node: check its drop and plug first; several nodes: check the terminators and the bit rate",
    ),
    ErrorState.BUS_OFF: ErrorMeaning(
        "the transmit error counter is above 255: the node has left the bus and sends nothing until it is restarted",
        "look for a short between the two wires, swapped wires or a wrong bit rate at that node; then restart it",
    ),
}


def _meaning(about: str) -> ErrorMeaning:
    return _NOT_ACKNOWLEDGED if NO_ACKNOWLEDGE in about else _ERROR_FRAME


def errors_text(found: ErrorCounts) -> Iterator[str]:
    """Yield the error frames and states of a log, what each means, and what to try next; nothing without any."""
    for about, count in found.by_about.most_common():
        counted = f"{count} error frame{'' if count == 1 else 's'}"
        yield from _lines(counted + (f", {about}" if about else ""), _meaning(about))
    for state, states in found.states.items():
        often = "once" if states.count == 1 else f"{states.count} times"
        heading = f"{state}, {often}, first at {states.first / 1e6:.1f} s: {', '.join(states.nodes)}"
        yield from _lines(heading, _STATES[state])


def _lines(heading: str, meaning: ErrorMeaning) -> Iterator[str]:
    yield f"  {heading}"
    yield f"      Meaning: {meaning.means}"
    yield f"      Try next: {meaning.next_step}"


def errors_json(found: ErrorCounts) -> dict[str, Any]:
    """Return the same as JSON: ``frames``, ``by_kind``, ``states``; ``about`` is null where the log gives no detail."""
    return {
        "frames": found.frames,
        "by_kind": [
            {"about": about or None, "count": count, **_meaning(about)._asdict()}
            for about, count in found.by_about.most_common()
        ],
        "states": [
            {
                "state": str(state),
                "count": states.count,
                "first": states.first / 1e6,
                "nodes": list(states.nodes),
                **_STATES[state]._asdict(),
            }
            for state, states in found.states.items()
        ],
    }
