"""The page of the bus: one turn bit by bit, the problems of the bus, and what was computed from the plan.

A turn shows who sent, who waited and lost arbitration at which bit, the stuff bits and the acknowledgement.
Knows: how bits are written. Does not know which frames are on the bus, nor the state of the screen.
"""

from collections.abc import Callable, Sequence
from itertools import groupby

from rvsim.faces.screen.lines import Line, wrap_text
from rvsim.faces.text.identifier_parts import (
    CUTS,
    IDENTIFIER_BITS,
    IdentifierPart,
    identifier_bits_text,
    identifier_words,
    part_at,
    part_name,
    part_text,
)
from rvsim.faces.text.worst_case_text import worst_case_text
from rvsim.watch.bus.turn import Turn, Waiting
from rvsim.watch.bus.wire_problems import WireProblems
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import StateChanged
from rvsim.wire.timing import BIT_RATE, Bit, FramePart, frame_bits

_ARBITRATION = (FramePart.START, FramePart.IDENTIFIER, FramePart.SRR, FramePart.IDE, FramePart.RTR)
MAX_WAITING_SHOWN = 5
"""Waiting frames that are shown bit by bit; the others are counted."""
_COMPUTED = "Computed from the frame: stuff bits and CRC. No other frame followed at once, so none is shown as waiting."
_INFERRED = (
    "Inferred from the times: who waited, and at which bit it lost. No frame records that, and one that became ready "
    "during the first looks the same. Computed from the frame: stuff bits and CRC."
)
"""What of a turn was not observed."""
SenderText = Callable[[int], str]
"""Returns the device that sends frames with an identifier and the message that they carry, in words."""


def turn_lines(turn: Turn | None, sender_text: SenderText, width: int) -> list[Line]:
    """Return one turn bit by bit; ``turn`` is None where no frame got through."""
    if turn is None:
        return [(("No frame got through in the last two seconds.", "plain"),)]
    frame = turn.frame
    bits = frame_bits(frame.identifier, frame.data)
    stuff_bits = sum(bit.is_stuff for bit in bits)
    duration_us = len(bits) * SECOND_US // BIT_RATE
    ready = len(turn.waiting) + 1
    others = "no other frame waited" if ready == 1 else f"{ready} were ready, and the lowest identifier went first"
    head = f"One turn on the bus, ended at {frame.time / SECOND_US:.6f} s: {others}."
    lines = wrap_text(head, width, style="strong")
    lines += wrap_text(
        "0 is dominant: it wins over 1. [0] [1] are stuff bits, inserted after five equal bits.", width, "  ", "  "
    )
    lines += _arbitration_lines(turn, sender_text, width)
    lines += wrap_text(_INFERRED if turn.waiting else _COMPUTED, width, "  ", "  ", "dim")
    lines.append(
        ((f"The frame that was sent: {len(bits)} bits, {stuff_bits} of them stuff bits, {duration_us} us.", "strong"),)
    )
    begun = 0
    for part, group in groupby(bits, key=lambda bit: bit.part):
        held = list(group)
        text = bits_text(held)
        if part is FramePart.IDENTIFIER:
            count = sum(not bit.is_stuff for bit in held)
            text += f"  {_parts_text(frame.identifier, begun, begun + count)}"
            begun += count
        if part is FramePart.ACKNOWLEDGE:
            text += "  the sender sends 1; every receiver of an intact frame sends 0"
        lines += wrap_text(text, width, f"  {part:<23}", " " * 25)
    return lines


def problem_lines(wires: WireProblems, width: int) -> list[Line]:
    """Return the problems of a bus that reports them; no line without a problem."""
    texts = [_state_text(event) for event in wires.states.values()]
    counts = (
        (wires.error_frames, "error frame" if wires.error_frames == 1 else "error frames"),
        (wires.disturbed, "corrupted by the wires"),
        (wires.collided, "collided"),
        (wires.unacknowledged, "not acknowledged (retries count once)"),
        (wires.overflowed, "dropped: the sender's queue was full"),
    )
    counted = [f"{number} {what}" for number, what in counts if number]
    if counted:
        texts.append(f"frames so far: {', '.join(counted)}")
    lines: list[Line] = []
    if texts:
        is_model = any(number for number, _ in counts[1:])
        title = "Problems of the bus." + (" The bus is simulated, and so are its errors." if is_model else "")
        lines += wrap_text(title, width, "", "  ", "strong")
    for text in texts:
        lines += wrap_text(text, width, "  ", "    ")
    return [*lines, ()] if lines else []


