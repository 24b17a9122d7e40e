"""From a frame to what it is about: message, source, instance.

Knows: where the instance stands, and that a node sends one DM_RV for each of its functions (rv-c.com/node/522), so
the heartbeats of one source are told apart by their default source address. Does not know devices, time or what
was said before.
"""

from typing import NamedTuple

from rvsim.rig.functions import HIGHEST_INSTANCE, Function, by_command, by_status
from rvsim.watch.transitions import Topic
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Origin, Reading, Special, State
from rvsim.wire.spec import MessageSpec

HEARTBEAT = "DM_RV"

_NOTHING = slice(64, 65)
"""Picks no byte out of any frame."""


class Layout(NamedTuple):
    """How the frames of one DGN are taken apart.

    ``apart`` picks the byte that tells topics of one source apart: the instance, the DSA of a heartbeat, or none.
    ``instance`` is the field of the instance, which is no reading; None where the message has none. ``beside`` are
    the other fields in its byte. ``function`` is what the message states or commands.
    """

    dgn: int
    name: str | None
    spec: MessageSpec | None
    apart: slice
    instance: FieldSpec | None = None
    beside: tuple[FieldSpec, ...] = ()
    function: Function | None = None

    @property
    def gap_is_known(self) -> bool:
        """Tell whether the definition says how often the message comes, or that it comes as needed.

        The gap of one that is known by name only, and not surely, is not relied on: its own rhythm counts instead.
        """
        return self.spec is not None and (bool(self.spec.fields) or self.spec.origin is not Origin.UNSURE)

    @property
    def gap(self) -> int | None:
        """The broadcast gap that can be relied on, in microseconds; None where there is none."""
        return self.spec.gap_us if self.spec is not None and self.gap_is_known else None

    def topic(self, source: int, data: bytes) -> Topic:
        """Say what a frame of this DGN is about."""
        instance = dsa = None
        part = ""
        if self.instance is not None:
            raw = self.instance.raw_in(data)
            valid = raw is not None and raw <= HIGHEST_INSTANCE and self.instance.state(raw) is State.VALUE
            instance = raw if valid else None
            said = (
                Reading(one, value, one.state(value)) for one in self.beside if (value := one.raw_in(data)) is not None
            )
            words = [one.shown_label or f"{one.field.title} {one.brief}" for one in said]
            typed = self.function.typed(instance) if self.function is not None and instance is not None else None
            part = ", ".join([typed, *words] if typed else words)
        elif data[self.apart]:
            dsa = data[self.apart][0]
        return Topic(source, self.dgn, self.name, instance, dsa, part)


class Decoder:
    """Knows the layout of each DGN that was met; messages without a definition have one too."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._layouts: dict[int, Layout] = {}

    def layout(self, dgn: int) -> Layout:
        """Return how frames of a DGN are taken apart."""
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
    """Return the field that tells a message's topics apart: that of its instance, where it stands in byte 0."""
    field = spec.instance
    return field if field is not None and field.last_byte == 0 else None


_VALID_SHORT_LENGTHS = {0x0EA00: 3}
"""The request for a DGN has three bytes in SAE J1939-21; RV-C's instance and bank behind them are its own."""


class Length(NamedTuple):
    """How the length of a frame is wrong: the bytes needed, and the fields that are missing."""

    needed: int
    missing: tuple[str, ...]


def wrong_length(spec: MessageSpec, data: bytes) -> Length | None:
    """Compare the length of a frame with what its message needs; None where nothing is wrong.

    Filling up to eight bytes with ones is the rule (rv-c.com/node/522) and not too long. A message that is known by
    name only may have any length.
    """
    if not spec.fields:
        return None
    if len(data) < spec.needed:
        if _VALID_SHORT_LENGTHS.get(spec.dgn) == len(data):
            return None
        return Length(spec.needed, tuple(field.name for field in spec.fields if field.last_byte >= len(data)))
    if any(byte != 0xFF for byte in data[spec.length :]):
        return Length(spec.length, ())
    return None


def missing_fields_are_no_data(spec: MessageSpec, missing: tuple[str, ...]) -> bool:
    """Tell whether every missing field has a code for no data, so that leaving it out says the same."""
    return all(spec.by_name[name].special is not Special.NONE for name in missing)
