"""One field of a message: where its bits stand, how its raw integer becomes a value, how sure each part of that is.

Knows: raw integers, exact decimal scaling, the grades of a field's name, layout and codes, and the raw codes that the
RV-C data types give to "no data", "error", "out of range" and "reserved" (all ones = no data: rv-c.com/node/522; uint16
valid up to 65530: rv-c.com/node/500; the other codes from memory of the standard's data type table). Does not know
which message the field belongs to, nor how a definition file is written.

A field's special codes are a property of the field, not of its width: an address, a part of a NAME, a counter, an
alarm number or a bitmap may be all ones and mean just that.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Literal, NamedTuple


class State(StrEnum):
    """What a raw value says about itself."""

    VALUE = "value"
    NO_DATA = "no data"
    ERROR = "error"
    """10b in a field of two bits."""
    OUT_OF_RANGE = "out of range"
    RESERVED = "reserved"
    """Above the top of the type: no value, and no fault."""
    UNCHANGED = "unchanged"
    """All ones in a field of a command: leave it as it is."""
    MISSING = "missing"
    """The frame was too short to hold the field."""


class Special(StrEnum):
    """Which special raw codes a field has."""

    NONE = "none"
    """Every raw integer is content: numbers of alarms, counters, addresses, parts of a NAME, bitmaps, text."""
    NO_DATA = "no_data"
    """All ones are no data, and nothing else is special: lists of codes."""
    UNCHANGED = "unchanged"
    """All ones leave the field as it is, and nothing else is special: lists of codes in a command."""
    MEASURED = "measured"
    """All the codes of the data type: quantities, and two bits of which 10b is an error."""
    COMMANDED = "commanded"
    """The same in a command, where all ones leave the field as it is."""


class Origin(StrEnum):
    """Where a definition comes from."""

    PUBLISHED = "published"
    MEMORY = "memory"
    UNSURE = "unsure"
    USER = "user"
    """From the user's own definition file, which says nothing of its origin."""


_STRONGEST_FIRST = (Origin.PUBLISHED, Origin.USER, Origin.MEMORY, Origin.UNSURE)


def weakest(*origins: Origin) -> Origin:
    """Return the least sure of some origins; published is the surest, then user, memory, unsure."""
    return max(origins, key=_STRONGEST_FIRST.index)


class Grades(NamedTuple):
    """How sure three parts of a field are: that there is such a field, its places and scale, the names of its codes."""

    name: Origin
    layout: Origin
    codes: Origin


USER_GRADES = Grades(Origin.USER, Origin.USER, Origin.USER)


class AlarmSeverity(StrEnum):
    """How much an alarming code matters."""

    NOTICE = "notice"
    WARNING = "warning"
    FAULT = "fault"
    """Something does not work, or is dangerous."""


class Alarm(NamedTuple):
    """That a code means trouble, and where this claim comes from."""

    severity: AlarmSeverity
    origin: Origin


_ALL_ONES = {
    Special.NO_DATA: State.NO_DATA,
    Special.MEASURED: State.NO_DATA,
    Special.UNCHANGED: State.UNCHANGED,
    Special.COMMANDED: State.UNCHANGED,
}
_TYPE_SPECIALS = frozenset({Special.MEASURED, Special.COMMANDED})
_TWO_BITS = 2
_TOP_OF_TYPE = {_TWO_BITS: 1, 8: 250, 16: 65530, 32: 4294967290}
_SUBSTITUTE_STATES = {State.NO_DATA: State.UNCHANGED, State.OUT_OF_RANGE: State.ERROR}
"""What a field says that has no code for a state."""
_STATE_ORIGINS = {
    State.ERROR: Origin.MEMORY,
    State.OUT_OF_RANGE: Origin.MEMORY,
    State.RESERVED: Origin.MEMORY,
    State.UNCHANGED: Origin.MEMORY,
}
"""Where the rules of the data types come from, of which only "no data" is published."""


