"""The kinds of simulated device, by the name a rig uses: the built-in ones, and those of other packages.

Knows: which class stands for which kind, and how a class of another package is found and judged. Does not know any rig.

A package brings a kind with a class made from ``Device`` and an entry point for it, in its pyproject.toml::

    [project.entry-points."rvsim.devices"]
    lamp = "van_lamp:Lamp"
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Protocol

from pydantic import BaseModel, ValidationError

from rvsim.devices.device import Device
from rvsim.devices.kinds.ambient import AmbientSensor
from rvsim.devices.kinds.battery_monitor import BatteryMonitor
from rvsim.devices.kinds.charger import Charger
from rvsim.devices.kinds.heater import Heater
from rvsim.devices.kinds.panel import Panel
from rvsim.devices.kinds.pump import CirculationPump
from rvsim.devices.kinds.roof_fan import RoofFan
from rvsim.devices.kinds.tank import TankSensor
from rvsim.devices.own.own_device import OwnDevice
from rvsim.errors import InputError
from rvsim.rig.field_names import accepted_problems, device_field_problems
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.wire.catalogue import Catalogue

GROUP = "rvsim.devices"
"""The entry points under which other packages bring kinds of their own."""
_NAME = re.compile(r"[a-z][a-z0-9_]*")
BUILT_IN = (Panel, Heater, CirculationPump, RoofFan, Charger, BatteryMonitor, TankSensor, AmbientSensor, OwnDevice)


def all_kinds(points: Iterable[EntryPoint]) -> tuple[dict[str, type[Device]], tuple[str, ...]]:
    """Return the built-in kinds and those of entry points, and a line for each entry point that cannot be used."""
    kinds: dict[str, type[Device]] = {kind.kind: kind for kind in BUILT_IN}
    problems = []
    for point in sorted(points, key=lambda point: (point.name, point.value)):
        try:
            kind = _loaded(point)
            if kind.kind in kinds:
                raise ValueError(f"there is a kind {shown(kind.kind)} already; give its class another kind")
        except ValueError as problem:
            problems.append(f"entry point {shown(point.name)} of {GROUP}, {shown(point.value)}: {problem}")
        else:
            kinds[kind.kind] = kind
    return kinds, tuple(problems)


def _loaded(point: EntryPoint) -> type[Device]:
    """Return the class that an entry point names.

    Raises:
        ValueError: it cannot be loaded, or is no kind of device.
    """
    try:
        kind = point.load()
    except (Exception, SystemExit) as error:  # another's package may raise anything, or try to end the program
        said = " ".join(str(error).split())
        why = type(error).__name__ + (f": {said}" if said else "")
        raise ValueError(f"it cannot be loaded ({why}); mend or remove its package") from None
    if not (isinstance(kind, type) and issubclass(kind, Device)):
        raise ValueError("it is no class made from rvsim.devices.device.Device; name one, like van_lamp:Lamp")
    name, settings = getattr(kind, "kind", None), kind.Settings
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise ValueError(f'{kind.__name__} has no kind that a rig could name; give it one, like kind = "lamp"')
    if not (isinstance(settings, type) and issubclass(settings, BaseModel)):
        raise ValueError(f"the Settings of {kind.__name__} are no class made from rvsim.devices.device.Settings")
    return kind


@cache
def _installed() -> tuple[dict[str, type[Device]], tuple[str, ...]]:
    """Return the kinds on this machine and what is wrong with others; entry points are loaded when this is asked."""
    return all_kinds(entry_points(group=GROUP))


def kinds_by_name() -> Mapping[str, type[Device]]:
    """Return the kinds that rigs can name, those of other packages with them."""
    return _installed()[0]


def kind_problems() -> tuple[str, ...]:
    """Return a line for each kind of another package that cannot be used."""
    return _installed()[1]


def settings_models() -> dict[str, type[BaseModel]]:
    """Return the settings model of each kind, for the reader of rigs."""
    return {name: kind.Settings for name, kind in kinds_by_name().items()}


class Places(Protocol):
    """Says where something of a rig stands: file, line and words."""

    def where_in_rig(self, device: str, *below: int | str) -> str:
        """Say where something of a device stands."""

    def where_accepted(self, number: int) -> str:
        """Say where the rig accepts trouble, counted from 0."""


class _Names:
    """Says it of a rig without a file."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig.name

    def where_in_rig(self, device: str, *below: int | str) -> str:  # noqa: ARG002 - there are no lines
        return f'rig "{self._rig}", device "{device}"'

    def where_accepted(self, number: int) -> str:
        return f'rig "{self._rig}", accepted {number + 1}'


def check_rig(rig: Rig, catalogue: Catalogue, places: Places | None = None) -> None:
    """Refuse names in a rig that no definition has, and settings of its devices that cannot be put to work.

    ``places`` says where each mistake stands.

    Raises:
        InputError: a line for each.
    """
    places = places or _Names(rig)
    problems = [
        f"{places.where_in_rig(device, key)}, {key}: {text}"
        for device, key, text in device_field_problems(rig, catalogue)
    ]
    problems += [f"{places.where_accepted(number)}: {text}" for number, text in accepted_problems(rig, catalogue)]
    kinds = kinds_by_name()
    for plan in rig.devices:
        kind = kinds.get(plan.kind)
        try:
            settings = None if kind is None else plan.settings_as(kind.Settings)
        except ValidationError:  # that is told where the rig is read
            continue
        for one in () if kind is None else kind.placed_mistakes(plan, settings, catalogue):
            problems.append(f"{places.where_in_rig(plan.name, 'settings', *one.place)}, settings, {one.text}")
    if problems:
        raise InputError(*problems)


def missing_partners(rig: Rig) -> Iterator[str]:
    """Yield a sentence for each setting that names an instance which no device of the rig has."""
    there = {(name, instance) for plan in rig.devices for name, those in plan.functions.items() for instance in those}
    kinds = kinds_by_name()
    for plan in rig.devices:
        kind = kinds.get(plan.kind)
        settings = plan.settings_as(kind.Settings) if kind is not None else None
        for setting, function in kind.partners.items() if kind is not None else ():
            instance = getattr(settings, setting)
            if instance is not None and (function, instance) not in there:
                title = FUNCTIONS[function].title
                yield f"{plan.name} is set to {setting} {instance}, and no device of the rig is {title} {instance}"
