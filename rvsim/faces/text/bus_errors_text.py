"""What error frames and controller states of a log mean, and what to try next.

Knows: the meanings, by the CAN Specification 2.0 (1991, part B, sections 7 and 8); the next steps are
common practice, no source. Does not know how errors are counted.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

from rvsim.logs.error_counts import ErrorCounts
from rvsim.wire.error_report import NO_ACKNOWLEDGE
from rvsim.wire.line_events import ErrorState


class ErrorMeaning(NamedTuple):
    """What is meant, and the next thing to try."""

    means: str
    next_step: str


_NOT_ACKNOWLEDGED = ErrorMeaning(
    "nobody filled the acknowledge slot of a frame: no other node that works was on the pair",
    "power a second node; then hold both bit rates against each other; then the two wires of the sender, which may be "
    "swapped or open",
)
_SPOILT = ErrorMeaning(
    "a node saw a frame that breaks the rules of CAN and spoilt it for all; it is sent again",
    "the bit rate of whoever joined last; then, with the power off, both terminators (60 ohm across the pair); then "
    "plugs and drops",
)
_STATES = {
    ErrorState.PASSIVE: ErrorMeaning(
        "an error counter is above 127: it goes on, but can no longer make others repeat what it could not read",
        "its own drop and plug first, where only one node is; the terminators and the bit rate, where several are",
    ),
    ErrorState.BUS_OFF: ErrorMeaning(
        "the transmit error counter is above 255: it has taken itself off the bus and sends nothing more until it is "
        "started again",
        "look for a short between the two wires, swapped wires or a wrong bit rate at that node; then start it again",
    ),
}


def _meaning(about: str) -> ErrorMeaning:
    return _NOT_ACKNOWLEDGED if NO_ACKNOWLEDGE in about else _SPOILT


def errors_text(found: ErrorCounts) -> Iterator[str]:
    """Say what error frames and states there were, what each means, and what to try next; nothing without any."""
    for about, count in found.by_about.most_common():
        what = f"error frame{'' if count == 1 else 's'}"
        yield from _told(f"{count} {what}" + (f", {about}" if about else ""), _meaning(about))
    for state, states in found.states.items():
        often = "once" if states.count == 1 else f"{states.count} times"
        heading = f"{state}, {often}, first at {states.first / 1e6:.1f} s: {', '.join(states.nodes)}"
        yield from _told(heading, _STATES[state])


def _told(heading: str, meaning: ErrorMeaning) -> Iterator[str]:
    yield f"  {heading}"
    yield f"      It means: {meaning.means}"
    yield f"      Try next: {meaning.next_step}"


def errors_json(found: ErrorCounts) -> dict[str, Any]:
    """Return the same as JSON: ``frames``, ``by_kind``, ``states``; ``about`` is null where nothing is said of it."""
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
