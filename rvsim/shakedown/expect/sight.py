"""Something that can be seen on the bus: a frame of a device, a message, or one of its fields in a range.

Knows: how a sight is written, and which frames match it. Does not know time, nor what is expected of it.
"""

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, NamedTuple, Self

from pydantic import AfterValidator, Field, StrictBool, model_validator

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText, Table
from rvsim.shakedown.checked_names import InTheRig, Word
from rvsim.watch.decode import Decoder
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.quantity_text import Quantity, compose
from rvsim.wire.spec import MessageSpec

_HEX = re.compile(r"[0-9A-Fa-f]{1,8}")
HIGHEST_IDENTIFIER = (1 << 29) - 1


def identifier_of(text: str) -> int:
    """Read an identifier.

    Raises:
        ValueError: it is not hex, or has more than 29 bits.
    """
    if not _HEX.fullmatch(text) or int(text, 16) > HIGHEST_IDENTIFIER:
        raise ValueError(f'{shown(text)} is not an identifier; write up to 8 hex digits of 29 bits, like "19FFE45E"')
    return int(text, 16)


def _identifier(text: str) -> str:
    identifier_of(text)
    return text


Identifier = Annotated[str, AfterValidator(_identifier)]
Said = Annotated[float | OneLineText, Field(union_mode="left_to_right")] | StrictBool


def _entered(given: float | str | bool) -> float | str | bool:
    if given is False:
        raise ValueError("false says nothing; write what the field becomes, or leave becomes out")
    return given


Entered = Annotated[Said, AfterValidator(_entered)]


class Sight(Table):
    """What a frame has to be, or say, to be this sight. All that is given has to be so.
    With ``becomes`` only entering a state counts, not repeats of it.

    ``is``, ``above`` and ``below`` are about ``field``: a number in its unit, the name of a code, or a state such as
    "no data". With ``becomes`` a frame counts only if the field enters that, having said something else before: what
    a sender says in its first frame is not entered. It is written as ``is``, or true to go with
    ``above`` and ``below``. Each sender and instance counts for itself, and a frame without a value changes nothing.
    """

    device: InTheRig | None = None
    """The device that sends the frame."""
    message: Word | None = None
    """The message by its name."""
    identifier: Identifier | None = None
    """The 29-bit identifier of the frame."""
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    """The instance in the message."""
    field: Word | None = None
    """The field that "is", "above", "below" and "becomes" are about."""
    equals: Said | None = Field(default=None, alias="is")
    """What the field says: a number in its unit, the name of a code, or a state like "no data"."""
    above: float | None = None
    """The value, in the field's unit, that it is above."""
    below: float | None = None
    """The value, in the field's unit, that it is below."""
    becomes: Entered | None = None
    """What the field starts to say, having said something else before; or true, with "above" or "below"."""

    @model_validator(mode="after")
    def _complete(self) -> Self:
        given = {**self._conditions, "becomes": self.becomes}
        conditions = [name for name, value in given.items() if value is not None]
        if not (self.device or self.message or self.identifier):
            raise ValueError("this is everything on the bus; name a device, a message or an identifier")
        if conditions and self.field is None:
            raise ValueError(f'"{conditions[0]}" needs a field that it is about')
        if (self.field or self.instance is not None) and self.message is None:
            raise ValueError(f'"{"field" if self.field else "instance"}" needs a message that it stands in')
        if isinstance(self.equals, bool):
            raise ValueError('true and false are no values of a field; write the name of the code, like "on", or 1')
        limits = [name for name, value in self._conditions.items() if value is not None]
        if self.becomes is True and not limits:
            raise ValueError('becomes = true goes with above or below; or write what it becomes, like becomes = "on"')
        if self.becomes is not None and self.becomes is not True and limits:
            raise ValueError(f'"{limits[0]}" goes with becomes = true; or write becomes alone, like becomes = "on"')
        return self

    @property
    def wanted(self) -> float | str | bool | None:
        """What the field has to say, by ``is`` or ``becomes``."""
        return self.equals if self.becomes is None or self.becomes is True else self.becomes

    @property
    def _conditions(self) -> Mapping[str, object]:
        return {"is": self.equals, "above": self.above, "below": self.below}

    def __str__(self) -> str:
        words = [self.message or (f"identifier {self.identifier}" if self.identifier else "any frame")]
        if self.instance is not None:
            words[0] += f", instance {self.instance}" + ("," if self.device or self.field else "")
        if self.device:
            words.append(f"of {self.device}")
        if self.field:
            words.append(f"with {self.field.replace('_', ' ')}")
        if self.becomes is not None:
            words.append("becoming" if self.becomes is True else f"becoming {_plain(self.becomes)}")
        words += [f"{name} {_plain(value)}" for name, value in self._conditions.items() if value is not None]
        return " ".join(words)


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float | int) else str(value)


