"""The frames of long messages as text: what each requests, announces or ends, and what is wrong in it (SAE J1939-21).

Knows: the bytes of a connection frame for each control byte, and the rules for a valid one. Does not know sessions: a
single frame is explained.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple, assert_never

from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Grades, Origin, weakest
from rvsim.wire.ident import Identifier
from rvsim.wire.spec import MessageSpec
from rvsim.wire.texts import printable_ascii
from rvsim.wire.transfer.packets import (
    CONNECTION_MANAGEMENT,
    MAX_MESSAGE_BYTES,
    MIN_MESSAGE_BYTES,
    NO_PACKET_LIMIT,
    PACKET_PAYLOAD,
    Abort,
    AbortReason,
    BroadcastAnnounce,
    ClearToSend,
    Control,
    EndOfMessage,
    RequestToSend,
    packets_for,
    read_control,
    reason_text,
)


class FrameMeaning(NamedTuple):
    """What a frame means as a whole.

    ``origin`` is the weakest of all parts of the sentences. ``facts`` are the parts of the JSON form, ``problems`` what
    is wrong, as clauses. ``data`` describes the bytes that no field holds: a title and their meaning.
    """

    kind: str
    origin: Origin
    sentences: tuple[str, ...]
    facts: Mapping[str, Any]
    problems: tuple[str, ...] = ()
    data: tuple[str, str] | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the object ``meaning`` of the JSON form: kind, the facts of this kind, problems, origin."""
        return {"kind": self.kind, **self.facts, "problems": list(self.problems), "origin": str(self.origin)}


_PUBLISHED = Grades(Origin.PUBLISHED, Origin.PUBLISHED, Origin.PUBLISHED)
"""The broadcast announce is that of can-j1939 2.0.12 test_ecu.py."""
_MEMORY = Grades(Origin.MEMORY, Origin.MEMORY, Origin.MEMORY)
_LENGTH = FieldSpec("message_length", 8, 16, unit="bytes", grades=_MEMORY)
_PACKETS = FieldSpec("number_of_packets", 24, 8, grades=_MEMORY)
_AT_ONCE = FieldSpec("packets_for_each_clear_to_send", 32, 8, labels={NO_PACKET_LIMIT: "no limit"}, grades=_MEMORY)
_CLEARED = FieldSpec("packets_that_may_come", 8, 8, grades=_MEMORY)
_NEXT = FieldSpec("next_packet", 16, 8, grades=_MEMORY)
_REASON = FieldSpec(
    "reason",
    8,
    8,
    labels={int(reason): reason_text(reason) for reason in AbortReason},
    grades=_MEMORY,
    code_grades=dict.fromkeys((1, 2, 3, 4), Origin.PUBLISHED) | {AbortReason.TOO_LONG: Origin.UNSURE},
)
"""Reasons 1 to 4 are those of can-j1939 2.0.12 j1939_21.py; of the others 9 is the one that is not sure."""
_BY_CONTROL: Mapping[int, tuple[FieldSpec, ...]] = {
    16: (_LENGTH, _PACKETS, _AT_ONCE),
    17: (_CLEARED, _NEXT),
    19: (_LENGTH, _PACKETS),
    32: (replace(_LENGTH, grades=_PUBLISHED), replace(_PACKETS, grades=_PUBLISHED)),
    255: (_REASON,),
}
"""The fields of a connection frame that depend on its control byte, which a definition file cannot express."""
_KINDS = {
    RequestToSend: "request to send",
    ClearToSend: "clear to send",
    EndOfMessage: "end of message",
    BroadcastAnnounce: "broadcast announce",
    Abort: "abort",
}
_TITLES = {
    RequestToSend: "Request to send (RTS)",
    ClearToSend: "Clear to send (CTS)",
    EndOfMessage: "End of message",
    BroadcastAnnounce: "Broadcast announce (BAM)",
    Abort: "Abort",
}
_CONTROL_BYTES = slice(1, 5)
"""The bytes whose fields depend on the control byte."""
_MAX_PACKETS = MAX_MESSAGE_BYTES // PACKET_PAYLOAD


