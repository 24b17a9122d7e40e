"""A rig: what one vehicle's network is planned to be.

Knows: the devices with their functions, instances and addresses, the vehicle's figures, and which plans contradict
themselves. Does not know files' syntax (`load` does), message layouts, nor which kinds of simulated device there
are: those come in from above.

Every mistake is reported at once: what one device gets wrong, and what two devices cannot both have. Three things can
be handed in as pydantic's validation context: ``kinds``, the settings model of each kind of simulated device by its
name (without it kinds and settings are taken as they are), ``absent``, the names of devices that will not be simulated
and so need no kind, and ``folder``, where the rig file lies.
"""

from collections.abc import Iterator, Mapping
from os.path import isfile
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
)

from rvsim.errors import did_you_mean
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.claimed import ClaimedName
from rvsim.rig.clashes import clashes
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE
from rvsim.rig.quantity import Duration, shown
from rvsim.rig.table import Line, Mistake, Table, part, refuse
from rvsim.rig.vehicle import BatteryPlan, CabinPlan, CoolantPlan, HotWaterPlan, TankPlan, VehiclePlan

SCHEMA = 1
"""The number of the form in which rigs and scenarios are written."""
HIGHEST_ADDRESS = 253
"""254 says "no address" and 255 "everyone" (SAE J1939-81)."""
SETTLING_TIME_US = 10_000_000
"""Commands of two devices to one thing that differ contradict each other within this time. Our decision."""
ANSWER_TIME_US = 2_000_000
"""So long a device may take to begin to do what it is told. Our decision."""
Kinds = Mapping[str, type[BaseModel]]
"""The settings model of each kind of simulated device, by the kind's name."""
__all__ = [
    "HIGHEST_ADDRESS",
    "SCHEMA",
    "AcceptedPlan",
    "Address",
    "DevicePlan",
    "FieldName",
    "Kinds",
    "Limits",
    "Line",
    "Rig",
    "Schema",
    "Table",
    "part",
]
_Model = TypeVar("_Model", bound=BaseModel)


def _known_schema(number: int) -> int:
    if number != SCHEMA:
        raise ValueError(f"{shown(number)} is not a form that this rvsim reads; write schema = {SCHEMA}")
    return number


def _address(number: int) -> int:
    if not 0 <= number <= HIGHEST_ADDRESS:
        given = f"0x{number:X}" if 0 < number <= 0xFFFF else shown(number)
        raise ValueError(f"{given} is not an address that a device can have; write 0 to 0x{HIGHEST_ADDRESS:X} (253)")
    return number


def _names_a_field(text: str) -> str:
    parts = text.split(".")
    if len(parts) > 2 or not all(part.isidentifier() and part.isascii() for part in parts):
        raise ValueError(f"{shown(text)} does not name a field; write it as field or MESSAGE.field")
    return text


def _pair(given: object) -> object:
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise ValueError(f"{shown(given)} is not a pair of limits; write the lowest and the highest: [low, high]")
    return tuple(given)


