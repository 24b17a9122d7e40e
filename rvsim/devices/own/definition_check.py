"""Checks the settings of a user-defined device against the message definitions, ours or the user's.

Knows: the message, field, code, value and instance that each setting names, and what is wrong with it. Does not know
files: each mistake has its place below the device's settings.
"""

from collections.abc import Generator, Iterator, Mapping, Sequence
from typing import assert_never

from rvsim.devices.own.own_settings import (
    OwnAnswerPlan,
    OwnCopyPlan,
    OwnLoadPlan,
    OwnMessagePlan,
    OwnProfilePlan,
    OwnSettings,
    Value,
)
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, by_status
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.spec import MessageSpec

COMMON_MESSAGES = (
    "ADDRESS_CLAIM",
    "REQUEST_FOR_DGN",
    "ACKNOWLEDGMENT",
    "INITIAL_PACKET",
    "DATA_PACKET",
    "GENERAL_RESET",
    "DM_RV",
    "DM1",
)
"""The messages that every simulated device sends or obeys by itself."""
Place = tuple[int | str, ...]


def place_text(place: Place) -> str:
    """Return a place as text, in the form that file errors use: ``message 1, fields.instance``."""
    text = ""
    for step in place:
        if isinstance(step, str):
            text += step if not text else f", {step}" if text[-1].isdigit() else f".{step}"
        else:
            text += f" {step + 1}" if text in ("message", "answer") else f", item {step + 1}"
    return text


def definition_mistakes(
    settings: OwnSettings, functions: Mapping[str, Sequence[int]], catalogue: Catalogue
) -> Iterator[Mistake]:
    """Yield each mistake with its place below the settings."""
    sent: list[tuple[str, int | None]] = []
    for number, message in enumerate(settings.message):
        place: Place = ("message", number)
        spec = yield from _find_spec(catalogue, message.message, (*place, "message"))
        if spec is None:
            sent.append((message.message, message.instance))
            continue
        instance = instance_of(message, spec, functions)
        yield from _check_instance(message, spec, instance, place)
        if (spec.name, instance) in sent:
            text = f"{_message_text(spec.name, instance)} is sent by an earlier message table; merge the two"
            yield Mistake(place, text, instance)
        sent.append((spec.name, instance))
        for name, given in message.fields.items():
            yield from _check_field(spec, name, given, catalogue, (*place, "fields", name))
    for number, answer in enumerate(settings.answer):
        yield from _check_answer(answer, sent, catalogue, ("answer", number))
    if isinstance(settings.amps, OwnLoadPlan):
        place = ("amps", "field")
        yield from _check_target(settings.amps.instance, settings.amps.field, sent, catalogue, place, "it depends on")


# Instances.


def instance_of(plan: OwnMessagePlan, spec: MessageSpec, functions: Mapping[str, Sequence[int]]) -> int | None:
    """Return the instance that a message is sent for; None where it has none, or none is given."""
    field = spec.instance
    if field is None:
        return None
    written = plan.fields.get(field.name)
    if isinstance(written, float):
        return int(written)
    function = by_status(spec.name)
    own = functions.get(function.name, ()) if function is not None else ()
    return plan.instance if plan.instance is not None or len(own) != 1 else own[0]


def target_messages(wanted: int | None, target: str, sent: Sequence[tuple[str, int | None]]) -> list[int]:
    """Return the numbers of the sent messages, given with their instances, that ``MESSAGE.field`` can mean.

    ``wanted`` is the instance, None where none is given.
    """
    message = target.partition(".")[0]
    return [
        number
        for number, (name, instance) in enumerate(sent)
        if name == message and (wanted is None or instance is None or instance == wanted)
    ]


def _check_instance(plan: OwnMessagePlan, spec: MessageSpec, instance: int | None, place: Place) -> Iterator[Mistake]:
    field = spec.instance
    if field is None:
        if plan.instance is not None:
            yield Mistake((*place, "instance"), f"{spec.name} has no instance; remove it", plan.instance)
        return
    if field.name in plan.fields:
        if plan.instance is not None:
            text = f"the instance is given in fields.{field.name} too; give it once"
            yield Mistake((*place, "instance"), text, plan.instance)
        elif not isinstance(plan.fields[field.name], float):
            text = "an instance is a constant number; write one, such as 1"
            yield Mistake((*place, "fields", field.name), text, plan.fields[field.name])
    elif instance is None:
        yield Mistake(place, f"{spec.name} needs an instance; add instance = 1, or another number", None)
    else:
        yield from _check_instance_value(field, float(instance), (*place, "instance"))


def _message_text(message: str, instance: int | None) -> str:
    return message if instance is None else f"{message}, instance {instance}"


# Messages and fields.


def _find_spec(catalogue: Catalogue, message: str, place: Place) -> Generator[Mistake, None, MessageSpec | None]:
    if message in COMMON_MESSAGES:
        yield Mistake(place, f"every device sends or obeys {message} by itself; name another message", message)
        return None
    try:
        spec = catalogue.by_name(message)
    except InputError as error:
        yield from (Mistake(place, text, message) for text in error.problems)
        return None
    if spec.fields:
        return spec
    text = f"{message} is known by its name only; name another message, or give a DBC file that defines it"
    yield Mistake(place, text, message)
    return None


