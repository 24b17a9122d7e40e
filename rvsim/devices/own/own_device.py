"""A device of one's own, described in the rig and not in Python: what it sends, and what it does when it is told to.

Knows: how what was written (`own_plan`) is put to work: messages at their gaps, copies of what others say, commands
that set fields. Does not know layouts: messages and fields are those of the definitions, ours or the user's.
"""

from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple

from rvsim.devices.device import Device, DeviceContext
from rvsim.devices.own.definition_check import codes, instance_of, problems, spoken, targets
from rvsim.devices.own.own_settings import OwnAnswerPlan, OwnCopyPlan, OwnProfilePlan, OwnSettings, Value
from rvsim.devices.own.value_sources import Constant, Copied, Moving, Profile, ValueSource, said
from rvsim.errors import InputError
from rvsim.rig.functions import by_dsa
from rvsim.rig.model import DevicePlan
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.ident import GLOBAL, Identifier, split
from rvsim.wire.spec import GAP_UNSAID_US, MessageSpec

LOST_AFTER_GAPS = 3
"""A copied message that has been quiet for so many of its gaps is said no more. Our choice, as the panel's."""


class Sender:
    """One message that is sent, with where each of its fields comes from."""

    def __init__(self, spec: MessageSpec, instance: int | None, sources: dict[str, ValueSource]) -> None:
        self.spec, self.instance, self.sources = spec, instance, sources
        if instance is not None:
            whose = spec.fields[0]
            sources[whose.name] = Constant(float(whose.value(instance)))

    @property
    def key(self) -> str:
        """What tells it from the other messages of the device."""
        return f"{self.spec.name} {self.instance}"

    def build(self, now: int) -> bytes:
        """Return its bytes of a moment."""
        fields = self.spec.by_name
        return self.spec.encode({name: said(fields[name], one.value(now)) for name, one in self.sources.items()})


class Listening(NamedTuple):
    """A copy with whom it listens to."""

    plan: OwnCopyPlan
    spec: MessageSpec
    copied: Copied


