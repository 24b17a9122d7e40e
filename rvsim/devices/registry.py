"""The kinds of simulated device, by the name a rig uses: the built-in ones, and those of other packages.

Knows: the class of each kind, and how a class of another package is found and checked. Does not know any rig.

A package adds a kind by a subclass of ``Device`` and an entry point for it, in its pyproject.toml::

    [project.entry-points."rvsim.devices"]
    lamp = "van_lamp:Lamp"
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Set
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Protocol

from pydantic import BaseModel, ValidationError

from rvsim.devices.device import Device
from rvsim.devices.kinds.air_conditioner import AirConditioner
from rvsim.devices.kinds.air_furnace import AirFurnace
from rvsim.devices.kinds.alternator import Alternator
from rvsim.devices.kinds.ambient import AmbientSensor
from rvsim.devices.kinds.awning import Awning
from rvsim.devices.kinds.battery_monitor import BatteryMonitor
from rvsim.devices.kinds.charger import Charger
from rvsim.devices.kinds.dc_dc_charger import DcDcCharger
from rvsim.devices.kinds.dc_disconnect import DcDisconnect
from rvsim.devices.kinds.fridge import Fridge
from rvsim.devices.kinds.generator import Generator
from rvsim.devices.kinds.heater import Heater
from rvsim.devices.kinds.inverter import Inverter
from rvsim.devices.kinds.keypad import Keypad
from rvsim.devices.kinds.load_centre import LoadCentre
from rvsim.devices.kinds.lock import Lock
from rvsim.devices.kinds.panel import Panel
from rvsim.devices.kinds.pump import CirculationPump
from rvsim.devices.kinds.roof_fan import RoofFan
from rvsim.devices.kinds.solar_controller import SolarController
from rvsim.devices.kinds.tank import TankSensor
from rvsim.devices.kinds.water_heater import WaterHeater
from rvsim.devices.kinds.water_pump import WaterPump
from rvsim.devices.kinds.window_shade import WindowShade
from rvsim.devices.own.own_device import OwnDevice
from rvsim.errors import InputError
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.field_names import accepted_problems, device_field_problems
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue

ENTRY_POINT_GROUP = "rvsim.devices"
"""The group of entry points by which other packages add kinds."""
_PUMP = "circulation_pump"
"""The function of a circulation pump."""
_KIND_NAME = re.compile(r"[a-z][a-z0-9_]*")
BUILT_IN = (
    Panel,
    Heater,
    AirFurnace,
    WaterHeater,
    WaterPump,
    CirculationPump,
    RoofFan,
    AirConditioner,
    Charger,
    SolarController,
    Alternator,
    DcDcCharger,
    Inverter,
    Generator,
    DcDisconnect,
    BatteryMonitor,
    TankSensor,
    AmbientSensor,
    Fridge,
    Keypad,
    LoadCentre,
    Awning,
    WindowShade,
    Lock,
    OwnDevice,
)


def all_kinds(points: Iterable[EntryPoint]) -> tuple[dict[str, type[Device]], tuple[str, ...]]:
    """Return the built-in kinds and those of entry points, and a line for each entry point that cannot be used."""
    kinds: dict[str, type[Device]] = {kind.kind: kind for kind in BUILT_IN}
    problems = []
    for point in sorted(points, key=lambda point: (point.name, point.value)):
        try:
            kind = _load_kind(point)
            if kind.kind in kinds:
                raise ValueError(f"the kind {shown(kind.kind)} exists already; give its class another kind")
        except ValueError as problem:
            problems.append(f"entry point {shown(point.name)} of {ENTRY_POINT_GROUP}, {shown(point.value)}: {problem}")
        else:
            kinds[kind.kind] = kind
    return kinds, tuple(problems)


def _load_kind(point: EntryPoint) -> type[Device]:
    """Return the class that an entry point names.

    Raises:
        ValueError: it cannot be loaded, or is not a kind of device.
    """
    try:
        kind = point.load()
    except (Exception, SystemExit) as error:  # another's package may raise anything, or try to end the program
        text = " ".join(str(error).split())
        why = type(error).__name__ + (f": {text}" if text else "")
        raise ValueError(f"it cannot be loaded ({why}); repair or remove its package") from None
    if not (isinstance(kind, type) and issubclass(kind, Device)):
        raise ValueError("it is not a subclass of rvsim.devices.device.Device; name one, such as van_lamp:Lamp")
    name, settings = getattr(kind, "kind", None), kind.Settings
    if not isinstance(name, str) or not _KIND_NAME.fullmatch(name):
        raise ValueError(f'{kind.__name__} has no kind that a rig can name; give it one, such as kind = "lamp"')
    if not (isinstance(settings, type) and issubclass(settings, BaseModel)):
        raise ValueError(f"the Settings of {kind.__name__} are not a subclass of rvsim.devices.device.Settings")
    return kind


@cache
def _installed_kinds() -> tuple[dict[str, type[Device]], tuple[str, ...]]:
    """Return the kinds on this machine and what is wrong with others; the first call loads the entry points."""
    return all_kinds(entry_points(group=ENTRY_POINT_GROUP))


def kinds_by_name() -> Mapping[str, type[Device]]:
    """Return the kinds that rigs can name, those of other packages included."""
    return _installed_kinds()[0]


def kind_problems() -> tuple[str, ...]:
    """Return a line for each kind of another package that cannot be used."""
    return _installed_kinds()[1]


def settings_models() -> dict[str, type[BaseModel]]:
    """Return the settings model of each kind, for the reader of rigs."""
    return {name: kind.Settings for name, kind in kinds_by_name().items()}


class RigPlaces(Protocol):
    """Where the parts of a rig stand: file, line and table."""

    def where_in_rig(self, device: str, *below: int | str) -> str:
        """Return where a part of a device stands."""

    def where_accepted(self, number: int) -> str:
        """Return where an ``accepted`` table of the rig stands, counted from 0."""


class _PlacesByName:
    """The places of a rig that was not read from a file, by name."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig.name

    def where_in_rig(self, device: str, *below: int | str) -> str:  # noqa: ARG002 - there are no lines
        return f'rig "{self._rig}", device "{device}"'

    def where_accepted(self, number: int) -> str:
        return f'rig "{self._rig}", accepted {number + 1}'