def _find_field(spec: MessageSpec, name: str, place: Place) -> Generator[Mistake, None, FieldSpec | None]:
    known = spec.by_name
    if name in known:
        return known[name]
    text = f"{spec.name} has no field {shown(name)}{did_you_mean(name, known)}; it has {', '.join(known)}"
    yield Mistake(place, text, name)
    return None


def _check_field(spec: MessageSpec, name: str, given: Value, catalogue: Catalogue, place: Place) -> Iterator[Mistake]:
    field = yield from _find_field(spec, name, place)
    match given:
        case OwnCopyPlan():
            yield from _check_copy(given, field, catalogue, place)
        case _ if field is None:
            return
        case OwnProfilePlan():
            for number, (_, value) in enumerate(given.profile):
                yield from _check_value(field, value, (*place, "profile", number))
        case str():
            yield from _check_code(field, given, place)
        case float():
            yield from (_check_instance_value if field is spec.instance else _check_value)(field, given, place)
        case _:
            assert_never(given)


def _check_copy(plan: OwnCopyPlan, field: FieldSpec | None, catalogue: Catalogue, place: Place) -> Iterator[Mistake]:
    if field is not None and field.code(State.NO_DATA) is None:
        text = f"{field.title} has no code for no data, which a copy needs; write a number or a profile"
        yield Mistake(place, text, plan)
    spec = yield from _find_spec(catalogue, plan.copy_of, (*place, "copy"))
    if spec is not None:
        yield from _find_field(spec, plan.field, (*place, "field"))
        if plan.instance is not None and spec.instance is None:
            yield Mistake((*place, "instance"), f"{spec.name} has no instance; remove it", plan.instance)
    known = [name for name, function in FUNCTIONS.items() if function.dsas]
    if plan.function is not None and plan.function not in known:
        close = did_you_mean(plan.function, known)
        text = f"{shown(plan.function)} is not a function in a heartbeat{close}; write one of {', '.join(known)}"
        yield Mistake((*place, "function"), text, plan.function)


def value_codes(field: FieldSpec) -> Mapping[str, int]:
    """Return the named codes of a field that are values: name to raw integer."""
    return {name: raw for name, raw in field.codes.items() if field.state(raw) is State.VALUE}


def _check_code(field: FieldSpec, given: str, place: Place) -> Iterator[Mistake]:
    known = list(value_codes(field))
    if given not in known:
        known_text = f"the names are {', '.join(known)}" if known else "it has no names; write a number without quotes"
        text = f"{field.title} has no code named {shown(given)}{did_you_mean(given, known)}; {known_text}"
        yield Mistake(place, text, given)


def _check_value(field: FieldSpec, given: float, place: Place) -> Iterator[Mistake]:
    try:
        field.raw(given)
    except ValueError as error:
        yield Mistake(place, f"{error}; write a value in that range", given)


def _check_instance_value(field: FieldSpec, given: float, place: Place) -> Iterator[Mistake]:
    """Yield what is wrong with an instance; the numbers above the highest one are values, but not instances."""
    if given > MAX_INSTANCE:
        text = f"{field.title} {given} is outside 0 to {MAX_INSTANCE}; write a value in that range"
        yield Mistake(place, text, given)
    else:
        yield from _check_value(field, given, place)


# Answers.


def _check_answer(
    answer: OwnAnswerPlan, sent: Sequence[tuple[str, int | None]], catalogue: Catalogue, place: Place
) -> Iterator[Mistake]:
    spec = yield from _find_spec(catalogue, answer.command, (*place, "command"))
    if spec is not None and answer.instance is not None and spec.instance is None:
        yield Mistake((*place, "instance"), f"{spec.name} has no instance; remove it", answer.instance)
    for name, target in answer.sets.items():
        set_place: Place = (*place, "sets", name)
        if spec is not None:
            yield from _find_field(spec, name, set_place)
        field = yield from _check_target(answer.instance, target, sent, catalogue, set_place, "the command sets")
        for limit in (answer.at_least, answer.at_most):
            if field is not None and limit is not None:
                yield from _check_value(field, limit, set_place)


def _check_target(
    instance: int | None,
    target: str,
    sent: Sequence[tuple[str, int | None]],
    catalogue: Catalogue,
    place: Place,
    meant: str,
) -> Generator[Mistake, None, FieldSpec | None]:
    message, _, field_name = target.partition(".")
    found, known = target_messages(instance, target, sent), sorted({name for name, _ in sent})
    if len(found) > 1:
        candidates = " and ".join(_message_text(*sent[number]) for number in found)
        yield Mistake(place, f"it sends {candidates}; add instance to choose the one that {meant}", target)
    elif message not in known:
        known_text = f"it sends {', '.join(known)}" if known else "it sends no messages"
        yield Mistake(place, f"it does not send {shown(message)}{did_you_mean(message, known)}; {known_text}", target)
    elif not found:
        yield Mistake(place, f"it does not send {_message_text(message, instance)}; correct the instance", target)
    elif message in catalogue.names and message not in COMMON_MESSAGES:
        return (yield from _find_field(catalogue.by_name(message), field_name, place))
    return None