def complete_layout(spec: MessageSpec, data: bytes) -> MessageSpec:
    """Return the layout of this frame: that of a connection frame with the fields of its control byte.

    A layout that has fields of its own there stays as it is.
    """
    extra = _BY_CONTROL.get(data[0], ()) if spec.dgn == CONNECTION_MANAGEMENT and data else ()
    taken = any(
        field.first_byte < _CONTROL_BYTES.stop and field.last_byte >= _CONTROL_BYTES.start for field in spec.fields
    )
    if not extra or taken or spec.length < 8:
        return spec
    fields = sorted((*spec.fields, *extra), key=lambda field: field.first)
    return replace(spec, fields=tuple(fields))


def connection(parts: Identifier, data: bytes, catalogue: Catalogue) -> FrameMeaning | None:
    """Return what a connection frame requests, announces or ends; "unknown" where it cannot be read."""
    control = read_control(data)
    if control is None:
        return FrameMeaning("unknown", Origin.PUBLISHED, (), {}, tuple(_unreadable(data)))
    message, origin = named_dgn(_catalogue_dgn(control.dgn), catalogue)
    about = f"The long message is DGN {control.dgn:05X} hex: {message or 'not known'}."
    facts = {**control._asdict(), "dgn": f"{control.dgn:05X}", "message": message}
    if isinstance(control, Abort):
        facts["reason_text"] = reason_text(control.reason)
    fields = _BY_CONTROL[data[0]]
    origins = [field.grades.layout for field in fields]
    if isinstance(control, Abort):
        origins.append(_REASON.code_grade(control.reason))
    sentence = (
        f"{_TITLES[type(control)]}: {_does(control, _address_text(parts.source), _address_text(parts.destination))}."
    )
    problems = tuple(_misfits(control, parts))
    return FrameMeaning(_KINDS[type(control)], weakest(origin, *origins), (sentence, about), facts, problems)


def packet(parts: Identifier, data: bytes, _: Catalogue) -> FrameMeaning | None:
    """Return which packet of a long message a frame is and what it carries."""
    number, payload = data[0] if data else None, data[1:]
    text = _text(payload)
    meaning = f"{payload.hex(' ').upper()}: {payload_text(payload)}"
    facts = {"number": number, "data": payload.hex().upper(), "text": text}
    problems = []
    if number == 0:
        problems.append("packets are numbered from 1")
    if len(data) != PACKET_PAYLOAD + 1:
        problems.append(f"a packet has {PACKET_PAYLOAD + 1} bytes, not {len(data)}")
    sentences: tuple[str, ...] = ()
    if number and payload:
        first = PACKET_PAYLOAD * (number - 1)
        message = f"a long message from {_address_text(parts.source)} to {_address_text(parts.destination)}"
        sentences = (
            f"Packet {number} of {message}: bytes {first} to {first + PACKET_PAYLOAD - 1} of it.",
            "The INITIAL_PACKET before it names the message; FF bytes at the end may be padding.",
        )
    return FrameMeaning(
        "data packet", PACKET_ORIGIN, sentences, facts, tuple(problems), ("data", meaning) if payload else None
    )


PACKET_ORIGIN = Origin.MEMORY
"""The origin of the layout of a data packet: a number, then seven bytes."""


def payload_text(payload: bytes) -> str:
    """Return what a packet carries: as text if it has letters, else as a count."""
    text = _text(payload)
    return f"{len(payload)} bytes" if text is None else f"text {text!r}"


def _text(payload: bytes) -> str | None:
    """Return the payload as text if most of it is printable, without the FF bytes of its padding; else None."""
    held = payload.rstrip(b"\xff")
    text = printable_ascii(held)
    printable = sum(0x20 <= byte < 0x7F for byte in held)
    return text if 2 * printable > len(held) else None


