"""One planned device of a rig.

Knows: its name, functions, instances, address, figures and settings, and what one device cannot have. Does not know
the other devices, nor which kinds of simulated devices exist: the validation context has them as ``kinds`` (without
it kinds and settings are not checked), and as ``absent`` the names of devices that are not simulated and need no
kind.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
)

from rvsim.errors import did_you_mean
from rvsim.rig.default_times import DEFAULT_ANSWER_TIME_US, DEFAULT_SETTLING_TIME_US
from rvsim.rig.field_types import ClaimedName, Duration
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, OTHER_NAMES, canonical
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake, OneLineText, Table, validation_error
from rvsim.rig.timing import TimingPlan
from rvsim.wire.ident import MAX_ADDRESS

Kinds = Mapping[str, type[BaseModel]]
"""The settings model of each kind of simulated device, by the kind's name."""
_Model = TypeVar("_Model", bound=BaseModel)


def _check_address(number: int) -> int:
    if not 0 <= number <= MAX_ADDRESS:
        given = f"0x{number:X}" if 0 < number <= 0xFFFF else shown(number)
        raise ValueError(f"{given} is not an address that a device can have; write 0 to 0x{MAX_ADDRESS:X} (253)")
    return number


def _check_field_name(text: str) -> str:
    parts = text.split(".")
    if len(parts) > 2 or not all(part.isidentifier() and part.isascii() for part in parts):
        raise ValueError(f"{shown(text)} does not name a field; write it as field or MESSAGE.field")
    return text


def _as_pair(given: object) -> object:
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise ValueError(f"{shown(given)} is not a pair of limits; write the lowest and the highest value: [low, high]")
    return tuple(given)


