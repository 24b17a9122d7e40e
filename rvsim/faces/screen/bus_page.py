"""The bus: one turn on it bit by bit (who sent, who waited and gave way at which bit, stuff bits, acknowledgement),
what went wrong beside frames, and what was computed from the plan.

Knows: how bits are written. Does not know which frames are on the bus, nor the screen's state.
"""

from collections.abc import Callable, Sequence
from itertools import groupby

from rvsim.faces.screen.lines import Line, wrapped
from rvsim.faces.text.worst_case_text import worst_case_text
from rvsim.watch.bus.turn import Turn, Waiting
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.wire.line_events import StateChanged
from rvsim.wire.timing import BIT_RATE, Bit, FramePart, bits_of

_ARBITRATION = (FramePart.START, FramePart.IDENTIFIER, FramePart.SRR, FramePart.IDE, FramePart.RTR)
MOST_WAITING = 5
"""So many that waited are written out; the rest is counted."""
Namer = Callable[[int], str]
"""Says who sends frames with an identifier, and which message they are."""


def access_lines(access: Turn | None, named: Namer, width: int) -> list[Line]:
    """Return the page."""
    if access is None:
        return [(("Nothing has been on the bus for a while.", "plain"),)]
    frame = access.frame
    bits = bits_of(frame.identifier, frame.data)
    stuffed = sum(bit.is_stuff for bit in bits)
    taken = len(bits) * 1_000_000 // BIT_RATE
    ready = len(access.waiting) + 1
    alone = "nobody else waited" if ready == 1 else f"{ready} were ready, and the lowest identifier went first"
    head = f"One turn on the bus, ended at {frame.time / 1e6:.6f} s: {alone}."
    lines = wrapped(head, width, style="strong")
    lines += wrapped(
        "0 is dominant: it wins over 1. [0] [1] are stuff bits, put in after five equal ones.", width, "  ", "  "
    )
    lines += _contest(access, named, width)
    lines.append(((f"The frame that went: {len(bits)} bits, {stuffed} of them stuff bits, {taken} us.", "strong"),))
    for part, group in groupby(bits, key=lambda bit: bit.part):
        told = written(list(group))
        if part is FramePart.ACKNOWLEDGE:
            told += "  the sender sends 1, and every receiver that got the frame right makes it 0"
        lines += wrapped(told, width, f"  {part:<23}", " " * 25)
    return lines


def trouble_lines(wires: WireProblems, width: int) -> list[Line]:
    """Return what went wrong beside frames, of a bus that tells it; nothing where nothing did."""
    told = [_state(event) for event in wires.states.values()]
    counts = (
        (wires.error_frames, "error frame" if wires.error_frames == 1 else "error frames"),
        (wires.disturbed, "corrupted by the wires"),
        (wires.collided, "collided"),
        (wires.unacknowledged, "not acknowledged (retries count once)"),
        (wires.overflowed, "dropped: the sender's queue was full"),
    )
    counted = [f"{number} {what}" for number, what in counts if number]
    if counted:
        told.append(f"frames so far: {', '.join(counted)}")
    lines: list[Line] = []
    if told:
        is_model = any(number for number, _ in counts[1:])
        what = "What went wrong on the bus." + (" It is a model, and so are its errors." if is_model else "")
        lines += wrapped(what, width, "", "  ", "strong")
    for text in told:
        lines += wrapped(text, width, "  ", "    ")
    return [*lines, ()] if lines else []


def _state(event: StateChanged) -> str:
    counters = ((event.transmit_errors, "transmit"), (event.receive_errors, "receive"))
    known = "".join(f"{count} {what} errors, " for count, what in counters if count is not None)
    return f"{event.node}: {event.state}, {known}since {event.time / 1e6:.3f} s"


def promise_lines(wires: WireProblems, named: Namer, width: int) -> list[Line]:
    """Return what was computed from the plan, and the longest wait so far on a bus that tells it."""
    lines: list[Line] = []
    promise, longest = wires.promise(), wires.longest
    if promise is not None:
        lines += wrapped(worst_case_text(promise), width, "", "  ")
    if longest is not None:
        waited = (longest.time - longest.since) / 1000
        text = f"Longest so far: {named(longest.identifier)} was through {waited:.1f} ms after it was ready"
        lines += wrapped(f"{text}, at {longest.time / 1e6:.3f} s.", width, "", "  ")
    return [(), *lines] if lines else []


def _contest(access: Turn, named: Namer, width: int) -> list[Line]:
    lines: list[Line] = []
    frame = access.frame
    winner = bits_of(frame.identifier, frame.data)
    head = [bit for bit in winner if bit.part in _ARBITRATION]
    lines += wrapped(f"{named(frame.identifier)}, {frame.identifier:08X}", width, "  went    ", "          ")
    lines += wrapped(written(head), width, " " * 10, " " * 10)
    for waiting in access.waiting[:MOST_WAITING]:
        lines += _lost(waiting, named, width)
    if len(access.waiting) > MOST_WAITING:
        lines.append(((f"  and {len(access.waiting) - MOST_WAITING} more waited", "dim"),))
    return lines


def _lost(waiting: Waiting, named: Namer, width: int) -> list[Line]:
    frame, place = waiting
    bits = bits_of(frame.identifier, frame.data)
    lines = wrapped(f"{named(frame.identifier)}, {frame.identifier:08X}", width, "  waited  ", "          ")
    told = f"{written(bits[: place + 1])} gave way at bit {place}: it sent 1 and saw 0"
    return lines + wrapped(told, width, " " * 10, " " * 10)


def written(bits: Sequence[Bit]) -> str:
    """Write bits, stuff bits in brackets."""
    return "".join(f"[{bit.value}]" if bit.is_stuff else str(bit.value) for bit in bits)
