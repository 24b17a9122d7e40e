"""Makes a log anonymous: serial numbers, NAMEs, vehicle and product identifications, texts and positions.

Knows: where these stand in frames, also in the packets of long messages, and which messages nothing is known of. The
same original gives the same substitute within one run, in frames, blocks and names alike; lengths and times stay, so
that a survey finds the same flags. Does not know formats, nor files. What it cannot know remains, and is said: see
``closing_lines``.

A NAME keeps its order, its function and its instances; its manufacturer code and serial number are replaced. A text
is replaced packet by packet, so that no frame has to wait for the end of its message. The data of messages without a
definition, or without fields in it, and of proprietary ones are replaced by ones.
"""

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from random import Random
from typing import Literal, NamedTuple, Protocol

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns, to_columns
from rvsim.logs.substitutes import OrderedNumbers, Texts
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.commanded_address import COMMANDED_ADDRESS
from rvsim.wire.fields import FieldSpec
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import GLOBAL_ADDRESS, dgn_of, is_addressed, split_identifier
from rvsim.wire.line_events import ErrorFrame, LineEvent, ListeningResumed, Marked, StateChanged
from rvsim.wire.texts import PRODUCT_IDENTIFICATION, SOFTWARE_IDENTIFICATION
from rvsim.wire.transfer.packets import (
    CONNECTION_MANAGEMENT,
    DATA_TRANSFER,
    PACKET_PAYLOAD,
    Abort,
    BroadcastAnnounce,
    EndOfMessage,
    RequestToSend,
    read_control,
)

VEHICLE_IDENTIFICATION, ECU_IDENTIFICATION = 0x0FEEC, 0x0FDC5
"""Texts beside product and software identification; the second is of SAE J1939-71, from memory."""
_TEXTS = frozenset({PRODUCT_IDENTIFICATION, SOFTWARE_IDENTIFICATION, VEHICLE_IDENTIFICATION, ECU_IDENTIFICATION})
_BLANKED = frozenset({0x0FEF3, 0x0FEE8, 0x1F801, 0x1F802, 0x1F805, 0x1FFA0, 0x1FFA3, 0x17E00})
"""Messages with a position, a course or a height: GPS_POSITION, VEHICLE_DIRECTION_SPEED, three of NMEA 2000 (129025,
129026 and 129029, from memory), COMPASS_BEARING_STATUS and ALTIMETER_STATUS; and TERMINAL, which is what somebody reads
or types."""
_PROPRIETARY = (range(0x0EF00, 0x0F000), range(0x1EF00, 0x1F000), range(0x0FF00, 0x10000))
"""Proprietary A, A2 and B of SAE J1939-21; the range of B2 has messages of RV-C."""
_NUMBER_WORDS = frozenset({"serial", "manufacturer"})
"""Words in the names of fields whose numbers get a substitute."""
_BLANKED_WORDS = frozenset({"vin", "latitude", "longitude", "altitude", "bearing", "heading", "course"})
"""Words in the names of fields that are filled with ones."""
MAX_PACKET_WAIT_US = 5 * SECOND_US
"""How long a packet may come after the one before it and still belong to its message: longer than any wait of SAE
J1939-21. Our decision."""
_KNOWN_NODES = ("this adapter", "the recording adapter")
_MAX_ERROR_WORDS = 60
"""The longest description of an error frame that stays: longer ones are no description of an error. Our decision."""

_Rule = Callable[[Frame, str], bytes]
"""Returns the data that a frame of a channel has instead of its own."""


class _Session(NamedTuple):
    """A long message whose packets come: its number, and when the last frame of it came."""

    dgn: int
    size: int
    time: int


