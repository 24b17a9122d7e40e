"""Every setting of each kind of device, told to whoever writes a rig."""

from collections.abc import Iterator
from typing import Any, get_args, get_type_hints

import pytest
from pydantic import BaseModel, ValidationError

from rvsim.devices.device import Device, Settings
from rvsim.devices.kind_keys import kind_keys
from rvsim.devices.registry import kinds_by_name
from rvsim.rig.key_lists import bounds, descriptions, models_in


def settings_of(kind: str) -> Iterator[type[BaseModel]]:
    """Yield the settings model of a kind, and those of all tables in it."""
    found = [kinds_by_name()[kind].Settings]
    for model in found:
        found += [
            one for field in model.model_fields.values() for one in models_in(field.annotation) if one not in found
        ]
        yield model


def bounded(kind: str) -> Iterator[tuple[type[BaseModel], str, Any]]:
    """Yield each number of a kind that has bounds: its model, its name and its bounds."""
    for model in settings_of(kind):
        hints = get_type_hints(model, include_extras=True)
        for name, field in model.model_fields.items():
            if limits := bounds(hints[name], field):
                yield model, name, limits


def numbers(hint: Any) -> set[Any]:
    """Return the kinds of number in a type."""
    return {hint} & {int, float} | {number for one in get_args(hint) for number in numbers(one)}


@pytest.mark.parametrize("kind", kinds_by_name())
def test_every_setting_says_what_it_means(kind):
    """In a sentence, by a docstring or a description; and each stands in the list, within eighty columns."""
    lines = list(kind_keys(kinds_by_name()[kind]))
    assert max(map(len, lines)) <= 80
    assert any(line.startswith(f'kind = "{kind}": ') for line in lines)
    for model in settings_of(kind):
        said = descriptions(model)
        for name, field in model.model_fields.items():
            assert said.get(name), f"{model.__name__}.{name}"
            assert any(line.startswith(f"    {field.alias or name} = ") for line in lines)


@pytest.mark.parametrize("kind", sorted(kinds_by_name().keys() - {"own", "tank", "ambient"}))
def test_every_figure_has_bounds(kind):
    """What a simulated device draws, heats or counts is bounded on both sides."""
    for model in settings_of(kind):
        hints = get_type_hints(model, include_extras=True)
        for name, field in model.model_fields.items():
            if not numbers(field.annotation):
                continue
            limits = bounds(hints[name], field)
            assert limits.keys() & {"ge", "gt"}, name
            assert limits.keys() & {"le", "lt"}, name


@pytest.mark.parametrize("kind", kinds_by_name())
def test_every_bound_is_enforced(kind):
    """The bound itself is taken or refused as it says, and what lies beyond it is refused."""
    for model, name, limits in bounded(kind):
        field, where = model.model_fields[name], f"{model.__name__}.{name}"
        key = field.alias or name
        step = 1 if int in numbers(field.annotation) else 1e-6
        for bound, beyond in (("ge", -step), ("gt", 0), ("le", step), ("lt", 0)):
            if bound in limits:
                assert refused(model, key, limits[bound] + beyond), f"{where} {bound}"
        for bound, inside in (("ge", 0), ("gt", step), ("le", 0), ("lt", -step)):
            if bound in limits:
                assert not refused(model, key, limits[bound] + inside), f"{where} {bound}"


def refused(model, key, value):
    """Tell whether a model refuses a value of a key."""
    try:
        model.model_validate({key: value})
    except ValidationError as error:
        return any(one["loc"][:1] == (key,) for one in error.errors())
    return False


class Bare(Device):
    """Does nothing."""

    kind = "bare"


class Described(Settings):
    """What it takes."""

    full_amps: float = 1.5


Lamp = type("Lamp", (Device,), {"kind": "lamp", "Settings": Described})


def test_kinds_of_other_packages():
    """Without settings, and without a word about themselves."""
    assert list(kind_keys(Bare))[-2:] == ['kind = "bare": Does nothing.', "It has no settings."]
    assert list(kind_keys(Lamp))[-3:] == [
        'kind = "lamp": a simulated device',
        "[device.settings]: What it takes.",
        "    full_amps = number in A (1.5)",
    ]


def test_tables_of_a_device_of_ones_own():
    """As they are written in a rig: lists of tables, and what may stand behind a field."""
    text = " ".join(" ".join(kind_keys(kinds_by_name()["own"])).split())
    assert "[[device.settings.message]]: A message that is sent at its gap" in text
    assert "[[device.settings.answer]]: " in text
    assert "device.settings.message.fields.NAME = { ... }: " in text
    assert "copy = text: The message that is copied from" in text
    assert "profile = [[time, number], ...]: Points in order of time" in text
