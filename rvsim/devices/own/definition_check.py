"""Holds a device of one's own against the message definitions, ours or the user's.

Knows: which message, field, code, value and instance each of its settings names, and what of that cannot be. Does not
know files: each mistake has its place below the device's settings.
"""

from collections.abc import Generator, Iterator, Mapping, Sequence

from rvsim.devices.own.own_settings import (
    OwnAnswerPlan,
    OwnCopyPlan,
    OwnMessagePlan,
    OwnProfilePlan,
    OwnSettings,
    Value,
)
from rvsim.errors import InputError, did_you_mean
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE, by_status
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.spec import MessageSpec

OF_EVERY_NODE = (
    "ADDRESS_CLAIM",
    "REQUEST_FOR_DGN",
    "ACKNOWLEDGMENT",
    "INITIAL_PACKET",
    "DATA_PACKET",
    "GENERAL_RESET",
    "DM_RV",
    "DM1",
)
"""What every simulated device sends and obeys by itself."""
Place = tuple[int | str, ...]


def spoken(place: Place) -> str:
    """Say a place as it is said of files: ``message 1, fields.instance``."""
    words = ""
    for step in place:
        if isinstance(step, str):
            words += step if not words else f", {step}" if words[-1].isdigit() else f".{step}"
        else:
            words += f" {step + 1}" if words in ("message", "answer") else f", item {step + 1}"
    return words


def problems(settings: OwnSettings, functions: Mapping[str, Sequence[int]], catalogue: Catalogue) -> Iterator[Mistake]:
    """Yield each mistake with its place below the settings."""
    sent: list[tuple[str, int | None]] = []
    for number, message in enumerate(settings.message):
        place: Place = ("message", number)
        spec = yield from _spec(catalogue, message.message, (*place, "message"))
        if spec is None:
            sent.append((message.message, message.instance))
            continue
        instance = instance_of(message, spec, functions)
        yield from _of_instance(message, spec, instance, place)
        if (spec.name, instance) in sent:
            text = f"{_named(spec.name, instance)} is sent by an earlier one; put them together"
            yield Mistake(place, text, instance)
        sent.append((spec.name, instance))
        for name, given in message.fields.items():
            yield from _of_field(spec, name, given, catalogue, (*place, "fields", name))
    for number, answer in enumerate(settings.answer):
        yield from _of_answer(answer, sent, catalogue, ("answer", number))


# Instances.


def instance_of(plan: OwnMessagePlan, spec: MessageSpec, functions: Mapping[str, Sequence[int]]) -> int | None:
    """Return the instance that a message is sent for; None where it has none, or nobody says which."""
    field = spec.instance
    if field is None:
        return None
    written = plan.fields.get(field.name)
    if isinstance(written, float):
        return int(written)
    function = by_status(spec.name)
    own = functions.get(function.name, ()) if function is not None else ()
    return plan.instance if plan.instance is not None or len(own) != 1 else own[0]


def targets(answer: OwnAnswerPlan, target: str, sent: Sequence[tuple[str, int | None]]) -> list[int]:
    """Return which of the messages that are sent, each with its instance, a command's field can set."""
    message = target.partition(".")[0]
    return [
        number
        for number, (name, instance) in enumerate(sent)
        if name == message and (answer.instance is None or instance is None or instance == answer.instance)
    ]


def _of_instance(plan: OwnMessagePlan, spec: MessageSpec, instance: int | None, place: Place) -> Iterator[Mistake]:
    field = spec.instance
    if field is None:
        if plan.instance is not None:
            yield Mistake((*place, "instance"), f"{spec.name} has no instance; remove it", plan.instance)
        return
    if field.name in plan.fields:
        if plan.instance is not None:
            text = f"the instance stands in fields.{field.name} too; write it once"
            yield Mistake((*place, "instance"), text, plan.instance)
        elif not isinstance(plan.fields[field.name], float):
            text = "an instance is a number that stays; write one, like 1"
            yield Mistake((*place, "fields", field.name), text, plan.fields[field.name])
    elif instance is None:
        yield Mistake(place, f"{spec.name} needs to say whose it is; add instance = 1, or another number", None)
    else:
        yield from _sayable_instance(field, float(instance), (*place, "instance"))


def _named(message: str, instance: int | None) -> str:
    return message if instance is None else f"{message} {instance}"


# Messages and fields.


def _spec(catalogue: Catalogue, message: str, place: Place) -> Generator[Mistake, None, MessageSpec | None]:
    if message in OF_EVERY_NODE:
        yield Mistake(place, f"{message} is sent and obeyed by every device as it is; name another message", message)
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


def _field(spec: MessageSpec, name: str, place: Place) -> Generator[Mistake, None, FieldSpec | None]:
    known = spec.by_name
    if name in known:
        return known[name]
    text = f"{spec.name} has no field {shown(name)}{did_you_mean(name, known)}; it has {', '.join(known)}"
    yield Mistake(place, text, name)
    return None


