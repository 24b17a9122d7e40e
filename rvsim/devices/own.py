"""A device of one's own, described in the rig and not in Python: what it sends, and what it does when it is told to.

Knows: fields that are constant, follow a profile, copy what somebody else says, or are set by a command; all in the
field's unit. Does not know layouts: messages and fields are those of the definitions, ours or the user's.
"""

from bisect import bisect_right
from collections.abc import Callable, Generator, Iterator
from functools import partial
from typing import Annotated, Protocol, Self

from pydantic import Field, model_validator

from rvsim.devices.device import Device, Role, Settings
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import Duration
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.spec import MessageSpec

MICRO = 1_000_000
Positive = Annotated[Duration, Field(gt=0)]


class ProfilePlan(Settings):
    """Values over time, in a straight line from one to the next; with ``steps`` each holds until the next."""

    profile: Annotated[tuple[tuple[Duration, float], ...], Field(min_length=1)]
    repeat: bool = False
    steps: bool = False

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        times = [time for time, _ in self.profile]
        if times != sorted(set(times)) or times[0] != 0:
            raise ValueError('the times of a profile begin at "0s" and grow')
        return self


class CopyPlan(Settings):
    """What somebody else says in a field, times ``factor``, plus ``offset``."""

    copy_of: str = Field(alias="copy")
    field: str
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    factor: float = 1.0
    offset: float = 0.0


class MessagePlan(Settings):
    """A message that is sent at its gap; what is not named in ``fields`` is no data."""

    message: str
    gap: Positive | None = None
    fields: dict[str, float | str | ProfilePlan | CopyPlan] = Field(default_factory=dict)


class AnswerPlan(Settings):
    """What a command sets: its field to ``MESSAGE.field`` of what is sent, after a time, at so much a second."""

    command: str
    instance: Annotated[int, Field(ge=0, le=255)] | None = None
    sets: Annotated[dict[str, str], Field(min_length=1)]
    after: Duration = 0
    per_second: Annotated[float, Field(gt=0)] | None = None
    at_least: float | None = None
    at_most: float | None = None


class OwnSettings(Settings):
    """What it sends and obeys."""

    message: tuple[MessagePlan, ...] = ()
    answer: tuple[AnswerPlan, ...] = ()


class Source(Protocol):
    """Where a field's value comes from."""

    def value(self, now: int) -> float | None:
        """Return it in the field's unit, None where there is none."""


class Constant:
    """One value for ever."""

    def __init__(self, value: float | None) -> None:
        self._value = value

    def value(self, _now: int) -> float | None:
        """Return it."""
        return self._value


class Profile:
    """A profile at work."""

    def __init__(self, plan: ProfilePlan) -> None:
        self._plan = plan
        self._times = [time for time, _ in plan.profile]

    def value(self, now: int) -> float:
        """Return the value of a moment."""
        points, last = self._plan.profile, self._times[-1]
        moment = now % last if self._plan.repeat and last else min(now, last)
        place = bisect_right(self._times, moment) - 1
        time, value = points[place]
        if self._plan.steps or place + 1 == len(points):
            return value
        later, other = points[place + 1]
        return value + (other - value) * (moment - time) / (later - time)


class Copied:
    """What somebody else said last."""

    def __init__(self, plan: CopyPlan, field: FieldSpec) -> None:
        self._plan, self._field = plan, field
        self._said: float | None = None

    def hear(self, spec: MessageSpec, data: bytes) -> None:
        """Take a frame of the copied message."""
        if self._plan.instance is not None and spec.fields[0].raw_in(data) != self._plan.instance:
            return
        raw = self._field.raw_in(data)
        said = raw is not None and self._field.state(raw) is State.VALUE
        self._said = float(self._field.value(raw)) if said and raw is not None else None

    def value(self, _now: int) -> float | None:
        """Return it, scaled."""
        return None if self._said is None else self._said * self._plan.factor + self._plan.offset


class Moving:
    """On the way from one value to another, at a rate."""

    def __init__(self, begin: float, end: float, since: int, per_second: float | None) -> None:
        self._begin, self._end, self._since = begin, end, since
        self.takes = 0 if per_second is None else round(abs(end - begin) / per_second * MICRO)

    def value(self, now: int) -> float:
        """Return where it is."""
        gone = now - self._since
        return self._end if gone >= self.takes else self._begin + (self._end - self._begin) * gone / self.takes


