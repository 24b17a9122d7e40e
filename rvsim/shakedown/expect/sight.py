"""Something that can be seen on the bus: a frame of a device, a message, or a message whose field has a certain value.

Knows: how a sight is written, and which frames match it. Does not know time, nor what is expected of a sight.
"""

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, NamedTuple, Self

from pydantic import AfterValidator, Field, StrictBool, ValidationInfo, model_validator

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText, Table
from rvsim.shakedown.checked_names import DefinedName, DeviceName
from rvsim.shakedown.expect.switch_sight import completed_sight
from rvsim.watch.decode import Decoder
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.quantity_text import Quantity, compose
from rvsim.wire.spec import MessageSpec

_HEX = re.compile(r"[0-9A-Fa-f]{1,8}")
MAX_IDENTIFIER = (1 << 29) - 1
"""The largest identifier of 29 bits."""


def identifier_of(text: str) -> int:
    """Return the identifier that a text of hex digits means.

    Raises:
        ValueError: it is not hex, or has more than 29 bits.
    """
    if not _HEX.fullmatch(text) or int(text, 16) > MAX_IDENTIFIER:
        raise ValueError(f'{shown(text)} is not an identifier; write up to 8 hex digits of 29 bits, like "19FFE45E"')
    return int(text, 16)


def _identifier(text: str) -> str:
    identifier_of(text)
    return text


Identifier = Annotated[str, AfterValidator(_identifier)]
FieldValue = Annotated[float | OneLineText, Field(union_mode="left_to_right")] | StrictBool
"""A number, the name of a code or of a state; true and false are taken so that they can be refused with a reason."""


def _not_false(given: float | str | bool) -> float | str | bool:
    if given is False:
        raise ValueError("false has no meaning here; write what the field becomes, or omit becomes")
    return given


EnteredValue = Annotated[FieldValue, AfterValidator(_not_false)]
"""What a field becomes: a value, or true to go with ``above`` and ``below``."""


class Sight(Table):
    """The conditions that a frame has to meet to be this sight; all that are given must hold.
    With ``becomes`` only entering a state counts, not repeats of it.

    ``is``, ``above`` and ``below`` are about ``field``: a number in its unit, the name of a code, or a state such as
    "no data". With ``becomes`` a frame counts only if the field enters that value and had another one before: the
    value in the first frame of a sender is not entered. It is written as ``is``, or true to go with ``above`` and
    ``below``. Each sender and instance is followed separately, and a frame without a value changes nothing.
    """

    device: DeviceName | None = None
    """The device that sends the frame."""
    message: DefinedName | None = None
    """The message by its name."""
    identifier: Identifier | None = None
    """The 29-bit identifier of the frame."""
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    """The instance in the message."""
    field: DefinedName | None = None
    """The field that "is", "above", "below" and "becomes" are about."""
    equals: FieldValue | None = Field(default=None, alias="is")
    """The value of the field: a number in its unit, the name of a code, or a state like "no data"."""
    above: float | None = None
    """The limit, in the field's unit, that the value is above."""
    below: float | None = None
    """The limit, in the field's unit, that the value is below."""
    becomes: EnteredValue | None = None
    """The value that the field enters, having had another one before; or true, with "above" or "below"."""

    input: OneLineText | None = None
    """A switch or key of the rig by its name, in place of message, instance and field, like { input = "galley switch",
    is = "on" }."""
    output: OneLineText | None = None
    """An output of the rig by its name, in place of them, like { output = "galley light", becomes = "off" }; a number
    is its level in %."""

    @model_validator(mode="before")
    @classmethod
    def _by_names(cls, given: object, info: ValidationInfo) -> object:
        return completed_sight(given, (info.context or {}).get("rig"))

    @model_validator(mode="after")
    def _complete(self) -> Self:
        given = {**self._conditions, "becomes": self.becomes}
        conditions = [name for name, value in given.items() if value is not None]
        if not (self.device or self.message or self.identifier):
            raise ValueError("every frame on the bus would match this; name a device, a message or an identifier")
        if conditions and self.field is None:
            raise ValueError(f'"{conditions[0]}" needs the field that it applies to')
        if (self.field or self.instance is not None) and self.message is None:
            raise ValueError(f'"{"field" if self.field else "instance"}" needs the message that it belongs to')
        if isinstance(self.equals, bool):
            raise ValueError('true and false are not values of a field; write the name of the code, like "on", or 1')
        limits = [name for name, value in self._conditions.items() if value is not None]
        if self.becomes is True and not limits:
            raise ValueError('becomes = true goes with above or below; or write what it becomes, like becomes = "on"')
        if self.becomes is not None and self.becomes is not True and limits:
            raise ValueError(f'"{limits[0]}" goes with becomes = true; or write becomes alone, like becomes = "on"')
        return self

    @property
    def wanted(self) -> float | str | bool | None:
        """The value that the field must have, by ``is`` or ``becomes``."""
        return self.equals if self.becomes is None or self.becomes is True else self.becomes

    @property
    def _conditions(self) -> Mapping[str, object]:
        return {"is": self.equals, "above": self.above, "below": self.below}

    def __str__(self) -> str:
        named = self.input or self.output
        words = [self.message or (f"identifier {self.identifier}" if self.identifier else "any frame")]
        if named is not None:
            words = [named]
        elif self.instance is not None:
            words[0] += f", instance {self.instance}" + ("," if self.device or self.field else "")
        if self.device:
            words.append(f"of {self.device}")
        if self.field and named is None:
            words.append(f"with {self.field.replace('_', ' ')}")
        if self.becomes is not None:
            level = "off" if self.output is not None and self.becomes == 0 else _plain(self.becomes)
            words.append("becoming" if self.becomes is True else f"becoming {level}")
        limits = [f"{name} {_plain(value)}" for name, value in self._conditions.items() if value is not None]
        if self.output is not None:
            on = "on" if self.becomes is True else "is on"
            limits = [{"above 0": on, "is 0": "is off"}.get(limit, limit) for limit in limits]
        return " ".join([*words, *([" and ".join(limits)] if limits else [])])


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float | int) else str(value)