def _does(control: Control, source: str, destination: str) -> str:
    match control:
        case RequestToSend(size, packets, limit):
            unlimited = limit == NO_PACKET_LIMIT
            once = "any number of packets at a time" if unlimited else f"at most {_count(limit)} at a time"
            return f"{source} has {_size(size, packets)} for {destination}, which may request {once}"
        case ClearToSend(packets=0):
            return f"{source} tells {destination} to wait: no packet may be sent now"
        case ClearToSend(packets, first):
            return f"{source} requests {_count(packets)} from {destination}, from number {first} on"
        case EndOfMessage(size, packets):
            return f"{source} confirms to {destination} that it has received {_size(size, packets)}"
        case BroadcastAnnounce(size, packets):
            return f"{source} is about to send {_size(size, packets)} to {destination}"
        case Abort(reason):
            return f"{source} ends the transfer with {destination}, for reason {reason}: {reason_text(reason)}"
        case _:
            assert_never(control)


def _size(size: int, packets: int) -> str:
    return f"a message of {size} bytes in {_count(packets)}"


def _count(packets: int) -> str:
    return f"{packets} packet{'' if packets == 1 else 's'}"


def _address_text(address: int | None) -> str:
    return "everyone" if address in (None, ident.GLOBAL_ADDRESS) else f"address {address:02X} hex"


def _misfits(control: Control, parts: Identifier) -> Iterator[str]:
    """Yield what is wrong with a connection frame by itself."""
    if isinstance(control, (BroadcastAnnounce, RequestToSend, EndOfMessage)):
        yield from _wrong_size(control.size, control.packets)
    to_all = parts.destination == ident.GLOBAL_ADDRESS
    if isinstance(control, BroadcastAnnounce) and not to_all:
        yield "an announcement goes to everyone, not to one address"
    if not isinstance(control, BroadcastAnnounce) and to_all:
        yield "this frame goes to one address; only an announcement goes to everyone"
    match control:
        case RequestToSend(limit=0):
            yield "with 0 packets for each clear to send, no packet could be sent"
        case ClearToSend(packets, first) if packets and not first:
            yield "packets are numbered from 1; there is no packet 0"
        case ClearToSend(packets, first) if packets and packets + first - 1 > _MAX_PACKETS:
            yield f"it requests packets up to {packets + first - 1}; the longest message has {_MAX_PACKETS}"


def _wrong_size(size: int, packets: int) -> Iterator[str]:
    if size < MIN_MESSAGE_BYTES:
        yield f"{size} bytes are too few for a long message: up to {MIN_MESSAGE_BYTES - 1} fit in one frame"
    elif size > MAX_MESSAGE_BYTES:
        yield f"{size} bytes are too many for a long message: {MAX_MESSAGE_BYTES} at most"
    elif packets != packets_for(size):
        yield f"{size} bytes need {_count(packets_for(size))} of {PACKET_PAYLOAD} bytes, not {packets}"


def _unreadable(data: bytes) -> Iterator[str]:
    """Yield why a connection frame cannot be read."""
    if len(data) != PACKET_PAYLOAD + 1:
        yield f"a connection frame has {PACKET_PAYLOAD + 1} bytes, not {len(data)}"
    if data and data[0] not in _BY_CONTROL:
        known = listed([str(code) for code in _BY_CONTROL])
        yield f"{data[0]} is not a control byte of SAE J1939-21; these are {known}"
    if len(data) == PACKET_PAYLOAD + 1 and int.from_bytes(data[5:], "little") >= ident.DGN_LIMIT:
        yield f"bytes 5-7 hold {int.from_bytes(data[5:], 'little'):06X} hex; a DGN has at most 18 bits"


def _catalogue_dgn(dgn: int) -> int:
    """Return a DGN as the catalogue lists it: the low byte of an addressed one is a destination, or zero."""
    return dgn & 0x3FF00 if ident.is_addressed(dgn) else dgn


def named_dgn(dgn: int, catalogue: Catalogue) -> tuple[str | None, Origin]:
    """Return the name of the message with a DGN, None if it is not defined, and the origin of that name."""
    spec = catalogue.by_dgn(dgn)
    return (None, Origin.PUBLISHED) if spec is None else (spec.name, spec.origin)


def listed(words: Sequence[str]) -> str:
    """Join words with commas and a last "and"."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else "".join(words)