class OwnDevice(Device):
    """Does what its settings say.

    Raises:
        InputError: messages or fields are not defined, or values cannot be said; one line for each.
    """

    kind = "own"
    Settings = OwnSettings
    uses_world = False

    @classmethod
    def mistakes(cls, plan: DevicePlan, settings: OwnSettings, catalogue: Catalogue) -> Iterator[str]:
        """Yield what is not defined, or cannot be said."""
        return (one.text for one in cls.placed_mistakes(plan, settings, catalogue))

    @classmethod
    def placed_mistakes(cls, plan: DevicePlan, settings: OwnSettings, catalogue: Catalogue) -> Iterator[Mistake]:
        """Yield the same, each with its place below the settings."""
        found = problems(settings, plan.functions, catalogue)
        return (one._replace(text=f"{spoken(one.place)}: {one.text}") for one in found)

    def __init__(self, context: DeviceContext) -> None:
        self._senders: list[Sender] = []
        self._copies: list[Listening] = []
        self._functions: dict[int, set[str]] = {}
        """What each source address is, by its heartbeats."""
        self._heard: Identifier
        """That of the frame which is being heard."""
        found = list(self.mistakes(context.plan, context.settings, context.catalogue))
        if found:
            raise InputError(*(f'device "{context.plan.name}", settings, {mistake}' for mistake in found))
        for plan in context.settings.message:
            spec = context.catalogue.by_name(plan.message)
            sources = {
                name: self._from(given, spec.by_name[name], context.catalogue) for name, given in plan.fields.items()
            }
            self._senders.append(Sender(spec, instance_of(plan, spec, context.plan.functions), sources))
        super().__init__(context)

    def _from(self, given: Value, field: FieldSpec, catalogue: Catalogue) -> ValueSource:
        """Return where a field takes its value from."""
        if isinstance(given, OwnProfilePlan):
            return Profile(given)
        if isinstance(given, OwnCopyPlan):
            spec = catalogue.by_name(given.copy_of)
            lost_after = LOST_AFTER_GAPS * (spec.gap_us or GAP_UNSAID_US)
            self._copies.append(Listening(given, spec, Copied(given, spec.by_name[given.field], lost_after)))
            return self._copies[-1].copied
        return Constant(float(field.value(codes(field)[given])) if isinstance(given, str) else given)

    # What it hears.

    def receive(self, identifier: int, data: bytes) -> None:
        """Take a frame of another node, and keep who says it and to whom."""
        self._heard = split(identifier)
        super().receive(identifier, data)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Listen to its commands, to what it copies, and to who is who where it copies by function."""
        takers: dict[str, list[Callable[[bytes], None]]] = {}
        for one in self._copies:
            takers.setdefault(one.spec.name, []).append(partial(self._copy, one))
            if one.plan.function is not None:
                takers.setdefault("DM_RV", [self._note_function])
        for answer in self.settings.answer:
            takers.setdefault(answer.command, []).append(partial(self._obey, answer))
        return {message: partial(_to_all, those) for message, those in takers.items()}

    def _note_function(self, data: bytes) -> None:
        dsa = self.catalogue.by_name("DM_RV").by_name["dsa"].raw_in(data)
        function = None if dsa is None else by_dsa(dsa)
        if function is not None:
            self._functions.setdefault(self._heard.source, set()).add(function.name)

    def _copy(self, one: Listening, data: bytes) -> None:
        function = one.plan.function
        of_function = function is None or function in self._functions.get(self._heard.source, ())
        if of_function and _is_for(one.spec, one.plan.instance, data):
            one.copied.receive(self.now, data)

    # What it sends.

    def on_start(self) -> None:
        """Send each message at its gap."""
        for sender, plan in zip(self._senders, self.settings.message, strict=True):
            self.broadcast(plan.message, partial(self._build, sender), key=sender.key)
            if plan.gap is not None:
                self._broadcasts[sender.key].gap_us = plan.gap

    def _build(self, sender: Sender) -> bytes:
        return sender.build(self.now)

    # What it obeys.

    def _obey(self, answer: OwnAnswerPlan, data: bytes) -> None:
        if self._heard.destination not in (None, GLOBAL, self.address):
            return
        spec = self.catalogue.by_name(answer.command)
        sent = [(one.spec.name, one.instance) for one in self._senders]
        for taken, target in answer.sets.items():
            (place,) = targets(answer, target, sent)
            sender, field = self._senders[place], spec.by_name[taken]
            instance = sender.instance if answer.instance is None else answer.instance
            raw = field.raw_in(data)
            if raw is not None and field.state(raw) is State.VALUE and _is_for(spec, instance, data):
                value = answer.bounded(float(field.value(raw)))
                self.after(answer.after, partial(self._set, sender, target.partition(".")[2], value, answer.per_second))

    def _set(self, sender: Sender, name: str, value: float, per_second: float | None) -> None:
        """Let a field go to a value; say so when it begins to and when it is there."""
        source = sender.sources.get(name)
        if isinstance(source, Moving) and source.end == value:
            return
        before = None if source is None else source.value(self.now)
        moving = Moving(value if before is None else before, value, self.now, per_second)
        sender.sources[name] = moving
        if value != before:
            self.send_now(sender.key)
        if moving.takes:
            self.after(moving.takes, partial(self._arrive, sender, name, moving))

    def _arrive(self, sender: Sender, name: str, moving: Moving) -> None:
        if sender.sources[name] is moving:  # no other command came meanwhile
            self.send_now(sender.key)


def _is_for(spec: MessageSpec, instance: int | None, data: bytes) -> bool:
    """Tell whether a frame is of an instance; of a message without instances each is."""
    field = spec.instance
    return instance is None or field is None or field.raw_in(data) == instance


def _to_all(takers: list[Callable[[bytes], None]], data: bytes) -> None:
    for take in takers:
        take(data)