class NearMiss(NamedTuple):
    """A frame that would be a sight if its field had another value."""

    frame: Frame
    text: str
    """The field and its value."""
    distance: float
    """How far the value is from what is wanted, in the field's unit; 0 where there is no field."""


class FieldMatch(NamedTuple):
    """Whether a field has the wanted value in a frame, and whether it had it in the frame before."""

    sender: tuple[int, int | None]
    """The source address and the instance."""
    inside: bool
    before: bool | None
    """None where there was no frame before."""

    @property
    def is_entry(self) -> bool:
        """Whether the wanted value was entered with this frame."""
        return self.inside and self.before is False


class SightMatcher:
    """Finds the frames that are one sight.

    A sight with ``becomes`` has to be given every frame that may match, by ``matches`` or ``observe``: the matcher
    remembers the value before.

    Raises:
        InputError: the message is not defined.
        ValueError: the field is not defined, or cannot have the wanted value.
    """

    def __init__(self, sight: Sight, catalogue: Catalogue) -> None:
        self.sight = sight
        self._layouts = Decoder(catalogue)
        self._identifier = None if sight.identifier is None else identifier_of(sight.identifier)
        self.spec: MessageSpec | None = None if sight.message is None else catalogue.by_name(sight.message)
        self._field = None if self.spec is None or sight.field is None else self.spec.field(sight.field)
        self._raw, self._state = (None, None) if self._field is None else _wanted(self._field, equals=sight.wanted)
        if self._field is not None:
            _check_limits(self._field, sight.above, sight.below)
        self.counts_entries = sight.becomes is not None
        """Whether only frames that enter a state count, and not every frame."""
        self._inside: dict[tuple[int, int | None], bool] = {}
        self._observed: Frame | None = None
        self._match: FieldMatch | None = None

    @cached_property
    def dgn(self) -> int | None:
        """The only DGN that a matching frame can have; None where it may have any."""
        if self.spec is not None:
            return self.spec.dgn
        return None if self._identifier is None else dgn_of(self._identifier)

    def may_match(self, frame: Frame, device: str) -> bool:
        """Tell whether a frame of ``device`` is this sight, whatever the value of its field."""
        identifier, wanted = frame.identifier, self.sight
        if self._identifier is not None and identifier != self._identifier:
            return False
        if self.dgn is not None and dgn_of(identifier) != self.dgn:
            return False
        if wanted.device is not None and wanted.device != device:
            return False
        if wanted.instance is None:
            return True
        topic = self._layouts.layout(dgn_of(identifier)).topic(identifier & 0xFF, frame.data)
        return topic.instance == wanted.instance

    def field_matches(self, frame: Frame) -> bool:
        """Tell whether the field of such a frame has the wanted value, or enters it with this frame."""
        if not self.counts_entries:
            return self._holds(frame)
        match = self.observe(frame)
        return match is not None and match.is_entry

    def observe(self, frame: Frame) -> FieldMatch | None:
        """Observe the next frame that may match; return whether its field has the wanted value, None without a value.

        The same frame may be given several times.
        """
        if frame is not self._observed:
            self._observed, self._match = frame, self._next(frame)
        return self._match

    def _next(self, frame: Frame) -> FieldMatch | None:
        inside = self._holds(frame)
        raw = None if self._field is None else self._field.raw_in(frame.data)
        if not inside and (raw is None or (self._state is None and self.value(frame) is None)):
            return None
        layout = self._layouts.layout(dgn_of(frame.identifier))
        source = frame.identifier & 0xFF
        sender = source, layout.topic(source, frame.data).instance
        before = self._inside.get(sender)
        self._inside[sender] = inside
        return FieldMatch(sender, inside, before)

    def _holds(self, frame: Frame) -> bool:
        if self._field is None:
            return True
        raw = self._field.raw_in(frame.data)
        state = self._field.state(raw)
        if self._state is not None and state is not self._state:
            return False
        if self._raw is not None and raw != self._raw:
            return False
        if self.sight.above is None and self.sight.below is None:
            return self._raw is not None or self._state is not None or state is State.VALUE
        if raw is None or state is not State.VALUE:
            return False
        value = self._field.value(raw)
        return not (
            (self.sight.above is not None and value <= self.sight.above)
            or (self.sight.below is not None and value >= self.sight.below)
        )

    def matches(self, frame: Frame, device: str) -> bool:
        """Tell whether a frame is this sight."""
        return self.may_match(frame, device) and self.field_matches(frame)

    def value(self, frame: Frame) -> float | None:
        """Return the value of the field in its unit, None where it has none."""
        if self._field is None:
            return None
        raw = self._field.raw_in(frame.data)
        return None if raw is None or self._field.state(raw) is not State.VALUE else float(self._field.value(raw))

    def figures(self, *figures: float | None) -> Iterator[Quantity]:
        """Yield the figures that the sight names, and others about its field, in the field's unit."""
        named = (self.sight.wanted, self.sight.above, self.sight.below, *figures)
        for value in named:
            if self._field is not None and isinstance(value, float | int) and not isinstance(value, bool):
                yield self._field.figure(value)

    def near(self, frame: Frame) -> NearMiss:
        """Return how near a frame that may match comes to the wanted value."""
        if self._field is None:
            return NearMiss(frame, str(frame), 0.0)
        raw = self._field.raw_in(frame.data)
        value_text = Reading(self._field, raw, self._field.state(raw)).brief
        distance = max(self._distances(self.value(frame)), default=0.0)
        return NearMiss(frame, compose(f"{self._field.title} ", value_text), distance)

    def _distances(self, value: float | None) -> Iterator[float]:
        if value is None:
            yield float("inf")
            return
        if self.sight.above is not None:
            yield self.sight.above - value
        if self.sight.below is not None:
            yield value - self.sight.below
        if self._raw is not None and self._field is not None:
            yield abs(value - float(self._field.value(self._raw)))