@dataclass(frozen=True)
class FieldSpec:
    """The layout and meaning of one field.

    ``first`` is the place of the field's first bit on a line that starts at byte 0: for little-endian fields
    bit 0 of byte 0 has place 0 and the field's least significant bit stands at ``first``; for big-endian
    fields bit 7 of byte 0 has place 0 and the most significant bit stands at ``first``.
    The value is ``(raw * scale + offset) / 10 ** decimals`` in ``unit``, in integers.
    ``code_grades`` holds the codes whose names are graded otherwise than ``grades.codes``, ``alarms`` the codes that
    mean trouble, ``moves_with`` the fields (``MESSAGE.field``) that move when this one is alive.
    """

    name: str
    first: int
    length: int
    big_endian: bool = False
    signed: bool = False
    scale: int = 1
    offset: int = 0
    decimals: int = 0
    unit: str = ""
    labels: Mapping[int, str] = field(default_factory=dict)
    special: Special = Special.NONE
    grades: Grades = USER_GRADES
    code_grades: Mapping[int, Origin] = field(default_factory=dict)
    alarms: Mapping[int, Alarm] = field(default_factory=dict)
    moves_with: tuple[str, ...] = ()
    source: str = ""
    comment: str = ""

    @property
    def title(self) -> str:
        """The name as it is spoken: ``heat output level``."""
        return self.name.replace("_", " ")

    @property
    def first_byte(self) -> int:
        """The first byte, counted from 0, that holds a bit of the field."""
        return self.first // 8

    @property
    def last_byte(self) -> int:
        """The last byte, counted from 0, that holds a bit of the field."""
        return (self.first + self.length - 1) // 8

    @property
    def low_bit(self) -> int:
        """The place of the least significant bit within the bytes of the field, read in their own order."""
        if self.big_endian:
            return 8 * (self.last_byte + 1) - self.first - self.length
        return self.first - 8 * self.first_byte

    @cached_property
    def unit_steps(self) -> int:
        """How many of the integers in which scale and offset are kept make one ``unit``: a power of ten."""
        return int(10**self.decimals)

    @cached_property
    def all_ones(self) -> int:
        """The raw value whose bits are all set."""
        return (1 << self.length) - 1

    @cached_property
    def codes(self) -> Mapping[str, int]:
        """The raw values that have a name, by it; the lowest of those with one name."""
        codes: dict[str, int] = {}
        for raw, label in sorted(self.labels.items()):
            codes.setdefault(label, raw)
        return codes

    @cached_property
    def states(self) -> Mapping[int, State]:
        """The raw values that are not a value, and what they say instead."""
        if self.special is Special.NONE:
            return {}
        states = {self.all_ones: _ALL_ONES[self.special]}
        if self.special in _TYPE_SPECIALS and self.length in _TOP_OF_TYPE:
            above = range(_TOP_OF_TYPE[self.length] + 1, self.all_ones - 1)
            states |= {raw: State.RESERVED for raw in above if raw not in self.labels}
            states[self.all_ones - 1] = State.ERROR if self.length == _TWO_BITS else State.OUT_OF_RANGE
        return states

    @cached_property
    def raw_limits(self) -> tuple[int, int]:
        """The lowest and highest raw integer that is a value."""
        if self.signed:
            half = 1 << (self.length - 1)
            return -half, half - 1
        if self.special is Special.NONE:
            return 0, self.all_ones
        top = _TOP_OF_TYPE.get(self.length) if self.special in _TYPE_SPECIALS else None
        if top is None:
            return 0, self.all_ones - 1
        return 0, max([top, *(raw for raw in self.labels if raw <= self.all_ones and raw not in self.states)])

    def state(self, raw: int | None) -> State:
        """Classify a raw value, before any scaling; None is a field that the frame did not hold."""
        if raw is None:
            return State.MISSING
        return self.states.get(raw, State.VALUE)

    def code_grade(self, raw: int) -> Origin:
        """Return how sure the name of a code is."""
        return self.code_grades.get(raw, self.grades.codes)

    def code(self, state: State) -> int | None:
        """Return the raw value that says ``state``, None where the field has none.

        Unchanged counts as no data; two bits cannot say out of range and say error.
        """
        wanted = (state, _SUBSTITUTE_STATES.get(state))
        return next((raw for raw, said in self.states.items() if said in wanted), None)

    def value(self, raw: int) -> int | float:
        """Return the value in ``unit``: an integer where the scale is whole, else the nearest float."""
        scaled = raw * self.scale + self.offset
        return scaled / self.unit_steps if self.decimals else scaled

    def text(self, raw: int) -> str:
        """Write the value exactly, with as many decimals as the resolution has, without the unit."""
        return self.text_of(raw * self.scale + self.offset)

    def text_of(self, steps: int) -> str:
        """Write a number of ``1 / unit_steps`` of the unit, as scale and offset are kept, exactly."""
        return _decimal_text(steps, self.decimals)

    def brief(self, raw: int) -> str:
        """Write the value for a person with its unit, rounded to the finest of 1, 0.1, 0.01 ... not below one step."""
        shown = self.decimals
        while shown and self.scale > 10 ** (self.decimals - shown):
            shown -= 1
        scaled, unit = raw * self.scale + self.offset, 10 ** (self.decimals - shown)
        number = _decimal_text((2 * scaled + unit) // (2 * unit), shown)
        return f"{number} {self.printed_unit}".rstrip()

    @property
    def printed_unit(self) -> str:
        """The unit as it is printed: degC becomes °C."""
        return "°C" if self.unit == "degC" else self.unit

    def raw(self, value: float) -> int:
        """Return the raw integer nearest to a value in ``unit``.

        Raises:
            ValueError: the value is outside what the field can say, or not a number.
        """
        low, high = self.raw_limits
        steps = value * self.unit_steps - self.offset
        try:
            raw = round(steps / self.scale if self.scale != 1 else steps)
        except (ValueError, OverflowError):  # not a number, or beyond all numbers
            raw = high + 1
        if not low <= raw <= high or raw in self.states:
            limits = f"{self.text(low)} to {self.text(high)} {self.printed_unit}".rstrip()
            raise ValueError(f"{self.title} {value} is outside {limits}")
        return raw

    def sensor_raw(self, value: float | None) -> int:
        """Return what a sensor would send: all ones for None, the out-of-range code beyond the field's range.

        Raises:
            ValueError: the field has no such code.
        """
        if value is None:
            if self.special is Special.NONE:
                raise ValueError(f"{self.title} has no code for no data")
            return self.all_ones
        try:
            return self.raw(value)
        except ValueError:
            code = self.code(State.OUT_OF_RANGE)
            if code is None:
                raise
            return code

    @cached_property
    def _cut(self) -> tuple[int, int, Literal["big", "little"], int, int]:
        """What ``raw_in`` has to know: first byte and the one behind the last, their order, the low bit, all ones."""
        order: Literal["big", "little"] = "big" if self.big_endian else "little"
        return self.first_byte, self.last_byte + 1, order, self.low_bit, self.all_ones

    def raw_in(self, data: bytes) -> int | None:
        """Read the field out of a frame's bytes; None where the frame is too short."""
        first, behind, order, low_bit, ones = self._cut
        if len(data) < behind:
            return None
        raw = int.from_bytes(data[first:behind], order) >> low_bit & ones
        return raw - (raw >> (self.length - 1) << self.length) if self.signed else raw


class Reading(NamedTuple):
    """One field as one frame gave it."""

    field: FieldSpec
    raw: int | None
    state: State

    @property
    def value(self) -> int | float | None:
        """The value in the field's unit, None unless the state is ``value``."""
        return self.field.value(self.raw) if self.state is State.VALUE and self.raw is not None else None

    @property
    def label(self) -> str | None:
        """The name of a code, None where the field has none for it."""
        return self.field.labels.get(self.raw) if self.raw is not None else None

    @property
    def shown_label(self) -> str | None:
        """The name of a code where it says more than the state: in a command all ones mean unchanged, not no data."""
        return None if self.state in (State.NO_DATA, State.UNCHANGED) or self.label == str(self.state) else self.label

    @property
    def origin(self) -> Origin:
        """The weakest grade that what is printed of the reading rests on: its number, its word, or its state."""
        name, layout, _ = self.field.grades
        if self.state is not State.VALUE or self.raw is None:
            return weakest(name, layout, _STATE_ORIGINS.get(self.state, Origin.PUBLISHED))
        if self.label is None:
            return weakest(name, layout)
        return weakest(name, layout, self.field.code_grade(self.raw))

    @property
    def brief(self) -> str:
        """The reading for a person: the code's name, the rounded value with its unit, or the state."""
        if self.state is not State.VALUE or self.raw is None:
            return str(self.state)
        return self.label or self.field.brief(self.raw)


def _decimal_text(scaled: int, decimals: int) -> str:
    whole, part = divmod(abs(scaled), 10**decimals)
    sign = "-" if scaled < 0 else ""
    return f"{sign}{whole}.{part:0{decimals}d}" if decimals else f"{sign}{whole}"
