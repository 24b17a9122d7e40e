"""A rig: what one vehicle's network is planned to be.

Knows: the devices with their functions, instances and addresses, the vehicle's figures, and which plans contradict
themselves. Does not know files' syntax (`load` does), message layouts, nor which kinds of simulated device there
are: those come in from above.

Every mistake is reported at once: what one device gets wrong, and what two devices cannot both have. Two things can
be handed in as pydantic's validation context: ``kinds``, the settings model of each kind of simulated device by its
name (without it kinds and settings are taken as they are), and ``folder``, where the rig file lies.
"""

from collections.abc import Iterator, Mapping
from os.path import isfile
from pathlib import Path
from typing import Annotated, Any, NamedTuple, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from rvsim.errors import did_you_mean
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE
from rvsim.rig.quantity import shown
from rvsim.rig.vehicle import BatteryPlan, CabinPlan, CoolantPlan, HotWaterPlan, TankPlan, VehiclePlan

SCHEMA = 1
"""The number of the form in which rigs and scenarios are written."""
HIGHEST_ADDRESS = 253
"""254 says "no address" and 255 "everyone" (SAE J1939-81)."""
Kinds = Mapping[str, type[BaseModel]]
"""The settings model of each kind of simulated device, by the kind's name."""
_Model = TypeVar("_Model", bound=BaseModel)


class Table(BaseModel):
    """A table of a rig or scenario file: frozen; unknown keys and texts for numbers are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _known_schema(number: int) -> int:
    if number != SCHEMA:
        raise ValueError(f"{shown(number)} is not a form that this rvsim reads; write schema = {SCHEMA}")
    return number


def _one_line(text: str) -> str:
    if not text.strip():
        raise ValueError("this is empty; write a few words")
    if not text.isprintable():
        raise ValueError(f"{shown(text)} has a line break or another control character; write plain words")
    if text != text.strip():
        raise ValueError(f"{shown(text)} has blanks around it; remove them")
    return text


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
Line = Annotated[str, AfterValidator(_one_line)]
"""Words on one line, safe to print."""
Address = Annotated[int, AfterValidator(_address)]
FieldName = Annotated[str, AfterValidator(_names_a_field)]
"""``MESSAGE.field``, or ``field`` for every message of the device that has it."""
Limits = Annotated[tuple[float, float], BeforeValidator(_pair), AfterValidator(_in_order)]


class _Problem(NamedTuple):
    """One mistake, with its place below the value that is being checked."""

    place: tuple[int | str, ...]
    text: str
    given: object


def _refuse(title: str, problems: list[_Problem], found: ValidationError | None = None) -> ValidationError:
    """Put mistakes of our own and those that pydantic found into one error."""
    details = found.errors(include_url=False) if found else []
    theirs = [
        InitErrorDetails(
            type=PydanticCustomError(one["type"], one["msg"], one.get("ctx")),
            loc=one["loc"],
            input=one["input"],
        )
        for one in details
    ]
    ours = [
        InitErrorDetails(type=PydanticCustomError("value_error", "{error}", {"error": text}), loc=place, input=given)
        for place, text, given in problems
    ]
    return ValidationError.from_exception_data(title, theirs + ours)


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
    kind: Line
    """Which simulated device stands in for it."""
    address: Address
    """The address it prefers; it is heard wherever it has claimed one."""
    functions: Mapping[str, tuple[int, ...]]
    """The instances of each function."""
    zone: Line | None = None
    sleeps: bool = False
    """Planned to fall silent when nobody needs it: then its silence is no fault."""
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
            _Problem((name,), text, those) for name, those in given.items() for text in _instance_problems(name, those)
        ]
        if problems:
            raise _refuse("functions", problems)
        return {name: tuple(those) if isinstance(those, list | tuple) else (those,) for name, those in given.items()}

    @field_validator("amps")
    @classmethod
    def _of_its_functions(cls, amps: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        functions = info.data.get("functions", amps)  # where they are faulty themselves, that is told already
        for name in amps:
            if name not in functions:
                raise ValueError(f"{shown(name)} is none of its functions; name one of {', '.join(functions)}")
        return amps

    @field_validator("kind")
    @classmethod
    def _known_kind(cls, kind: str, info: ValidationInfo) -> str:
        kinds = _kinds(info)
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

    @property
    def vehicle(self) -> VehiclePlan:
        """The figures of the vehicle that its devices share."""
        return VehiclePlan(**{name: getattr(self, name) for name in VehiclePlan.model_fields})

    @field_validator("devices", mode="wrap")
    @classmethod
    def _checked_together(cls, given: Any, check: ValidatorFunctionWrapHandler) -> tuple[DevicePlan, ...]:
        if isinstance(given, list | tuple) and len(given) > HIGHEST_ADDRESS + 1:
            raise ValueError(f"{len(given)} devices are more than a network has addresses; leave some out")
        clashes = list(_clashes(given)) if isinstance(given, list | tuple) else []
        try:
            devices: tuple[DevicePlan, ...] = check(given)
        except ValidationError as found:
            raise _refuse("device", clashes, found) from None
        if clashes:
            raise _refuse("device", clashes)
        if not devices:
            raise ValueError("a rig needs at least one device; write a table [[device]]")
        return devices


def part(entry: object, key: str) -> Any:
    """Return what a device has under a key, read or not yet read; None where there is nothing."""
    return entry.get(key) if isinstance(entry, Mapping) else getattr(entry, key, None)


class _Claim(NamedTuple):
    """Something that only one device may have; ``thing`` tells one from another."""

    place: tuple[str, ...]
    thing: tuple[str, object]
    words: str
    advice: str


def _claims(entry: object) -> Iterator[_Claim]:
    name, address, functions = (part(entry, key) for key in ("name", "address", "functions"))
    if isinstance(name, str):
        yield _Claim(("name",), ("name", name), f"{shown(name)} is already the name", "give each its own name")
    if type(address) is int and 0 <= address <= HIGHEST_ADDRESS:
        words = f"0x{address:02X} is already the address"
        yield _Claim(("address",), ("address", address), words, "give each its own address")
    for name, given in functions.items() if isinstance(functions, Mapping) else ():
        if name not in FUNCTIONS or FUNCTIONS[name].shared:
            continue
        for instance in given if isinstance(given, list | tuple) else (given,):
            if type(instance) is int and 0 <= instance <= HIGHEST_INSTANCE:
                words = f"{FUNCTIONS[name].title} {instance} is already a function"
                yield _Claim(("functions", name), (name, instance), words, "give each its own instance")


def _clashes(entries: list[object] | tuple[object, ...]) -> Iterator[_Problem]:
    """Find what two devices cannot both have, in devices that may not be read yet or be wrong otherwise."""
    owners: dict[tuple[str, object], int] = {}
    for number, entry in enumerate(entries):
        for place, thing, words, advice in _claims(entry):
            first = owners.setdefault(thing, number)
            if first != number:
                owner = f"device {first + 1} {shown(part(entries[first], 'name'))}"
                yield _Problem((number, *place), f"{words} of {owner}; {advice}", thing)