def check_rig(rig: Rig, catalogue: Catalogue, places: RigPlaces | None = None) -> None:
    """Refuse names in a rig that no definition has, and device settings that do not fit the definitions.

    ``places`` gives the place of each mistake.

    Raises:
        InputError: a line for each.
    """
    places = places or _PlacesByName(rig)
    problems = [
        f"{places.where_in_rig(device, key)}, {key}: {text}"
        for device, key, text in device_field_problems(rig, catalogue)
    ]
    problems += [f"{places.where_accepted(number)}: {text}" for number, text in accepted_problems(rig, catalogue)]
    kinds, present = kinds_by_name(), _present_instances(rig)
    for plan in rig.devices:
        kind = kinds.get(plan.kind)
        try:
            settings = None if kind is None else plan.settings_as(kind.Settings)
        except ValidationError:  # the reader of rigs reports that
            continue
        mistakes = () if kind is None else (*kind.placed_mistakes(plan, settings, catalogue), *_nobodies(plan, present))
        for mistake in mistakes:
            problems.append(f"{places.where_in_rig(plan.name, 'settings', *mistake.place)}, settings, {mistake.text}")
    if problems:
        raise InputError(*problems)


def _present_instances(rig: Rig) -> set[tuple[str, int]]:
    """Return all functions of a rig with their instances."""
    return {
        (function, instance)
        for plan in rig.devices
        for function, instances in plan.functions.items()
        for instance in instances
    }


def _nobodies(plan: DevicePlan, present: Set[tuple[str, int]]) -> Iterator[Mistake]:
    """Yield the commands of a device to an instance that nobody has, where others have some of that function."""
    kind = kinds_by_name()[plan.kind]
    for place, function, instance in kind.commanded_instances(plan, plan.settings_as(kind.Settings)):
        there = sorted(number for name, number in present if name == function)
        if there and instance not in there:
            title = FUNCTIONS[function].title
            text = (
                f"{'.'.join(place)}: no device of the rig is {title} {instance}; there is "
                f"{', '.join(map(str, there))}; correct it, or add the device that is, with real = true if it is not "
                "to be simulated"
            )
            yield Mistake(place, text, instance)


def unknown_instances(rig: Rig) -> Iterator[str]:
    """Yield a sentence for each setting that names an instance which no device of the rig has."""
    present = _present_instances(rig)
    kinds = kinds_by_name()
    for plan in rig.devices:
        kind = kinds.get(plan.kind)
        for setting, function, instance in (
            () if kind is None else kind.named_instances(plan, plan.settings_as(kind.Settings))
        ):
            if (function, instance) not in present:
                title = FUNCTIONS[function].title
                yield f"{plan.name} is set to {setting} {instance}, but no device of the rig is {title} {instance}"
        for place, function, instance in (
            () if kind is None else kind.commanded_instances(plan, plan.settings_as(kind.Settings))
        ):
            if (function, instance) not in present:
                title = FUNCTIONS[function].title
                yield f"{plan.name}, {'.'.join(place[:-1])}, commands {title} {instance}, which no device of the rig is"


def idle_pumps(rig: Rig, absent: Collection[str] = ()) -> Iterator[str]:
    """Yield a sentence for each simulated circulation pump that no panel of the rig is set to command.

    Nothing is said where no panel with a thermostat is simulated: what is ``absent`` or real may command it.
    """
    commanded: set[int] = set()
    idle: list[str] = []
    simulated = [plan for plan in rig.devices if not plan.real and plan.name not in absent]
    for plan in simulated:
        if plan.kind == Panel.kind:
            named = list(Panel.named_instances(plan, plan.settings_as(Panel.Settings)))
            pumps = {instance for _, function, instance in named if function == _PUMP}
            commanded |= pumps
            idle += [plan.name] if any(function == "furnace" for _, function, _ in named) and not pumps else []
    for plan in simulated if idle else ():
        for instance in plan.functions.get(_PUMP, ()):
            if plan.kind == CirculationPump.kind and instance not in commanded:
                yield (
                    f"no panel is set to command {plan.name}, and without it the coolant carries no heat: give "
                    f"{idle[0]} the setting circulation_pump = {instance}"
                )
