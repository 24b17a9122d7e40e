"""A user-defined device, described in the rig and not in Python: what it sends, and which commands it obeys.

Knows: the messages of its settings (`own_settings`) at their gaps, copies of values of other devices, commands that set
fields, the current that it draws or gives. Does not know layouts: messages and fields are those of the definitions,
ours or the user's.
"""

from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple, assert_never

from rvsim.devices.device import Device, DeviceContext
from rvsim.devices.own.definition_check import (
    definition_mistakes,
    instance_of,
    place_text,
    target_messages,
    value_codes,
)
from rvsim.devices.own.own_settings import (
    MAX_AMPS,
    OwnAnswerPlan,
    OwnCopyPlan,
    OwnLoadPlan,
    OwnProfilePlan,
    OwnSettings,
    Value,
)
from rvsim.devices.own.value_sources import Constant, CopiedValue, Profile, Ramp, ValueSource, raw_nearest
from rvsim.errors import InputError
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import by_dsa
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import GLOBAL_ADDRESS, Identifier, split_identifier
from rvsim.wire.spec import DEFAULT_GAP_US, MessageSpec

LOST_AFTER_GAPS = 3
"""A copied value is no data after its message was silent for this number of gaps. Our choice, as in the panel."""


class SentMessage:
    """One message that is sent, with the source of the value of each field."""

    def __init__(self, spec: MessageSpec, instance: int | None, sources: dict[str, ValueSource]) -> None:
        self.spec, self.instance, self.sources = spec, instance, sources
        self._last: list[float | None] = []
        self._data = b""
        """The values that were sent last, and their data."""
        if instance is not None:
            field = spec.fields[0]
            sources[field.name] = Constant(float(field.value(instance)))

    @property
    def key(self) -> str:
        """The key of its broadcast, unique in the device."""
        return f"{self.spec.name} {self.instance}"

    def build(self, now: int) -> bytes:
        """Return its data at a time."""
        values = [source.value(now) for source in self.sources.values()]
        if values != self._last:
            fields = self.spec.by_name
            raws = (raw_nearest(fields[name], value) for name, value in zip(self.sources, values, strict=True))
            self._last, self._data = values, self.spec.encode(dict(zip(self.sources, raws, strict=True)))
        return self._data


class CopySource(NamedTuple):
    """A copied value, and the message that it is copied from."""

    plan: OwnCopyPlan
    spec: MessageSpec
    copied: CopiedValue


