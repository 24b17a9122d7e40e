"""The topic of a frame: message, source and instance.

Knows: where the instance is in a message, and that a node sends one DM_RV for each of its functions
(rv-c.com/node/522), so the heartbeats of one source are distinguished by their default source address. Does not know
devices, time or earlier frames.
"""

from typing import NamedTuple

from rvsim.rig.functions import MAX_INSTANCE, Function, by_command, by_status
from rvsim.watch.transitions import Topic
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Origin, Reading, Special, State
from rvsim.wire.spec import MessageSpec

HEARTBEAT = "DM_RV"

_AC_PAGE = frozenset({"ac_line", "input_output"})
"""The fields beside an instance that tell the pages of a unit for mains apart."""
_NOTHING = slice(64, 65)
"""Selects no byte of any frame."""


class Layout(NamedTuple):
    """How the frames of one DGN are divided into topics.

    ``apart`` selects the byte that distinguishes the topics of one source: the instance, the DSA of a heartbeat, or no
    byte. ``instance`` is the field of the instance, which is no reading; None where the message has none. ``beside``
    are the other fields in its byte. ``function`` is the function that the message reports or commands.
    """

    dgn: int
    name: str | None
    spec: MessageSpec | None
    key_slice: slice
    instance: FieldSpec | None = None
    qualifier_fields: tuple[FieldSpec, ...] = ()
    function: Function | None = None

    @property
    def gap_is_known(self) -> bool:
        """Whether the definition states how often the message is sent, or that it is sent as needed.

        A definition that has only a name, and is not sure, is not relied on: the measured rhythm counts instead.
        """
        return self.spec is not None and (bool(self.spec.fields) or self.spec.origin is not Origin.UNSURE)

    @property
    def gap(self) -> int | None:
        """The reliable broadcast gap in microseconds; None where there is none."""
        return self.spec.gap_us if self.spec is not None and self.gap_is_known else None

    @property
    def is_page_without_gap(self) -> bool:
        """Whether it is a page for each line and direction of alternating current, whose gap is not established."""
        return self.gap_is_known and self.gap is None and any(one.name in _AC_PAGE for one in self.qualifier_fields)

    def topic(self, source: int, data: bytes) -> Topic:
        """Return the topic of a frame of this DGN."""
        instance = dsa = None
        qualifier = ""
        if self.instance is not None:
            raw = self.instance.raw_in(data)
            valid = raw is not None and raw <= MAX_INSTANCE and self.instance.state(raw) is State.VALUE
            instance = raw if valid else None
            readings = (
                Reading(field, value, field.state(value))
                for field in self.qualifier_fields
                if (value := field.raw_in(data)) is not None
            )
            texts = [field.shown_label or f"{field.field.title} {field.brief}" for field in readings]
            typed = (
                self.function.charger_type_label(instance)
                if self.function is not None and instance is not None
                else None
            )
            qualifier = ", ".join([typed, *texts] if typed else texts)
        elif data[self.key_slice]:
            dsa = data[self.key_slice][0]
        return Topic(source, self.dgn, self.name, instance, dsa, qualifier)


class Decoder:
    """Keeps the layout of each DGN that was received; messages without a definition have one too."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._layouts: dict[int, Layout] = {}

    def layout(self, dgn: int) -> Layout:
        """Return the layout of a DGN."""
        if dgn not in self._layouts:
            self._layouts[dgn] = _layout(dgn, self._catalogue.by_dgn(dgn))
        return self._layouts[dgn]


def _layout(dgn: int, spec: MessageSpec | None) -> Layout:
    if spec is None:
        return Layout(dgn, None, None, _NOTHING)
    if spec.name == HEARTBEAT and "dsa" in spec.by_name:
        place = spec.by_name["dsa"].first_byte
        return Layout(dgn, spec.name, spec, slice(place, place + 1))
    instance = instance_field(spec)
    if instance is None:
        return Layout(dgn, spec.name, spec, _NOTHING)
    beside = tuple(field for field in spec.fields if field is not instance and field.first_byte == 0)
    function = by_status(spec.name) or by_command(spec.name)
    return Layout(dgn, spec.name, spec, slice(0, 1), instance, beside, function)


def instance_field(spec: MessageSpec) -> FieldSpec | None:
    """Return the field of the instance, where it is in byte 0; None where the message has none there."""
    field = spec.instance
    return field if field is not None and field.last_byte == 0 else None


_VALID_SHORT_LENGTHS = {0x0EA00: 3}
"""The request for a DGN has three bytes in SAE J1939-21; RV-C's instance and bank behind them are its own."""


class LengthMismatch(NamedTuple):
    """A frame of the wrong length: how many bytes its message needs, and the names of the missing fields."""

    needed: int
    missing: tuple[str, ...]


def wrong_length(spec: MessageSpec, data: bytes) -> LengthMismatch | None:
    """Compare the length of a frame with what its message needs; None where nothing is wrong.

    Filling up to eight bytes with ones is the rule (rv-c.com/node/522) and not too long. A message whose definition has
    no fields may have any length.
    """
    if not spec.fields:
        return None
    if len(data) < spec.min_length:
        if _VALID_SHORT_LENGTHS.get(spec.dgn) == len(data):
            return None
        missing = tuple(field.name for field in spec.fields if field.last_byte >= len(data))
        return LengthMismatch(spec.min_length, missing)
    if any(byte != 0xFF for byte in data[spec.length :]):
        return LengthMismatch(spec.length, ())
    return None


def missing_fields_are_no_data(spec: MessageSpec, missing: tuple[str, ...]) -> bool:
    """Return whether every missing field has a code for no data, so that leaving it out means the same."""
    return all(spec.by_name[name].special is not Special.NONE for name in missing)