class Near(NamedTuple):
    """A frame that is a sight but for what its field says."""

    frame: Frame
    said: str
    away: float
    """How far from what is wanted, in the field's unit; 0 where it cannot be told."""


class Stay(NamedTuple):
    """Whether a field says what is wanted, and whether it did in the frame before; None where there was none."""

    whose: tuple[int, int | None]
    """The source address and the instance."""
    inside: bool
    before: bool | None

    @property
    def is_entry(self) -> bool:
        """Whether it was entered just now."""
        return self.inside and self.before is False


class Spotter:
    """Finds one sight among frames.

    One with ``becomes`` has to be shown every frame that it could be, by ``sees`` or ``observe``: it remembers what
    the field said before.

    Raises:
        InputError: the message is not defined.
        ValueError: the field is not, or cannot say what is wanted.
    """

    def __init__(self, sight: Sight, catalogue: Catalogue) -> None:
        self.sight = sight
        self._layouts = Decoder(catalogue)
        self._identifier = None if sight.identifier is None else identifier_of(sight.identifier)
        self.spec: MessageSpec | None = None if sight.message is None else catalogue.by_name(sight.message)
        self._field = None if self.spec is None or sight.field is None else self.spec.field(sight.field)
        self._raw, self._state = (None, None) if self._field is None else _wanted(self._field, sight.wanted)
        self.is_entered = sight.becomes is not None
        """Whether entries are counted, and not every frame."""
        self._inside: dict[tuple[int, int | None], bool] = {}
        self._observed: Frame | None = None
        self._stay: Stay | None = None

    @cached_property
    def dgn(self) -> int | None:
        """The DGN that it can only have, None where it may have any."""
        if self.spec is not None:
            return self.spec.dgn
        return None if self._identifier is None else dgn_of(self._identifier)

    def could_be(self, frame: Frame, device: str) -> bool:
        """Tell whether a frame is this sight, whatever its field says."""
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

    def is_met(self, frame: Frame) -> bool:
        """Tell whether the field of such a frame says what is wanted, or has just entered it."""
        if not self.is_entered:
            return self._holds(frame)
        stay = self.observe(frame)
        return stay is not None and stay.is_entry

    def observe(self, frame: Frame) -> Stay | None:
        """Take the next frame that could be this sight and return how its field stands; None if it has no value.

        The same frame may be shown several times.
        """
        if frame is not self._observed:
            self._observed, self._stay = frame, self._next(frame)
        return self._stay

    def _next(self, frame: Frame) -> Stay | None:
        inside = self._holds(frame)
        raw = None if self._field is None else self._field.raw_in(frame.data)
        if not inside and (raw is None or (self._state is None and self.value(frame) is None)):
            return None
        layout = self._layouts.layout(dgn_of(frame.identifier))
        source = frame.identifier & 0xFF
        whose = source, layout.topic(source, frame.data).instance
        before = self._inside.get(whose)
        self._inside[whose] = inside
        return Stay(whose, inside, before)

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

    def sees(self, frame: Frame, device: str) -> bool:
        """Tell whether a frame is this sight."""
        return self.could_be(frame, device) and self.is_met(frame)

    def value(self, frame: Frame) -> float | None:
        """Return what the field says in its unit, None where it has no value."""
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

    def near(self, frame: Frame) -> Near:
        """Return how near a frame comes that could be this sight."""
        if self._field is None:
            return Near(frame, str(frame), 0.0)
        raw = self._field.raw_in(frame.data)
        said = Reading(self._field, raw, self._field.state(raw)).brief
        return Near(frame, compose(f"{self._field.title} ", said), max(self._distances(self.value(frame)), default=0.0))

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


def _wanted(field: FieldSpec, equals: float | str | bool | None) -> tuple[int | None, State | None]:
    """Return the raw value, or the state, that a field must have."""
    if equals is None:
        return None, None
    if isinstance(equals, float | int):
        return field.raw(equals), None
    if equals in set(State):
        return None, State(equals)
    codes = field.codes
    if equals not in codes:
        raise ValueError(
            f"{field.name} cannot say {shown(equals)}{did_you_mean(equals, codes)}; write a number in "
            f"{field.printed_unit or 'its unit'}"
            + (f", or one of: {', '.join(codes)}" if codes else "")
            + f", or a state: {', '.join(State)}"
        )
    return codes[equals], None


def spotters(sights: Mapping[str, Sight], catalogue: Catalogue) -> Mapping[str, Spotter]:
    """Return what finds each of some sights, by the key that the sight stands under.

    Raises:
        InputError: messages or fields are not defined, or cannot say what is wanted; one line for each.
    """
    found, problems = {}, []
    for key, sight in sights.items():
        try:
            found[key] = Spotter(sight, catalogue)
        except (InputError, ValueError) as error:
            problems.append(f"{key}: {error}")
    if problems:
        raise InputError(*problems)
    return found