def _wanted(field: FieldSpec, *, equals: float | str | bool | None) -> tuple[int | None, State | None]:
    """Return the raw value, or the state, that a field must have; None for what is not asked for."""
    if equals is None:
        return None, None
    if isinstance(equals, float | int):
        return field.raw(equals), None
    if equals in set(State):
        return None, State(equals)
    codes = field.codes
    if equals not in codes:
        raise ValueError(
            f"{field.name} cannot be {shown(equals)}{did_you_mean(equals, codes)}; write a number in "
            f"{field.printed_unit or 'its unit'}"
            + (f", or one of: {', '.join(codes)}" if codes else "")
            + f", or a state: {', '.join(State)}"
        )
    return codes[equals], None


def _check_limits(field: FieldSpec, above: float | None, below: float | None) -> None:
    """Refuse a limit that no value of a field is beyond.

    Raises:
        ValueError: it is, in the unit of the field.
    """
    raws = field.raw_limits
    lowest, highest = sorted(float(field.value(raw)) for raw in raws)
    for name, limit, is_beyond in (
        ("above", above, above is not None and above >= highest),
        ("below", below, below is not None and below <= lowest),
    ):
        if is_beyond:
            unit = f" {field.printed_unit}" if field.printed_unit else ""
            limits = f"{field.text(raws[0])} to {field.text(raws[1])}{unit}"
            raise ValueError(f"{field.title} is never {name} {limit:g}{unit}: its range is {limits}; correct the limit")


def matchers_of(sights: Mapping[str, Sight], catalogue: Catalogue) -> Mapping[str, SightMatcher]:
    """Return a matcher for each sight, by the key of the sight.

    Raises:
        InputError: messages or fields are not defined, or a field cannot have the wanted value; one line for each.
    """
    found, problems = {}, []
    for key, sight in sights.items():
        try:
            found[key] = SightMatcher(sight, catalogue)
        except (InputError, ValueError) as error:
            problems.append(f"{key}: {error}")
    if problems:
        raise InputError(*problems)
    return found