class Redactor:
    """Replaces what must not be known, in the order of the log.

    Args:
        catalogue: the message definitions; what they have no fields for is unknown.
        keep_unknown: whether the data of unknown and proprietary messages stay.
        random: draws the substitutes; one with a beginning from the system if omitted.
    """

    def __init__(self, catalogue: Catalogue, *, keep_unknown: bool = False, random: Random | None = None) -> None:
        self._catalogue, self._keep_unknown = catalogue, keep_unknown
        self._random = random or Random(os.urandom(32))
        self._makers = OrderedNumbers(11, self._random)
        self._serials: dict[int, OrderedNumbers] = {}
        """The serial numbers in NAMEs, by the manufacturer code."""
        self._fields: dict[str, OrderedNumbers] = {}
        self._texts = Texts(self._random)
        self._names: dict[tuple[str, str], str] = {}
        self._rules: dict[int, _Rule | None] = {}
        self._sessions: dict[tuple[str, int, int], _Session] = {}
        """The long messages in progress, by channel, source and destination."""
        self._blanked: set[int] = set()
        self._kept_unknown: set[int] = set()

    # What is made anonymous.

    def frame(self, frame: Frame, channel: str = "") -> Frame:
        """Return a frame of a channel without what must not be known; time, identifier and length stay."""
        dgn = dgn_of(frame.identifier)
        if dgn not in self._rules:
            self._rules[dgn] = self._rule(dgn)
        rule = self._rules[dgn]
        return frame if rule is None else Frame(frame.time, frame.identifier, rule(frame, channel))

    def event(self, event: LineEvent) -> LineEvent:
        """Return an event without names and free texts."""
        match event:
            case StateChanged():
                is_known = event.node in _KNOWN_NODES
                return event if is_known else event._replace(node=self.name("node", event.node))
            case ErrorFrame():
                return event if len(event.about) <= _MAX_ERROR_WORDS else event._replace(about="")
            case ListeningResumed():
                return event._replace(about="")
            case Marked():
                return event._replace(note="")
        return event

    def entry(self, entry: Frame | LineEvent, channel: str = "") -> Frame | LineEvent:
        """Return a frame or an event of a channel without what must not be known."""
        return self.frame(entry, channel) if isinstance(entry, Frame) else self.event(entry)

    def block(self, block: Block, channel: str = "") -> Block:
        """Return a block of a channel without what must not be known: ``entry`` of each of its entries."""
        events = [(before, self.event(event)) for before, event in block.events]
        return replace(block, frames=self._columns(block.frames, channel), events=events)

    def name(self, kind: str, name: str) -> str:
        """Return the substitute of a name: of a file, a channel or a node; ``kind`` is what it is, in a word."""
        if not name:
            return name
        known = self._names.get((kind, name))
        if known is None:
            number = sum(key[0] == kind for key in self._names) + 1
            known = self._names[kind, name] = f"{kind}_{number}"
        return known

    def closing_lines(self) -> Iterator[str]:
        """Yield what was made anonymous, and what may remain."""
        names = sum(map(len, self._serials.values()))
        blanked = f"; the data of {len(self._blanked)} unknown, proprietary or position messages blanked"
        yield (
            f"redacted: {_counted(names, 'NAME')} and {_counted(len(self._texts), 'piece')} of text replaced"
            f"{blanked if self._blanked else ''}"
        )
        kept = (
            f"the data of {len(self._kept_unknown)} unknown and proprietary messages, which may hold anything; "
            if self._kept_unknown
            else ""
        )
        yield (
            f"what may remain: {kept}dates and times, addresses, instances, values and faults, and the habits that "
            "they show; unused bytes of known messages. Look through it before you hand it on; a rig that plans NAMEs "
            "no longer fits it"
        )

    def _columns(self, frames: Columns, channel: str) -> Columns:
        import numpy as np

        numbers, inverse = np.unique(frames.identifiers, return_inverse=True)
        affected = np.array([self._affects(number) for number in numbers.tolist()], bool)
        places = np.flatnonzero(affected[inverse]) if len(numbers) else np.empty(0, np.intp)
        if not len(places):
            return frames
        chosen = Columns(frames.times[places], frames.identifiers[places], frames.data[places], frames.lengths[places])
        changed = to_columns([self.frame(frame, channel) for frame in chosen.frames()])
        data = frames.data.copy()
        data[places] = changed.data
        return replace(frames, data=data)

    def _affects(self, identifier: int) -> bool:
        dgn = dgn_of(identifier)
        if dgn not in self._rules:
            self._rules[dgn] = self._rule(dgn)
        return self._rules[dgn] is not None

    # Rules, one for each DGN.

    def _rule(self, dgn: int) -> _Rule | None:
        """Return what replaces the data of a message; None where they stay."""
        if dgn in (ADDRESS_CLAIM, COMMANDED_ADDRESS):
            return lambda frame, _channel: self._with_name(frame.data)
        if dgn == CONNECTION_MANAGEMENT:
            return self._control
        if dgn == DATA_TRANSFER:
            return self._packet
        return self._content_rule(dgn)

    def _content_rule(self, dgn: int) -> _Rule | None:
        """Return what replaces the data of a message that is one frame."""
        if dgn in _TEXTS:
            return lambda frame, _channel: self._texts.replace((dgn, 0), frame.data)
        if dgn in _BLANKED:
            self._blanked.add(dgn)
            return _ones
        if self._is_unknown(dgn):
            if self._keep_unknown:
                self._kept_unknown.add(dgn)
                return None
            self._blanked.add(dgn)
            return _ones
        return self._field_rule(dgn)

    def _is_unknown(self, dgn: int) -> bool:
        if any(dgn in numbers for numbers in _PROPRIETARY):
            return True
        spec = self._catalogue.by_dgn(dgn)
        return spec is None or not spec.fields

    def _field_rule(self, dgn: int) -> _Rule | None:
        spec = self._catalogue.by_dgn(dgn)
        fields = spec.fields if spec is not None else ()
        numbers = [field for field in fields if _NUMBER_WORDS.intersection(field.name.split("_"))]
        blanked = [field for field in fields if _BLANKED_WORDS.intersection(field.name.split("_"))]
        if not numbers and not blanked:
            return None

        def replace_fields(frame: Frame, _channel: str) -> bytes:
            data = frame.data
            for field in numbers:
                raw = field.raw_in(data)
                if raw is not None:
                    data = _with_raw(data, field, self._number(field, raw))
            for field in blanked:
                if field.raw_in(data) is not None:
                    data = _with_raw(data, field, field.all_ones)
            return data

        return replace_fields

    def _number(self, field: FieldSpec, raw: int) -> int:
        """Return the substitute of a serial number or a manufacturer code; the codes are those of NAMEs."""
        if field.name == "manufacturer_code" and field.length == 11:
            return self._makers.replace(raw)
        key = f"{field.name} {field.length}"
        if key not in self._fields:
            self._fields[key] = OrderedNumbers(field.length, self._random)
        return self._fields[key].replace(raw & field.all_ones)

    def _with_name(self, data: bytes) -> bytes:
        """Return data that begin with a NAME, with another manufacturer code and serial number: its lower 32 bits."""
        if len(data) < 4:
            return b"\xff" * len(data)
        low = int.from_bytes(data[:4], "little")
        maker, serial = low >> 21, low & 0x1FFFFF
        if maker not in self._serials:
            self._serials[maker] = OrderedNumbers(21, self._random)
        low = self._makers.replace(maker) << 21 | self._serials[maker].replace(serial)
        return low.to_bytes(4, "little") + data[4:]

    # Long messages.

    def _control(self, frame: Frame, channel: str) -> bytes:
        """Note which message begins or ends; the frame itself has only numbers and stays."""
        parts, control = split_identifier(frame.identifier), read_control(frame.data)
        destination = GLOBAL_ADDRESS if parts.destination is None else parts.destination
        if isinstance(control, BroadcastAnnounce | RequestToSend):
            dgn = control.dgn & 0x3FF00 if is_addressed(control.dgn) else control.dgn
            self._sessions[channel, parts.source, destination] = _Session(dgn, control.size, frame.time)
        elif isinstance(control, EndOfMessage | Abort):
            self._sessions.pop((channel, destination, parts.source), None)
            if isinstance(control, Abort):
                self._sessions.pop((channel, parts.source, destination), None)
        elif control is None:
            return b"\xff" * len(frame.data) if not self._keep_unknown else frame.data
        return frame.data

    def _packet(self, frame: Frame, channel: str) -> bytes:
        parts, data = split_identifier(frame.identifier), frame.data
        destination = GLOBAL_ADDRESS if parts.destination is None else parts.destination
        pair = channel, parts.source, destination
        session = self._sessions.get(pair)
        if session is None or frame.time - session.time > MAX_PACKET_WAIT_US or not data:
            return data if self._keep_unknown else data[:1] + b"\xff" * len(data[1:])
        self._sessions[pair] = session._replace(time=frame.time)
        number, payload = data[0], data[1:]
        if destination == GLOBAL_ADDRESS and number * PACKET_PAYLOAD >= session.size:
            del self._sessions[pair]
        return data[:1] + self._payload(session.dgn, number, payload)

    def _payload(self, dgn: int, number: int, payload: bytes) -> bytes:
        """Return what replaces a part of a long message."""
        if dgn in (ADDRESS_CLAIM, COMMANDED_ADDRESS):
            return self._with_name(payload) if number == 1 else payload
        if dgn in _TEXTS:
            return self._texts.replace((dgn, number), payload)
        spec = self._catalogue.by_dgn(dgn)
        is_known = dgn not in _BLANKED and not self._is_unknown(dgn) and spec is not None
        if is_known or (self._keep_unknown and dgn not in _BLANKED):
            if not is_known:
                self._kept_unknown.add(dgn)
            return payload
        self._blanked.add(dgn)
        return b"\xff" * len(payload)


