"""One field of a message: its bits, the scaling of its raw integer to a value, and how certain each part is.

Knows: raw integers, exact decimal scaling, the grades of a field's name, layout and codes, and the raw codes that the
RV-C data types reserve for "no data", "error", "out of range" and "reserved" (all ones are no data: rv-c.com/node/522;
uint16 is valid up to 65530: rv-c.com/node/500; the other codes are from memory of the standard's data type table).
Does not know which message the field belongs to, nor how a definition file is written.

Special codes are a property of the field, not of its width: in an address, a part of a NAME, a counter, an alarm number
or a bitmap, all ones are an ordinary value.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from typing import Literal, NamedTuple

from rvsim.wire.quantity_text import Quantity, QuantityText, decimal_text, decimals_of, figure, printed_unit


class State(StrEnum):
    """The class of a raw value: an ordinary value, or one of the special codes."""

    VALUE = "value"
    NO_DATA = "no data"
    ERROR = "error"
    """The code 10 binary in a field of two bits."""
    OUT_OF_RANGE = "out of range"
    RESERVED = "reserved"
    """A code above the highest value of the data type: neither a value nor a fault."""
    UNCHANGED = "unchanged"
    """All ones in a field of a command: the receiver leaves the setting as it is."""
    MISSING = "missing"
    """The frame was too short to hold the field."""


class Special(StrEnum):
    """Which special raw codes a field has."""

    NONE = "none"
    """Every raw integer is a value: alarm numbers, counters, addresses, parts of a NAME, bitmaps, text."""
    NO_DATA = "no_data"
    """Only all ones are special, and mean no data: lists of codes."""
    UNCHANGED = "unchanged"
    """Only all ones are special, and mean unchanged: lists of codes in a command."""
    MEASURED = "measured"
    """All special codes of the data type: quantities, and fields of two bits, where 10 binary is an error."""
    COMMANDED = "commanded"
    """As ``MEASURED``, for a command: all ones mean unchanged."""


class Origin(StrEnum):
    """Where a definition comes from."""

    PUBLISHED = "published"
    MEMORY = "memory"
    UNSURE = "unsure"
    USER = "user"
    """From the user's own definition file, which states no origin."""


_STRONGEST_FIRST = (Origin.PUBLISHED, Origin.USER, Origin.MEMORY, Origin.UNSURE)


def weakest(*origins: Origin) -> Origin:
    """Return the least certain of the origins; the order is published, user, memory, unsure."""
    return max(origins, key=_STRONGEST_FIRST.index)


class Grades(NamedTuple):
    """The origins of three parts of a field: its name and existence, its bits and scale, the names of its codes."""

    name: Origin
    layout: Origin
    codes: Origin


USER_GRADES = Grades(Origin.USER, Origin.USER, Origin.USER)


class AlarmSeverity(StrEnum):
    """How serious a code is that reports a problem."""

    NOTICE = "notice"
    WARNING = "warning"
    FAULT = "fault"
    """Something does not work or is dangerous."""


class Alarm(NamedTuple):
    """A code that reports a problem: its severity, and the origin of that statement."""

    severity: AlarmSeverity
    origin: Origin


_VALUE = State.VALUE
"""As a name of this module: looking it up in its enum takes five times as long."""
_ALL_ONES = {
    Special.NO_DATA: State.NO_DATA,
    Special.MEASURED: State.NO_DATA,
    Special.UNCHANGED: State.UNCHANGED,
    Special.COMMANDED: State.UNCHANGED,
}
"""The meaning of all ones in a field of any width: FF in 8 bits, FFFF in 16. `FieldSpec.states` has the other codes."""
_TYPE_SPECIALS = frozenset({Special.MEASURED, Special.COMMANDED})
_TWO_BITS = 2
_TOP_OF_TYPE = {_TWO_BITS: 1, 8: 250, 16: 65530, 32: 4294967290}
"""The highest raw integer that is a value, by the width of a data type in bits."""
_SUBSTITUTE_STATES = {State.NO_DATA: State.UNCHANGED, State.OUT_OF_RANGE: State.ERROR}
"""The state that a field reports instead where it has no code for the first."""
_STATE_ORIGINS = {
    State.ERROR: Origin.MEMORY,
    State.OUT_OF_RANGE: Origin.MEMORY,
    State.RESERVED: Origin.MEMORY,
    State.UNCHANGED: Origin.MEMORY,
}
"""The origins of the data types' special codes; only "no data" is published."""