def _check_order(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError(f"the low limit {pair[0]:g} is above the high limit {pair[1]:g}; write [low, high]")
    return pair


Address = Annotated[int, AfterValidator(_check_address)]
FieldName = Annotated[str, AfterValidator(_check_field_name)]
"""``MESSAGE.field``, or ``field`` for every message of the device that has it."""
Limits = Annotated[tuple[float, float], BeforeValidator(_as_pair), AfterValidator(_check_order)]


def _instance_problems(function: str, given: object) -> Iterator[str]:
    function = canonical(function)
    if function not in FUNCTIONS:
        yield f"unknown function{did_you_mean(function, FUNCTIONS)}; the functions are {', '.join(FUNCTIONS)}"
        return
    lowest, seen = FUNCTIONS[function].lowest_instance, set()
    if given == []:
        yield "no instance is given; write one, like 1, or several, like [1, 2]"
    for instance in given if isinstance(given, list | tuple) else (given,):
        if not isinstance(instance, int) or isinstance(instance, bool):
            yield f"{shown(instance)} is not an instance; write a whole number, like 1, or several, like [1, 2]"
        elif instance in seen:
            yield f"instance {shown(instance)} is given twice; write it once"
        elif not lowest <= instance <= MAX_INSTANCE:
            title = FUNCTIONS[function].title
            yield f"a {title} cannot have instance {shown(instance)}; write {lowest} to {MAX_INSTANCE}"
        else:
            seen.add(instance)


class DevicePlan(Table):
    """One planned device. ``settings`` are those of the simulated device that can replace it."""

    name: OneLineText
    """The name of the device; flags, faults and options use it."""
    real: bool = False
    """Whether it is a real one on the bus: it is expected and never simulated, and needs no kind."""
    kind: OneLineText = Field(default="", validate_default=True)
    """The kind of simulated device that stands in for it; a device without a kind cannot be simulated."""
    address: Address
    """The source address that it prefers; it is recognized wherever it has claimed one."""
    claimed_name: ClaimedName | None = None
    """The NAME of the fitted unit, most significant digit first."""
    functions: Mapping[str, tuple[int, ...]] = Field(default_factory=dict)
    """What it is on the network, and the instances of each function, like { furnace = 1 } or { furnace = [1, 2] }.
    Without any it is known by its NAME, or by its address."""
    zone: OneLineText | None = None
    """The part of the vehicle that it serves, like "cabin"."""
    branch: OneLineText | None = None
    """The branch of the supply that feeds it; if omitted, it is on the house battery's own terminals."""
    fuse_amps: Annotated[float, Field(gt=0, le=1000)] | None = None
    """The rating of a fuse of its own, behind its branch; a scenario has it as a branch with the name of the device."""
    dynamic: bool = False
    """Whether the simulated device may move to another address: when it loses a contest for its own, or is
    commanded to one (SAE J1939-81)."""
    sleeps: bool = False
    """Whether it may fall silent when nobody needs it; no flag is raised then."""
    answer_time: Annotated[Duration, Field(gt=0)] = DEFAULT_ANSWER_TIME_US
    """How long it may take until its status shows that it obeys a command. Kept in microseconds."""
    settling_time: Annotated[Duration, Field(gt=0)] = DEFAULT_SETTLING_TIME_US
    """How long a command has to last before another device may command otherwise. Kept in microseconds."""
    settings: dict[str, Any] = Field(default_factory=dict, validate_default=True)
    """Figures of the simulated device; `rvsim about --keys KIND` lists them."""
    timing: TimingPlan = TimingPlan()
    """How well the simulated device keeps time."""
    amps: dict[str, Limits] = Field(default_factory=dict)
    """The current of each function by plan, at rest and at its highest, in amperes, like { furnace = [0.1, 6.1]
    }."""
    cut_off_volts: Annotated[float, Field(ge=5, le=20)] | None = None
    """The supply voltage at its terminals below which it stops; if omitted, 10.0 for a furnace or a water heater and
    10.5 for an inverter, and no limit for what is neither."""
    limits: dict[FieldName, Limits] = Field(default_factory=dict)
    """The lowest and highest plausible value of a field, in its unit, like { ambient_temperature = [-30, 60] }."""
    required: Annotated[tuple[FieldName, ...], Field(strict=False)] = ()
    """Fields that must carry values; "no data" in one of them is a fault."""
    needs: Annotated[tuple[OneLineText, ...], Field(strict=False)] = ()
    """The messages that it needs from others, each with its instance where it has one, like "TANK_STATUS 1"; read by
    the plan only."""
    sends: Annotated[tuple[OneLineText, ...], Field(strict=False)] = ()
    """The messages that it sends, written as under needs; a kind of simulated device has its own. Read by the plan
    only."""
    ground: OneLineText | None = None
    """The ground that its current returns to; read by the plan only."""
    peak_amps: Annotated[float, Field(ge=0, le=1000)] | None = None
    """Its highest current, at a start or a glow; read by the plan only."""
    peak: Annotated[Duration, Field(gt=0, le=3_600_000_000)] | None = None
    """How long that current lasts; read by the plan only. Kept in microseconds."""
    critical: bool = False
    """Whether the lower limit of the voltage drop holds, as for what is vital to safety; read by the plan only."""
    standing_milliamps: Annotated[float, Field(ge=0, le=100_000)] | None = None
    """Its current while the vehicle is stored; read by the plan only."""
    fuse_distance_m: Annotated[float, Field(ge=0, le=100)] | None = None
    """The length of wire from its branch to its own fuse; read by the plan only."""
    interrupting_amps: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    """The highest current that its own fuse can interrupt; read by the plan only."""

    def settings_as(self, model: type[_Model]) -> _Model:
        """Return the settings as the model of the device's kind."""
        return model.model_validate(self.settings)

    @field_validator("functions", mode="before")
    @classmethod
    def _read_functions(cls, given: object) -> object:
        if not isinstance(given, Mapping):
            return given
        problems = [
            Mistake((name,), text, instances)
            for name, instances in given.items()
            for text in _instance_problems(name, instances)
        ]
        problems += [
            Mistake((other,), f"it is another name for {name}, which is there as well; write one of them", given[other])
            for other, name in OTHER_NAMES.items()
            if other in given and name in given
        ]
        if problems:
            raise validation_error("functions", problems)
        return {
            canonical(name): tuple(instances) if isinstance(instances, list | tuple) else (instances,)
            for name, instances in given.items()
        }

    @field_validator("amps")
    @classmethod
    def _of_its_functions(cls, amps: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        amps = {canonical(name): limits for name, limits in amps.items()}
        functions = info.data.get("functions", amps)  # where the functions have mistakes, these are reported instead
        for name in amps:
            if not functions:
                raise ValueError(f"{shown(name)} is not one of its functions; it has none yet, so add them first")
            if name not in functions:
                raise ValueError(f"{shown(name)} is not one of its functions; write one of {', '.join(functions)}")
        return amps

    @field_validator("kind", mode="wrap")
    @classmethod
    def _known_kind(cls, given: Any, check: ValidatorFunctionWrapHandler, info: ValidationInfo) -> str:
        kinds = _kinds(info)
        if given == "":
            is_absent = info.data.get("real") or info.data.get("name") in (info.context or {}).get("absent", ())
            if kinds and not is_absent:
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