class OwnDevice(Device):
    """Sends and obeys what its settings describe.

    Raises:
        InputError: messages or fields are not defined, or a value is outside its field; one line for each.
    """

    kind = "own"
    Settings = OwnSettings
    settings: OwnSettings

    @classmethod
    def mistakes(cls, plan: DevicePlan, settings: OwnSettings, catalogue: Catalogue) -> Iterator[str]:
        """Yield what is not defined, or is outside its field."""
        return (mistake.text for mistake in cls.placed_mistakes(plan, settings, catalogue))

    @classmethod
    def placed_mistakes(cls, plan: DevicePlan, settings: OwnSettings, catalogue: Catalogue) -> Iterator[Mistake]:
        """Yield the same mistakes, each with its place below the settings."""
        found = definition_mistakes(settings, plan.functions, catalogue)
        return (mistake._replace(text=f"{place_text(mistake.place)}: {mistake.text}") for mistake in found)

    def __init__(self, context: DeviceContext) -> None:
        self._sent_messages: list[SentMessage] = []
        self._drawn: float | None = None
        """The current that the vehicle has of it; below 0: it gives it."""
        self._copies: list[CopySource] = []
        self._functions: dict[int, set[str]] = {}
        """The functions of each source address, by its heartbeats."""
        self._received_identifier: Identifier
        """The identifier of the frame that is being received."""
        settings = context.settings
        assert isinstance(settings, OwnSettings)
        found = list(self.mistakes(context.plan, settings, context.catalogue))
        if found:
            raise InputError(*(f'device "{context.plan.name}", settings, {mistake}' for mistake in found))
        for plan in settings.message:
            spec = context.catalogue.by_name(plan.message)
            sources = {
                name: self._value_source(given, spec.by_name[name], context.catalogue)
                for name, given in plan.fields.items()
            }
            self._sent_messages.append(SentMessage(spec, instance_of(plan, spec, context.plan.functions), sources))
        super().__init__(context)

    def _value_source(self, given: Value, field: FieldSpec, catalogue: Catalogue) -> ValueSource:
        """Return the source of a field's value."""
        match given:
            case OwnProfilePlan():
                return Profile(given)
            case OwnCopyPlan():
                spec = catalogue.by_name(given.copy_of)
                lost_after_us = LOST_AFTER_GAPS * (spec.gap_us or DEFAULT_GAP_US)
                copied = CopiedValue(given, spec.by_name[given.field], lost_after_us)
                self._copies.append(CopySource(given, spec, copied))
                return copied
            case str():
                return Constant(float(field.value(value_codes(field)[given])))
            case float():
                return Constant(given)
            case _:
                assert_never(given)

    # What it receives.

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of another node, and keep its source and destination."""
        self._received_identifier = split_identifier(identifier)
        super().receive(identifier, data)

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its commands, the messages that it copies, and heartbeats where it copies by function."""
        handlers: dict[str, list[Callable[[bytes], None]]] = {}
        for copy in self._copies:
            handlers.setdefault(copy.spec.name, []).append(partial(self._copy, copy))
            if copy.plan.function is not None:
                handlers.setdefault("DM_RV", [self._store_function])
        for answer in self.settings.answer:
            handlers.setdefault(answer.command, []).append(partial(self._obey, answer))
        return {message: partial(_call_all, calls) for message, calls in handlers.items()}

    def _store_function(self, data: bytes) -> None:
        dsa = self.catalogue.by_name("DM_RV").by_name["dsa"].raw_in(data)
        function = None if dsa is None else by_dsa(dsa)
        if function is not None:
            self._functions.setdefault(self._received_identifier.source, set()).add(function.name)

    def _copy(self, copy: CopySource, data: bytes) -> None:
        function = copy.plan.function
        of_function = function is None or function in self._functions.get(self._received_identifier.source, ())
        if of_function and _is_for(copy.spec, copy.plan.instance, data):
            copy.copied.receive(self.now, data)

    # What it sends.

    def on_start(self) -> None:
        """Send each message at its gap, and follow its current each second."""
        for sent_message, plan in zip(self._sent_messages, self.settings.message, strict=True):
            self.broadcast(plan.message, partial(self._build, sent_message), key=sent_message.key)
            if plan.gap is not None:
                self._broadcasts[sent_message.key].gap_us = plan.gap
        if self.settings.amps is not None:
            amps = self._amps_source(self.settings.amps)
            self.every(SECOND_US, lambda: self._draw(amps(self.now) or 0.0))

    def is_powered(self) -> bool:
        """Return whether its supply is high enough for it to run; one that gives needs no battery that gives."""
        if super().is_powered():
            return True
        can_feed = self.world.has_collapsed(self.name) and not self.world.battery_of(self.name).is_cut_off(self.name)
        return can_feed and self.settings.is_source

    def _amps_source(self, plan: float | OwnProfilePlan | OwnLoadPlan) -> Callable[[int], float | None]:
        """Return the current at a time, None where its field has no value."""
        match plan:
            case float():
                return Constant(plan).value
            case OwnProfilePlan():
                return Profile(plan).value
            case OwnLoadPlan():
                (number,) = target_messages(plan.instance, plan.field, self._sent_instances())
                sent_message, name = self._sent_messages[number], plan.field.partition(".")[2]

                def of_field(now: int) -> float | None:
                    source = sent_message.sources.get(name)
                    value = None if source is None else source.value(now)
                    return None if value is None else value * plan.factor + plan.offset

                return of_field
            case _:
                assert_never(plan)

    def _draw(self, amps: float) -> None:
        """Draw this current, or give it where it is below 0."""
        if amps == self._drawn:
            return
        self._drawn = amps
        self.world.set_load(self.name, min(max(amps, 0.0), MAX_AMPS))
        self.world.set_charge(self.name, self.settings.source_volts, min(max(-amps, 0.0), MAX_AMPS))

    def _sent_instances(self) -> list[tuple[str, int | None]]:
        return [(message.spec.name, message.instance) for message in self._sent_messages]

    def _build(self, sent_message: SentMessage) -> bytes:
        return sent_message.build(self.now)

    # What it obeys.

    def _obey(self, answer: OwnAnswerPlan, data: bytes) -> None:
        if self._received_identifier.destination not in (None, GLOBAL_ADDRESS, self.address):
            return
        spec = self.catalogue.by_name(answer.command)
        sent = self._sent_instances()
        for name, target in answer.sets.items():
            (number,) = target_messages(answer.instance, target, sent)
            sent_message, field = self._sent_messages[number], spec.by_name[name]
            instance = sent_message.instance if answer.instance is None else answer.instance
            raw = field.raw_in(data)
            if raw is not None and field.state(raw) is State.VALUE and _is_for(spec, instance, data):
                value = answer.bounded(float(field.value(raw)))
                self.after(
                    answer.after, partial(self._set, sent_message, target.partition(".")[2], value, answer.per_second)
                )

    def _set(self, sent_message: SentMessage, name: str, value: float, per_second: float | None) -> None:
        """Move a field to a value; send its message when the move starts and when it ends."""
        source = sent_message.sources.get(name)
        if isinstance(source, Ramp) and source.end == value:
            return
        before = None if source is None else source.value(self.now)
        ramp = Ramp(value if before is None else before, value, self.now, per_second)
        sent_message.sources[name] = ramp
        if value != before:
            self.send_now(sent_message.key)
        if ramp.duration_us:
            self.after(ramp.duration_us, partial(self._end_ramp, sent_message, name, ramp))

    def _end_ramp(self, sent_message: SentMessage, name: str, ramp: Ramp) -> None:
        if sent_message.sources[name] is ramp:  # no other command came meanwhile
            self.send_now(sent_message.key)


def _is_for(spec: MessageSpec, instance: int | None, data: bytes) -> bool:
    """Return whether a frame has this instance; True for messages without instances."""
    field = spec.instance
    return instance is None or field is None or field.raw_in(data) == instance


def _call_all(handlers: list[Callable[[bytes], None]], data: bytes) -> None:
    for handle in handlers:
        handle(data)