def _state_text(event: StateChanged) -> str:
    counters = ((event.transmit_errors, "transmit"), (event.receive_errors, "receive"))
    known = "".join(f"{count} {what} errors, " for count, what in counters if count is not None)
    return f"{event.node}: {event.state}, {known}since {event.time / SECOND_US:.3f} s"


def worst_case_lines(wires: WireProblems, sender_text: SenderText, width: int) -> list[Line]:
    """Return what was computed from the plan, and the longest wait so far on a bus that reports it."""
    lines: list[Line] = []
    worst_case, longest = wires.worst_case(), wires.longest
    if worst_case is not None:
        lines += wrap_text(worst_case_text(worst_case), width, "", "  ")
    if longest is not None:
        waited = (longest.time - longest.since) / 1000
        text = f"Longest so far: {sender_text(longest.identifier)} got through {waited:.1f} ms after it was ready"
        lines += wrap_text(f"{text}, at {longest.time / SECOND_US:.3f} s.", width, "", "  ")
    return [(), *lines] if lines else []


def _arbitration_lines(turn: Turn, sender_text: SenderText, width: int) -> list[Line]:
    lines: list[Line] = []
    frame = turn.frame
    winner = frame_bits(frame.identifier, frame.data)
    head = [bit for bit in winner if bit.part in _ARBITRATION]
    lines += wrap_text(f"{sender_text(frame.identifier)}, {frame.identifier:08X}", width, "  sent    ", "          ")
    lines += wrap_text(bits_text(head), width, " " * 10, " " * 10)
    lines += wrap_text(
        f"{identifier_bits_text(frame.identifier)} is {identifier_words(frame.identifier)}",
        width,
        " " * 10,
        " " * 10,
        "dim",
    )
    for waiting in turn.waiting[:MAX_WAITING_SHOWN]:
        lines += _waiting_lines(waiting, frame.identifier, sender_text, width)
    if len(turn.waiting) > MAX_WAITING_SHOWN:
        lines.append(((f"  and {len(turn.waiting) - MAX_WAITING_SHOWN} more waited", "dim"),))
    return lines


def _waiting_lines(waiting: Waiting, winner: int, sender_text: SenderText, width: int) -> list[Line]:
    frame, lost_bit = waiting
    bits = frame_bits(frame.identifier, frame.data)
    lines = wrap_text(f"{sender_text(frame.identifier)}, {frame.identifier:08X}", width, "  waited  ", "          ")
    text = f"{bits_text(bits[: lost_bit + 1])} lost at bit {lost_bit}: it sent 1 and read 0"
    lines += wrap_text(text, width, " " * 10, " " * 10)
    return lines + wrap_text(
        f"inferred: {_lost_text(bits[: lost_bit + 1], winner, frame.identifier)}", width, " " * 10, " " * 10, "dim"
    )


def _lost_text(bits: Sequence[Bit], winner: int, loser: int) -> str:
    """Return which part of the identifier decided, with its value in both frames; ``bits`` end with the one lost."""
    place = sum(bit.part is FramePart.IDENTIFIER and not bit.is_stuff for bit in bits) - 1
    part, _ = part_at(place)
    where = f"that is bit {place + 1} of the {IDENTIFIER_BITS} of the identifier, in its {part_name(loser, part)}"
    return f"{where}: {part_text(loser, part)} against {part_text(winner, part)}, and the lower number goes first"


def _parts_text(identifier: int, first: int, end: int) -> str:
    """Return the parts of an identifier whose bits begin within ``first`` to ``end``, each with its bits."""
    bits = f"{identifier:0{IDENTIFIER_BITS}b}"
    texts = []
    for part, begin, behind in zip(IdentifierPart, CUTS, CUTS[1:], strict=False):
        if begin < end and behind > first:
            shown = bits[max(first, begin) : min(end, behind)]
            share = ", first bits" if behind > end else ", last bits" if begin < first else ""
            texts.append(f"{part_name(identifier, part).partition(' (')[0]}{share} {shown}")
    return "; ".join(texts)


def bits_text(bits: Sequence[Bit]) -> str:
    """Return bits as text, stuff bits in brackets."""
    return "".join(f"[{bit.value}]" if bit.is_stuff else str(bit.value) for bit in bits)