def special_states(special: Special, length: int) -> dict[int, State]:
    """Return the special codes of a field with so many bits, and the state of each; none has a name of its own."""
    if special is Special.NONE:
        return {}
    all_ones = (1 << length) - 1
    states = {all_ones: _ALL_ONES[special]}
    if special in _TYPE_SPECIALS and length in _TOP_OF_TYPE:
        states |= dict.fromkeys(range(_TOP_OF_TYPE[length] + 1, all_ones - 1), State.RESERVED)
        states[all_ones - 1] = State.ERROR if length == _TWO_BITS else State.OUT_OF_RANGE
    return states


@dataclass(frozen=True)
class FieldSpec:
    """The layout and meaning of one field.

    ``first`` is the position of the field's first bit, counted from byte 0. Little-endian fields: bit 0 of byte 0 has
    position 0, and the least significant bit of the field is at ``first``. Big-endian fields: bit 7 of byte 0 has
    position 0, and the most significant bit of the field is at ``first``. ``length`` is in bits.
    The value is ``(raw * scale + offset) / 10 ** decimals`` in ``unit``; all four are integers.
    ``code_grades`` has the codes whose grade differs from ``grades.codes``, ``alarms`` the codes that report a problem,
    ``moves_with`` the fields (``MESSAGE.field``) whose values change together with this one.
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
        """The name for a person: ``heat output level``."""
        return self.name.replace("_", " ")

    @property
    def first_byte(self) -> int:
        """The index of the first byte with a bit of the field, from 0."""
        return self.first // 8

    @property
    def last_byte(self) -> int:
        """The index of the last byte with a bit of the field, from 0."""
        return (self.first + self.length - 1) // 8

    @property
    def low_bit(self) -> int:
        """The position of the least significant bit in the integer that the field's bytes form in their byte order."""
        if self.big_endian:
            return 8 * (self.last_byte + 1) - self.first - self.length
        return self.first - 8 * self.first_byte

    @cached_property
    def unit_steps(self) -> int:
        """The number of steps, in which scale and offset are counted, that make one ``unit``: a power of ten."""
        return int(10**self.decimals)

    @cached_property
    def all_ones(self) -> int:
        """The raw value whose bits are all set."""
        return (1 << self.length) - 1

    @cached_property
    def codes(self) -> Mapping[str, int]:
        """The raw value of each code name; the lowest one where several have the same name."""
        codes: dict[str, int] = {}
        for raw, label in sorted(self.labels.items()):
            codes.setdefault(label, raw)
        return codes

    @cached_property
    def states(self) -> Mapping[int, State]:
        """The raw integers that are special codes, and the state of each."""
        states = special_states(self.special, self.length)
        return {raw: state for raw, state in states.items() if state is not State.RESERVED or raw not in self.labels}

    @cached_property
    def raw_limits(self) -> tuple[int, int]:
        """The lowest and the highest raw integer that is a value."""
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
        """Return the state of a raw integer before scaling; None stands for a field that the frame does not contain."""
        if raw is None:
            return State.MISSING
        return self.states.get(raw, _VALUE)

    def code_grade(self, raw: int) -> Origin:
        """Return the origin of a code's name."""
        return self.code_grades.get(raw, self.grades.codes)

    def code(self, state: State) -> int | None:
        """Return the raw integer that reports ``state``, None where the field has none.

        A command field has unchanged in place of no data; a field of two bits has error in place of out of range.
        """
        wanted = (state, _SUBSTITUTE_STATES.get(state))
        return next((raw for raw, code_state in self.states.items() if code_state in wanted), None)

    def value(self, raw: int) -> int | float:
        """Return the value in ``unit``: an integer where ``decimals`` is 0, else the nearest float."""
        scaled = raw * self.scale + self.offset
        return scaled / self.unit_steps if self.decimals else scaled

    def text(self, raw: int) -> str:
        """Return the exact value as text without its unit, with all decimals of the resolution."""
        return self.text_of(raw * self.scale + self.offset)

    def text_of(self, steps: int) -> str:
        """Write a number of ``1 / unit_steps`` of the unit, as scale and offset are kept, exactly."""
        return decimal_text(steps, self.decimals)

    def brief(self, raw: int) -> str:
        """Write the value for a person with its unit: with as many decimals as one step needs (`decimals_of`)."""
        if not self.unit:
            return self._rounded(raw)
        return QuantityText(self.quantity(raw))

    def quantity(self, raw: int) -> Quantity:
        """Return the value with its unit and its step, written as for a person."""
        text = f"{self._rounded(raw)} {self.printed_unit}".rstrip()
        value = Fraction(raw * self.scale + self.offset, self.unit_steps)
        return Quantity(value, self.step, self.unit, text, is_difference=self.is_difference)

    def figure(self, value: float, *, names_unit: bool = True) -> Quantity:
        """Return a figure that somebody wrote about the field, such as a limit; a finite number in its unit."""
        return figure(value, self.unit, names_unit=names_unit, is_difference=self.is_difference)

    @cached_property
    def step(self) -> Fraction:
        """What one more in the raw integer makes in ``unit``."""
        return Fraction(abs(self.scale), self.unit_steps)

    @property
    def is_difference(self) -> bool:
        """Whether it is a difference of temperatures: K in our definitions, where a temperature is in degC.

        What K is in a user's own definitions is not known.
        """
        return self.unit == "K" and self.grades.layout is not Origin.USER

    def _rounded(self, raw: int) -> str:
        shown = self._shown_decimals
        scaled, unit = raw * self.scale + self.offset, 10 ** (self.decimals - shown)
        return decimal_text((2 * scaled + unit) // (2 * unit), shown)

    @cached_property
    def _shown_decimals(self) -> int:
        return decimals_of(self.step)

    @property
    def printed_unit(self) -> str:
        """The unit for a person: °C for degC."""
        return printed_unit(self.unit)

    @cached_property
    def _scaling(self) -> tuple[int, int, int, int, int, Mapping[int, State]]:
        """What ``raw`` needs, in one place."""
        return *self.raw_limits, self.unit_steps, self.offset, self.scale, self.states

    def raw(self, value: float) -> int:
        """Return the raw integer nearest to a value in ``unit``.

        Raises:
            ValueError: the value is outside the range of the field, or not a number.
        """
        low, high, unit_steps, offset, scale, states = self._scaling
        steps = value * unit_steps - offset
        try:
            raw = round(steps / scale if scale != 1 else steps)
        except (ValueError, OverflowError):  # not a number, or beyond all numbers
            raw = high + 1
        if not low <= raw <= high or raw in states:
            limits = f"{self.text(low)} to {self.text(high)} {self.printed_unit}".rstrip()
            raise ValueError(f"{self.title} {value} is outside {limits}")
        return raw

    @cached_property
    def sensor_raw(self) -> Callable[[float | None], int]:
        """The function from a value to the raw integer that a sensor sends: `sensor_code` where it is no plain value.

        It is made once for each field, because simulated sensors send much oftener than all else is encoded.
        """
        low, high, unit_steps, offset, scale, states = self._scaling
        other = self.sensor_code
        if any(low <= code <= high for code in states):
            return other

        def sensor_raw(value: float | None) -> int:
            try:
                raw = round((value * unit_steps - offset) / scale)  # type: ignore[operator]
            except (TypeError, ValueError, OverflowError):  # None, not a number, or beyond all numbers
                return other(value)
            return raw if low <= raw <= high else other(value)

        return sensor_raw

    def sensor_code(self, value: float | None) -> int:
        """Return the raw integer that a sensor sends: all ones for None, the out-of-range code outside the range.

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
    def _bytes_of(self) -> tuple[int, int, Literal["big", "little"], int, int]:
        """The arguments of ``raw_in``: index of the first byte and after the last, byte order, low bit, all ones."""
        order: Literal["big", "little"] = "big" if self.big_endian else "little"
        return self.first_byte, self.last_byte + 1, order, self.low_bit, self.all_ones

    def raw_in(self, data: bytes) -> int | None:
        """Return the raw integer of the field in a frame's bytes, None where the frame is too short."""
        first, end, order, low_bit, ones = self._bytes_of
        if len(data) < end:
            return None
        raw = int.from_bytes(data[first:end], order) >> low_bit & ones
        return raw - (raw >> (self.length - 1) << self.length) if self.signed else raw


class Reading(NamedTuple):
    """One field of one frame."""

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
        """The name of a code, None where the state says the same: all ones of a command are unchanged, not no data."""
        return None if self.state in (State.NO_DATA, State.UNCHANGED) or self.label == str(self.state) else self.label

    @property
    def origin(self) -> Origin:
        """The weakest origin of all that is printed of the reading: its number, its code name, or its state."""
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
