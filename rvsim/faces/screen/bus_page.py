"""The bus: one turn on it bit by bit (who sent, who waited and gave way at which bit, stuff bits, acknowledgement),
what went wrong beside frames, and what was computed from the plan.

Knows: how bits are written. Does not know which frames are on the bus, nor the screen's state.
"""

from collections.abc import Callable, Sequence
from itertools import groupby

from rvsim.faces.screen.lines import Line, wrap_text
from rvsim.faces.text.worst_case_text import promise_text
from rvsim.watch.bus.turn import Turn, Waiting
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.wire.line_events import StateChanged
from rvsim.wire.timing import BIT_RATE, Bit, FramePart, bits_of

_ARBITRATION = (FramePart.START, FramePart.IDENTIFIER, FramePart.SRR, FramePart.IDE, FramePart.RTR)
MAX_WAITING_SHOWN = 5
"""So many that waited are written out; the rest is counted."""
SenderText = Callable[[int], str]
"""Says who sends frames with an identifier, and which message they are."""


def turn_lines(access: Turn | None, sender_text: SenderText, width: int) -> list[Line]:
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
    lines = wrap_text(head, width, style="strong")
    lines += wrap_text(
        "0 is dominant: it wins over 1. [0] [1] are stuff bits, put in after five equal ones.", width, "  ", "  "
    )
    lines += _arbitration_lines(access, sender_text, width)
    lines.append(((f"The frame that went: {len(bits)} bits, {stuffed} of them stuff bits, {taken} us.", "strong"),))
    for part, group in groupby(bits, key=lambda bit: bit.part):
        told = bits_text(list(group))
        if part is FramePart.ACKNOWLEDGE:
            told += "  the sender sends 1, and every receiver that got the frame right makes it 0"
        lines += wrap_text(told, width, f"  {part:<23}", " " * 25)
    return lines


def problem_lines(wires: WireProblems, width: int) -> list[Line]:
    """Return what went wrong beside frames, of a bus that tells it; nothing where nothing did."""
    told = [_state_text(event) for event in wires.states.values()]
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
        lines += wrap_text(what, width, "", "  ", "strong")
    for text in told:
        lines += wrap_text(text, width, "  ", "    ")
    return [*lines, ()] if lines else []


def _state_text(event: StateChanged) -> str:
    counters = ((event.transmit_errors, "transmit"), (event.receive_errors, "receive"))
    known = "".join(f"{count} {what} errors, " for count, what in counters if count is not None)
    return f"{event.node}: {event.state}, {known}since {event.time / 1e6:.3f} s"


def worst_case_lines(wires: WireProblems, sender_text: SenderText, width: int) -> list[Line]:
    """Return what was computed from the plan, and the longest wait so far on a bus that tells it."""
    lines: list[Line] = []
    promise, longest = wires.promise(), wires.longest
    if promise is not None:
        lines += wrap_text(promise_text(promise), width, "", "  ")
    if longest is not None:
        waited = (longest.time - longest.since) / 1000
        text = f"Longest so far: {sender_text(longest.identifier)} was through {waited:.1f} ms after it was ready"
        lines += wrap_text(f"{text}, at {longest.time / 1e6:.3f} s.", width, "", "  ")
    return [(), *lines] if lines else []


def _arbitration_lines(access: Turn, sender_text: SenderText, width: int) -> list[Line]:
    lines: list[Line] = []
    frame = access.frame
    winner = bits_of(frame.identifier, frame.data)
    head = [bit for bit in winner if bit.part in _ARBITRATION]
    lines += wrap_text(f"{sender_text(frame.identifier)}, {frame.identifier:08X}", width, "  went    ", "          ")
    lines += wrap_text(bits_text(head), width, " " * 10, " " * 10)
    for waiting in access.waiting[:MAX_WAITING_SHOWN]:
        lines += _waiting_lines(waiting, sender_text, width)
    if len(access.waiting) > MAX_WAITING_SHOWN:
        lines.append(((f"  and {len(access.waiting) - MAX_WAITING_SHOWN} more waited", "dim"),))
    return lines


def _waiting_lines(waiting: Waiting, sender_text: SenderText, width: int) -> list[Line]:
    frame, place = waiting
    bits = bits_of(frame.identifier, frame.data)
    lines = wrap_text(f"{sender_text(frame.identifier)}, {frame.identifier:08X}", width, "  waited  ", "          ")
    told = f"{bits_text(bits[: place + 1])} gave way at bit {place}: it sent 1 and saw 0"
    return lines + wrap_text(told, width, " " * 10, " " * 10)


def bits_text(bits: Sequence[Bit]) -> str:
    """Write bits, stuff bits in brackets."""
    return "".join(f"[{bit.value}]" if bit.is_stuff else str(bit.value) for bit in bits)