class OwnDevice(Device):
    """Does what its settings say.

    Raises:
        InputError: messages or fields are not defined, or values cannot be said; one line for each.
    """

    kind = "own"
    Settings = OwnSettings
    uses_world = False

    def __init__(self, role: Role) -> None:
        self._sources: dict[tuple[str, str], Source] = {}
        self._copies: list[tuple[MessageSpec, Copied]] = []
        _check(role.plan.name, role.settings, role.catalogue)
        for plan in role.settings.message:
            spec = role.catalogue.by_name(plan.message)
            for name, given in plan.fields.items():
                self._sources[plan.message, name] = self._source(spec.by_name[name], given, role.catalogue)
        super().__init__(role)

    def _source(self, field: FieldSpec, given: float | str | ProfilePlan | CopyPlan, catalogue: Catalogue) -> Source:
        if isinstance(given, ProfilePlan):
            return Profile(given)
        if isinstance(given, CopyPlan):
            spec = catalogue.by_name(given.copy_of)
            copied = Copied(given, spec.by_name[given.field])
            self._copies.append((spec, copied))
            return copied
        if isinstance(given, str):
            return Constant(float(field.value({label: raw for raw, label in field.labels.items()}[given])))
        return Constant(given)

    def hears(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to its commands, and to what it copies."""
        takers: dict[str, list[Callable[[bytes], None]]] = {}
        for spec, copied in self._copies:
            takers.setdefault(spec.name, []).append(partial(copied.hear, spec))
        for answer in self.settings.answer:
            takers.setdefault(answer.command, []).append(partial(self._obey, answer))
        return {message: partial(_to_all, those) for message, those in takers.items()}

    def begin(self) -> None:
        """Send each message at its gap."""
        for plan in self.settings.message:
            self.broadcast(plan.message, partial(self._build, plan.message))
            if plan.gap is not None:
                self._broadcasts[plan.message].gap = plan.gap

    def _build(self, message: str) -> bytes:
        spec = self.catalogue.by_name(message)
        raws = {}
        for (of, name), source in self._sources.items():
            if of == message:
                raws[name] = spec.by_name[name].measured(source.value(self.now))
        return spec.encode(raws)

    def _obey(self, plan: AnswerPlan, data: bytes) -> None:
        spec = self.catalogue.by_name(plan.command)
        if plan.instance is not None and spec.fields[0].raw_in(data) != plan.instance:
            return
        for taken, target in plan.sets.items():
            field = spec.by_name[taken]
            raw = field.raw_in(data)
            if raw is not None and field.state(raw) is State.VALUE:
                value = float(field.value(raw))
                value = max(value, plan.at_least) if plan.at_least is not None else value
                value = min(value, plan.at_most) if plan.at_most is not None else value
                message, _, name = target.partition(".")
                self.after(plan.after, partial(self._set, plan, message, name, value))

    def _set(self, plan: AnswerPlan, message: str, name: str, value: float) -> None:
        before = self._sources[message, name].value(self.now) if (message, name) in self._sources else None
        moving = Moving(value if before is None else before, value, self.now, plan.per_second)
        self._sources[message, name] = moving
        self.news(message)
        if moving.takes:
            self.after(moving.takes, partial(self.news, message))


def _to_all(takers: list[Callable[[bytes], None]], data: bytes) -> None:
    for take in takers:
        take(data)


def _check(device: str, settings: OwnSettings, catalogue: Catalogue) -> None:
    problems = [f'device "{device}", {problem}' for problem in _problems(settings, catalogue)]
    if problems:
        raise InputError(*problems)


def _problems(settings: OwnSettings, catalogue: Catalogue) -> Iterator[str]:
    """Yield what is wrong with the messages and fields that the settings name."""
    sent = {plan.message for plan in settings.message}
    for plan in settings.message:
        spec = yield from _spec(catalogue, plan.message)
        if spec is None:
            continue
        for name, given in plan.fields.items():
            field = yield from _field(spec, name)
            if isinstance(given, CopyPlan):
                copied = yield from _spec(catalogue, given.copy_of)
                if copied is not None:
                    yield from _field(copied, given.field)
            elif field is not None and not isinstance(given, ProfilePlan):
                yield from _sayable(field, given)
    for answer in settings.answer:
        spec = yield from _spec(catalogue, answer.command)
        for taken, target in answer.sets.items():
            if spec is not None:
                yield from _field(spec, taken)
            message, _, name = target.partition(".")
            if message not in sent:
                yield f"{target}: it does not send {message}{did_you_mean(message, sent)}"
            elif (own := (yield from _spec(catalogue, message))) is not None:
                yield from _field(own, name)


def _spec(catalogue: Catalogue, message: str) -> Generator[str, None, MessageSpec | None]:
    try:
        return catalogue.by_name(message)
    except InputError as error:
        yield from error.problems
        return None


def _field(spec: MessageSpec, name: str) -> Generator[str, None, FieldSpec | None]:
    if name in spec.by_name:
        return spec.by_name[name]
    yield f"{spec.name} has no field {name}{did_you_mean(name, spec.by_name)}; it has: {', '.join(spec.by_name)}"
    return None


def _sayable(field: FieldSpec, given: float | str) -> Iterator[str]:
    if isinstance(given, str):
        if given not in field.labels.values():
            known = list(field.labels.values())
            says = ", ".join(known) or "numbers"
            yield f"{field.name} cannot say {given!r}{did_you_mean(given, known)}; it can say: {says}"
        return
    try:
        field.raw(given)
    except ValueError as error:
        yield str(error)