def _in_order(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError(f"the low limit {pair[0]:g} is above the high limit {pair[1]:g}; write [low, high]")
    return pair


def _beside(given: object, info: ValidationInfo) -> object:
    folder = (info.context or {}).get("folder")
    if not isinstance(given, str) or folder is None:
        return given
    path: Path = folder / given
    if not isfile(path):  # the pathlib twin raises on a name that is too long
        raise ValueError(f"there is no file {shown(given)}; name a DBC file, its path seen from this file")
    return path


Schema = Annotated[int, AfterValidator(_known_schema)]
Address = Annotated[int, AfterValidator(_address)]
FieldName = Annotated[str, AfterValidator(_names_a_field)]
"""``MESSAGE.field``, or ``field`` for every message of the device that has it."""
Limits = Annotated[tuple[float, float], BeforeValidator(_pair), AfterValidator(_in_order)]


def _instance_problems(function: str, given: object) -> Iterator[str]:
    if function not in FUNCTIONS:
        yield f"unknown function{did_you_mean(function, FUNCTIONS)}; the functions are {', '.join(FUNCTIONS)}"
        return
    lowest, seen = FUNCTIONS[function].lowest_instance, set()
    if given == []:
        yield "no instance is named; write one, like 1, or several, like [1, 2]"
    for instance in given if isinstance(given, list | tuple) else (given,):
        if not isinstance(instance, int) or isinstance(instance, bool):
            yield f"{shown(instance)} is not an instance; write a whole number, like 1, or several, like [1, 2]"
        elif instance in seen:
            yield f"instance {shown(instance)} stands twice; write it once"
        elif not lowest <= instance <= HIGHEST_INSTANCE:
            title = FUNCTIONS[function].title
            yield f"a {title} cannot have instance {shown(instance)}; write {lowest} to {HIGHEST_INSTANCE}"
        else:
            seen.add(instance)


class DevicePlan(Table):
    """One planned device. ``settings`` are those of the simulated device that can stand in for it."""

    name: Line
    kind: Line = Field(default="", validate_default=True)
    """Which simulated device stands in for it; empty where none does, and then it cannot be simulated."""
    address: Address
    """The address it prefers; it is heard wherever it has claimed one."""
    claimed_name: ClaimedName | None = None
    """The NAME that it claims an address with: that alone tells which unit it is."""
    functions: Mapping[str, tuple[int, ...]] = Field(default_factory=dict)
    """The instances of each function. Without any it is known by its NAME, or by where it is heard."""
    zone: Line | None = None
    dynamic: bool = False
    """Whether a simulated one may take another address: when it loses a contest for its own, or is commanded to one
    (SAE J1939-81)."""
    sleeps: bool = False
    """Planned to fall silent when nobody needs it: then its silence is no fault."""
    answer_time: Annotated[Duration, Field(gt=0)] = ANSWER_TIME_US
    """How long it may take to show in its status that it does what it is told, in microseconds."""
    settling_time: Annotated[Duration, Field(gt=0)] = SETTLING_TIME_US
    """How long what was commanded has to last before another device may command otherwise, in microseconds."""
    settings: dict[str, Any] = Field(default_factory=dict, validate_default=True)
    amps: dict[str, Limits] = Field(default_factory=dict)
    """The current that each of its functions takes by plan, at rest and at its fullest."""
    limits: dict[FieldName, Limits] = Field(default_factory=dict)
    """What a field of its messages can plausibly say, lowest and highest, in the field's unit."""
    required: Annotated[tuple[FieldName, ...], Field(strict=False)] = ()
    """Fields that must carry values: "no data" there is a fault."""

    def settings_as(self, model: type[_Model]) -> _Model:
        """Return the settings as the model of the device's kind."""
        return model.model_validate(self.settings)

    @field_validator("functions", mode="before")
    @classmethod
    def _read_functions(cls, given: object) -> object:
        if not isinstance(given, Mapping):
            return given
        problems = [
            Mistake((name,), text, those) for name, those in given.items() for text in _instance_problems(name, those)
        ]
        if problems:
            raise refuse("functions", problems)
        return {name: tuple(those) if isinstance(those, list | tuple) else (those,) for name, those in given.items()}

    @field_validator("amps")
    @classmethod
    def _of_its_functions(cls, amps: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        functions = info.data.get("functions", amps)  # where they are faulty themselves, that is told already
        for name in amps:
            if not functions:
                raise ValueError(f"{shown(name)} is none of its functions; it has none yet, so add them first")
            if name not in functions:
                raise ValueError(f"{shown(name)} is none of its functions; name one of {', '.join(functions)}")
        return amps

    @field_validator("kind", mode="wrap")
    @classmethod
    def _known_kind(cls, given: Any, check: ValidatorFunctionWrapHandler, info: ValidationInfo) -> str:
        kinds = _kinds(info)
        if given == "":
            if kinds and info.data.get("name") not in (info.context or {}).get("absent", ()):
                raise ValueError(
                    f'it cannot be simulated without a kind; add one, like kind = "{next(iter(kinds))}"; '
                    f"the kinds are {', '.join(kinds)}"
                )
            return ""
        kind: str = check(given)
        if kinds and kind not in kinds:
            raise ValueError(f"{shown(kind)} is unknown{did_you_mean(kind, kinds)}; the kinds are {', '.join(kinds)}")
        return kind

    @field_validator("settings")
    @classmethod
    def _fitting_settings(cls, settings: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        model = _kinds(info).get(info.data.get("kind", ""))
        if model is not None:
            model.model_validate(settings)
        return settings


def _kinds(info: ValidationInfo) -> Kinds:
    return (info.context or {}).get("kinds") or {}


class Rig(Table):
    """One vehicle's network as it is planned."""

    form: Schema = Field(alias="schema")
    name: Line
    title: Line
    devices: Annotated[tuple[DevicePlan, ...], Field(strict=False)] = Field(
        default=(), alias="device", validate_default=True
    )
    cabin: CabinPlan = CabinPlan()
    coolant: CoolantPlan = CoolantPlan()
    hot_water: HotWaterPlan = HotWaterPlan()
    battery: BatteryPlan = BatteryPlan()
    fresh_tank: TankPlan = TankPlan()
    grey_tank: TankPlan = TankPlan()
    black_tank: TankPlan = TankPlan()
    definitions: Annotated[
        tuple[Annotated[Path, BeforeValidator(_beside), Field(strict=False)], ...], Field(strict=False)
    ] = ()
    """The user's own DBC files."""
    longest_pause: Duration = 0
    """The longest pause of the whole bus that is normal here, in microseconds; 0 where the rig says nothing of it."""
    accepted: Annotated[tuple[AcceptedPlan, ...], Field(strict=False)] = ()
    """Known trouble that is not to be told."""

    @property
    def vehicle(self) -> VehiclePlan:
        """The figures of the vehicle that its devices share."""
        return VehiclePlan(**{name: getattr(self, name) for name in VehiclePlan.model_fields})

    @field_validator("accepted")
    @classmethod
    def _of_its_devices(cls, accepted: tuple[AcceptedPlan, ...], info: ValidationInfo) -> tuple[AcceptedPlan, ...]:
        devices = info.data.get("devices")  # where they are faulty themselves, that is told already
        names = [device.name for device in devices] if devices is not None else []
        problems = [
            Mistake(
                (number, "device"),
                f"{shown(one.device)} is not in the rig{did_you_mean(one.device, names)}; "
                f"its devices are {', '.join(names)}",
                one.device,
            )
            for number, one in enumerate(accepted)
            if devices is not None and one.device is not None and one.device not in names
        ]
        if problems:
            raise refuse("accepted", problems)
        return accepted

    @field_validator("devices", mode="wrap")
    @classmethod
    def _checked_together(cls, given: Any, check: ValidatorFunctionWrapHandler) -> tuple[DevicePlan, ...]:
        if isinstance(given, list | tuple) and len(given) > HIGHEST_ADDRESS + 1:
            raise ValueError(f"{len(given)} devices are more than a network has addresses; leave some out")
        both = list(clashes(given)) if isinstance(given, list | tuple) else []
        try:
            devices: tuple[DevicePlan, ...] = check(given)
        except ValidationError as found:
            raise refuse("device", both, found) from None
        if both:
            raise refuse("device", both)
        if not devices:
            raise ValueError("a rig needs at least one device; write a table [[device]]")
        return devices