def _of_field(spec: MessageSpec, name: str, given: Value, catalogue: Catalogue, place: Place) -> Iterator[Mistake]:
    field = yield from _field(spec, name, place)
    if isinstance(given, OwnCopyPlan):
        yield from _of_copy(given, field, catalogue, place)
    elif field is not None and isinstance(given, OwnProfilePlan):
        for number, (_, value) in enumerate(given.profile):
            yield from _sayable(field, value, (*place, "profile", number))
    elif field is not None and isinstance(given, str):
        yield from _is_code(field, given, place)
    elif field is not None and isinstance(given, float):
        yield from (_sayable_instance if field is spec.instance else _sayable)(field, given, place)


def _of_copy(plan: OwnCopyPlan, field: FieldSpec | None, catalogue: Catalogue, place: Place) -> Iterator[Mistake]:
    if field is not None and field.code(State.NO_DATA) is None:
        text = f"{field.title} cannot say no data, which a copy does while nobody is heard; write a number or a profile"
        yield Mistake(place, text, plan)
    spec = yield from _spec(catalogue, plan.copy_of, (*place, "copy"))
    if spec is not None:
        yield from _field(spec, plan.field, (*place, "field"))
        if plan.instance is not None and spec.instance is None:
            yield Mistake((*place, "instance"), f"{spec.name} has no instance; remove it", plan.instance)
    known = [name for name, function in FUNCTIONS.items() if function.dsas]
    if plan.function is not None and plan.function not in known:
        close = did_you_mean(plan.function, known)
        text = f"{shown(plan.function)} is nothing that a heartbeat says{close}; write one of {', '.join(known)}"
        yield Mistake((*place, "function"), text, plan.function)


def codes(field: FieldSpec) -> Mapping[str, int]:
    """Return the raw integers that a field has names for and that are values, by name."""
    return {name: raw for name, raw in field.codes.items() if field.state(raw) is State.VALUE}


def _is_code(field: FieldSpec, given: str, place: Place) -> Iterator[Mistake]:
    known = list(codes(field))
    if given not in known:
        has = f"the names are {', '.join(known)}" if known else "it has none; write a number without quotes"
        text = f"{field.title} has no code of the name {shown(given)}{did_you_mean(given, known)}; {has}"
        yield Mistake(place, text, given)


def _sayable(field: FieldSpec, given: float, place: Place) -> Iterator[Mistake]:
    try:
        field.raw(given)
    except ValueError as error:
        yield Mistake(place, f"{error}; write a value between", given)


def _sayable_instance(field: FieldSpec, given: float, place: Place) -> Iterator[Mistake]:
    """Yield what is wrong with an instance: the numbers above the highest are values, and nobody's."""
    if given > HIGHEST_INSTANCE:
        text = f"{field.title} {given} is outside 0 to {HIGHEST_INSTANCE}; write a value between"
        yield Mistake(place, text, given)
    else:
        yield from _sayable(field, given, place)


# Answers.


def _of_answer(
    answer: OwnAnswerPlan, sent: Sequence[tuple[str, int | None]], catalogue: Catalogue, place: Place
) -> Iterator[Mistake]:
    spec = yield from _spec(catalogue, answer.command, (*place, "command"))
    if spec is not None and answer.instance is not None and spec.instance is None:
        yield Mistake((*place, "instance"), f"{spec.name} has no instance; remove it", answer.instance)
    for taken, target in answer.sets.items():
        there: Place = (*place, "sets", taken)
        if spec is not None:
            yield from _field(spec, taken, there)
        yield from _of_target(answer, target, sent, catalogue, there)


def _of_target(
    answer: OwnAnswerPlan, target: str, sent: Sequence[tuple[str, int | None]], catalogue: Catalogue, place: Place
) -> Iterator[Mistake]:
    message, _, name = target.partition(".")
    found, known = targets(answer, target, sent), sorted({one for one, _ in sent})
    if len(found) > 1:
        those = " and ".join(_named(*sent[number]) for number in found)
        yield Mistake(place, f"it sends {those}; say with instance which of them the command is for", target)
    elif message not in known:
        has = f"it sends {', '.join(known)}" if known else "it sends nothing yet"
        yield Mistake(place, f"it does not send {shown(message)}{did_you_mean(message, known)}; {has}", target)
    elif not found:
        yield Mistake(place, f"it does not send {_named(message, answer.instance)}; correct the instance", target)
    elif message in catalogue.names and message not in OF_EVERY_NODE:
        field = yield from _field(catalogue.by_name(message), name, place)
        for limit in (answer.at_least, answer.at_most):
            if field is not None and limit is not None:
                yield from _sayable(field, limit, place)