class _Writer(Protocol):
    """What keeps frames, such as a recorder."""

    def write(self, frame: Frame) -> None: ...
    def write_event(self, event: LineEvent) -> None: ...
    def flush(self) -> None: ...


class RedactingWriter:
    """Keeps frames and events in another writer, without what must not be known."""

    def __init__(self, writer: _Writer, redactor: Redactor) -> None:
        self._writer, self._redactor = writer, redactor

    def write(self, frame: Frame) -> None:
        """Keep a frame."""
        self._writer.write(self._redactor.frame(frame))

    def write_event(self, event: LineEvent) -> None:
        """Keep an event."""
        self._writer.write_event(self._redactor.event(event))

    def flush(self) -> None:
        """Write everything that is buffered."""
        self._writer.flush()


def _ones(frame: Frame, _channel: str) -> bytes:
    return b"\xff" * len(frame.data)


def _with_raw(data: bytes, field: FieldSpec, raw: int) -> bytes:
    """Return data with another raw integer in a field, all of whose bytes are there."""
    order: Literal["big", "little"] = "big" if field.big_endian else "little"
    part = slice(field.first_byte, field.last_byte + 1)
    number = int.from_bytes(data[part], order)
    number = number & ~(field.all_ones << field.low_bit) | (raw & field.all_ones) << field.low_bit
    return data[: part.start] + number.to_bytes(part.stop - part.start, order) + data[part.stop :]


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
