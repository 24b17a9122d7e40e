"""A rig: the plan of one vehicle's network.

Knows: the devices with their functions, instances and addresses, the vehicle's figures, and which plans contradict
themselves. Does not know the syntax of files (`load` does), message layouts, nor which kinds of simulated devices
exist: those are passed in from higher layers.

All mistakes are reported together: those of single devices, and what two devices cannot both have. The pydantic
validation context can contain: ``kinds``, the settings model of each kind of simulated device by its name (without it
kinds and settings are not checked); ``absent``, the names of devices that are not simulated and need no kind;
``folder``, the folder of the rig file; ``for_plan``, true where an installation is checked that cannot work yet: what
the plan reports as a flag (two of one address, a load above its output, switches that cannot be told apart) is then no
mistake of the file.
"""

from collections.abc import Iterator, Mapping, Sequence
from os.path import isfile
from pathlib import Path
from typing import Annotated, Any, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
    model_validator,
)

from rvsim.errors import did_you_mean
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.clashes import find_clashes
from rvsim.rig.climate import (
    CabinPlan,
    CoolantPlan,
    FuelPlan,
    HotWaterPlan,
    PeoplePlan,
    ZonePlan,
    unknown_zone,
    zone_mistakes,
    zone_names,
)
from rvsim.rig.column_mapping import ColumnMapping, parse_mapping
from rvsim.rig.default_times import DEFAULT_ANSWER_TIME_US, DEFAULT_SETTLING_TIME_US
from rvsim.rig.electric import (
    Batteries,
    BatteryPlan,
    BranchPlan,
    ShorePlan,
    battery_by_source,
    battery_zone_mistakes,
    branch_mistakes,
    device_branch_mistakes,
    fuse_name_mistakes,
)
from rvsim.rig.endurance import EndurancePlan
from rvsim.rig.field_types import ClaimedName, Duration
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, OTHER_NAMES, canonical
from rvsim.rig.grounds import GroundPlan, ground_mistakes
from rvsim.rig.harness import HarnessPlan, TapPlan, harness_mistakes
from rvsim.rig.inputs import InputPlan, input_mistakes, interlock_mistakes, switched_mistakes
from rvsim.rig.module_parts import device_clashes, module_branches, with_module_functions
from rvsim.rig.motions import MotionPlan, motion_mistakes
from rvsim.rig.panel_parts import panel_mistakes
from rvsim.rig.quantity import shown
from rvsim.rig.references import names, repeated, unknown, unknown_text
from rvsim.rig.rules_plan import RulesPlan
from rvsim.rig.scenes import GroupPlan, ScenePlan, called_scene_mistakes, group_mistakes, scene_mistakes
from rvsim.rig.switching import (
    ModulePlan,
    OutputPlan,
    RelayPlan,
    instance_clashes,
    load_mistakes,
    terminal_clashes,
)
from rvsim.rig.table import Mistake, OneLineText, Table, entry_value, for_plan, validation_error
from rvsim.rig.tanks import ExtraTankPlan, TankPlan, tank_mistakes, tank_zone_problem
from rvsim.rig.timing import TimingPlan
from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.ident import MAX_ADDRESS

SCHEMA = 1
"""The version of the file format of rigs and scenarios."""
Kinds = Mapping[str, type[BaseModel]]
"""The settings model of each kind of simulated device, by the kind's name."""
__all__ = [
    "SCHEMA",
    "AcceptedPlan",
    "Address",
    "DevicePlan",
    "FieldName",
    "Kinds",
    "Limits",
    "OneLineText",
    "Rig",
    "Schema",
    "Table",
    "entry_value",
]
_Model = TypeVar("_Model", bound=BaseModel)


def _check_schema(number: int) -> int:
    if number != SCHEMA:
        raise ValueError(f"{shown(number)} is not a file format that this rvsim reads; write schema = {SCHEMA}")
    return number


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


def _existing_file(given: object, info: ValidationInfo) -> object:
    folder = (info.context or {}).get("folder")
    if not isinstance(given, str) or folder is None:
        return given
    path: Path = folder / given
    if not isfile(path):  # Path.is_file raises on a name that is too long
        raise ValueError(f"there is no file {shown(given)}; name a DBC file, its path relative to this file")
    return path


Schema = Annotated[int, AfterValidator(_check_schema)]
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


def _raise_any(title: str, *problems: Mistake) -> None:
    """Raise one error with all of these mistakes, if there are any."""
    if problems:
        raise validation_error(title, list(problems))


def _fused(devices: Sequence[DevicePlan] | None) -> list[str]:
    """Return the names of the devices with a fuse of their own."""
    return [device.name for device in devices or () if device.fuse_amps is not None]


def _kinds(info: ValidationInfo) -> Kinds:
    return (info.context or {}).get("kinds") or {}


class LogPlan(Table):
    """How the logs of this vehicle are read."""

    columns: OneLineText | None = None
    """For logs that are tables of frames: which columns hold what, as `--columns` has it, like
    "time=1,id=2,data=4-"."""

    @property
    def mapping(self) -> ColumnMapping | None:
        """The columns, None where none are given."""
        return None if self.columns is None else parse_mapping(self.columns)

    @field_validator("columns")
    @classmethod
    def _is_mapping(cls, columns: str | None) -> str | None:
        if columns is not None:
            parse_mapping(columns)
        return columns


class Rig(Table):
    """The plan of one vehicle's network."""

    form: Schema = Field(alias="schema")
    """The version of the file format: 1."""
    name: OneLineText
    """The short name of the rig, used in printed texts."""
    title: OneLineText
    """The vehicle in a few words."""
    zones: Annotated[tuple[ZonePlan, ...], Field(strict=False)] = Field(default=(), alias="zone")
    """Further zones, a table each."""
    batteries: Batteries = Field(default=(BatteryPlan(),), alias="battery")
    """The batteries: one table, or several with names of their own; the one named "house", or the first, is the house
    battery."""
    branches: Annotated[tuple[BranchPlan, ...], Field(strict=False)] = Field(default=(), alias="branch")
    """The branches of the supply, a table each."""
    devices: Annotated[tuple[DevicePlan, ...], Field(strict=False)] = Field(
        default=(), alias="device", validate_default=True
    )
    """The planned devices, at least one, a table each."""
    cabin: CabinPlan = CabinPlan()
    """The living space."""
    people: PeoplePlan = PeoplePlan()
    """The people in the vehicle."""
    coolant: CoolantPlan = CoolantPlan()
    """The heater's coolant circuit."""
    hot_water: HotWaterPlan = HotWaterPlan()
    """The hot-water tank."""
    fuel: FuelPlan = FuelPlan()
    """The diesel that heaters burn."""
    shore: ShorePlan = ShorePlan()
    """The socket of the camp site."""
    fresh_tank: TankPlan = TankPlan()
    """The fresh-water tank."""
    grey_tank: TankPlan = TankPlan()
    """The grey-water tank."""
    black_tank: TankPlan = TankPlan()
    """The black-water tank."""
    tanks: Annotated[tuple[ExtraTankPlan, ...], Field(strict=False)] = Field(default=(), alias="tank")
    """Further tanks, a table each."""
    definitions: Annotated[
        tuple[Annotated[Path, BeforeValidator(_existing_file), Field(strict=False)], ...], Field(strict=False)
    ] = ()
    """Your own DBC files, each by its path as seen from this file."""
    longest_pause: Duration = 0
    """The longest pause of the whole bus that is normal in this vehicle; 0s: the watch learns it. Kept in
    microseconds."""
    log: LogPlan = LogPlan()
    """How the logs of this vehicle are read."""
    modules: Annotated[tuple[ModulePlan, ...], Field(strict=False)] = Field(default=(), alias="module")
    """The modules with outputs and inputs, a table each."""
    relays: Annotated[tuple[RelayPlan, ...], Field(strict=False)] = Field(default=(), alias="relay")
    """The relays, a table each."""
    outputs: Annotated[tuple[OutputPlan, ...], Field(strict=False)] = Field(default=(), alias="output")
    """The outputs of the modules, a table each."""
    inputs: Annotated[tuple[InputPlan, ...], Field(strict=False)] = Field(default=(), alias="input")
    """The inputs of the modules, a table each."""
    motions: Annotated[tuple[MotionPlan, ...], Field(strict=False)] = Field(default=(), alias="motion")
    """What motors move between two ends, a table each."""
    groups: Annotated[tuple[GroupPlan, ...], Field(strict=False)] = Field(default=(), alias="group")
    """Names of groups of outputs, a table each."""
    scenes: Annotated[tuple[ScenePlan, ...], Field(strict=False)] = Field(default=(), alias="scene")
    """The scenes, a table each."""
    taps: Annotated[tuple[TapPlan, ...], Field(strict=False)] = Field(default=(), alias="tap")
    """The taps of the CAN pair, a table each, in their order along the trunk."""
    harness: HarnessPlan = HarnessPlan()
    """The CAN pair as a whole."""
    accepted: Annotated[tuple[AcceptedPlan, ...], Field(strict=False)] = ()
    """Known trouble that raises no flag."""
    grounds: Annotated[tuple[GroundPlan, ...], Field(strict=False)] = Field(default=(), alias="ground")
    """The grounds that currents return through, a table each."""
    rules: RulesPlan = RulesPlan()
    """The rules by which the plan is checked."""
    endurance: EndurancePlan = EndurancePlan()
    """The night, the drive and the storage for which the plan is checked."""

    @property
    def vehicle(self) -> VehiclePlan:
        """The figures of the vehicle."""
        of_devices = ("branch_by_device", "battery_by_device")
        parts = {name: getattr(self, name) for name in VehiclePlan.model_fields if name not in of_devices}
        parts["branches"] = self.all_branches
        branches = {device.name: device.branch for device in self.devices if device.branch is not None}
        branches |= {device.name: device.name for device in self.devices if device.fuse_amps is not None}
        branches |= module_branches(self.modules, self.outputs, branches)
        return VehiclePlan(**parts, branch_by_device=branches, battery_by_device=self._battery_by_device)

    @property
    def _battery_by_device(self) -> dict[str, str]:
        """The battery of each device without a branch that speaks for one."""
        sources = {
            device.name: device.functions["dc_source"]
            for device in self.devices
            if device.branch is None and "dc_source" in device.functions
        }
        return battery_by_source(self.batteries, sources)

    @property
    def all_branches(self) -> tuple[BranchPlan, ...]:
        """The branches, and behind them one for each device and output with a fuse of its own, by their names."""
        own, batteries = list(self.branches), self._battery_by_device
        by_device = {device.name: device.branch for device in self.devices}
        by_module = {module.name: module.branch or by_device.get(module.device or "") for module in self.modules}
        for device in self.devices:
            if device.fuse_amps is not None:
                battery = batteries.get(device.name)
                fuse = device.fuse_amps
                own.append(BranchPlan(name=device.name, parent=device.branch, battery=battery, fuse_amps=fuse))
        for output in self.outputs:
            if output.fuse_amps is not None:
                parent, fuse, wire = by_module[output.module], output.fuse_amps, output.wire
                own.append(BranchPlan(name=output.name, parent=parent, fuse_amps=fuse, wire=wire))
        return tuple(own)

    @model_validator(mode="before")
    @classmethod
    def _name_module_functions(cls, given: Any) -> Any:
        return with_module_functions(given)

    @field_validator("batteries")
    @classmethod
    def _in_zones(cls, batteries: tuple[BatteryPlan, ...], info: ValidationInfo) -> tuple[BatteryPlan, ...]:
        zones = info.data.get("zones")  # where the zones have mistakes, these are reported instead
        problems = [] if zones is None else list(battery_zone_mistakes(batteries, zone_names(zones)))
        if problems:
            raise validation_error("battery", problems)
        return batteries

    @field_validator("branches")
    @classmethod
    def _checked_branches(cls, branches: tuple[BranchPlan, ...], info: ValidationInfo) -> tuple[BranchPlan, ...]:
        problems = list(branch_mistakes(info.data.get("batteries"), branches))
        if problems:
            raise validation_error("branch", problems)
        return branches

    @field_validator("grounds")
    @classmethod
    def _checked_grounds(cls, grounds: tuple[GroundPlan, ...], info: ValidationInfo) -> tuple[GroundPlan, ...]:
        users = {"device": info.data.get("devices") or (), "module": info.data.get("modules") or ()}
        _raise_any("ground", *ground_mistakes(grounds, users))
        return grounds

    @field_validator("accepted")
    @classmethod
    def _of_its_devices(cls, accepted: tuple[AcceptedPlan, ...], info: ValidationInfo) -> tuple[AcceptedPlan, ...]:
        devices = info.data.get("devices")  # where the devices have mistakes, these are reported instead
        _raise_any("accepted", *unknown(accepted, "device", names(devices), "devices"))
        return accepted

    @field_validator("modules")
    @classmethod
    def _checked_modules(cls, modules: tuple[ModulePlan, ...], info: ValidationInfo) -> tuple[ModulePlan, ...]:
        _raise_any(
            "module",
            *repeated(modules, "name", "module"),
            *unknown(modules, "device", names(info.data.get("devices")), "devices"),
            *unknown(modules, "branch", names(info.data.get("branches")), "branches"),
            *device_clashes(modules, info.data.get("devices")),
        )
        return modules

    @field_validator("relays")
    @classmethod
    def _checked_relays(cls, relays: tuple[RelayPlan, ...]) -> tuple[RelayPlan, ...]:
        _raise_any("relay", *repeated(relays, "name", "relay"))
        return relays

    @field_validator("outputs")
    @classmethod
    def _checked_outputs(cls, outputs: tuple[OutputPlan, ...], info: ValidationInfo) -> tuple[OutputPlan, ...]:
        _raise_any(
            "output",
            *repeated(outputs, "name", "output"),
            *unknown(outputs, "module", names(info.data.get("modules")), "modules"),
            *terminal_clashes(outputs),
            *unknown(outputs, "relay", names(info.data.get("relays")), "relays"),
            *repeated(outputs, "relay", "output"),
            *fuse_name_mistakes(
                outputs, [*_fused(info.data.get("devices")), *(names(info.data.get("branches")) or ())]
            ),
            *(() if for_plan(info) else instance_clashes(outputs)),
            *(() if for_plan(info) else load_mistakes(outputs, info.data.get("relays"))),
        )
        return outputs

    @field_validator("inputs")
    @classmethod
    def _checked_inputs(cls, inputs: tuple[InputPlan, ...], info: ValidationInfo) -> tuple[InputPlan, ...]:
        devices = info.data.get("devices") or ()
        digital_inputs = {plan.name: plan.functions.get("dc_input", ()) for plan in devices}
        _raise_any(
            "input",
            *repeated(inputs, "name", "input"),
            *unknown(inputs, "module", names(info.data.get("modules")), "modules"),
            *terminal_clashes(inputs),
            *(() if for_plan(info) else input_mistakes(inputs, info.data.get("modules"), digital_inputs)),
        )
        return inputs

    @field_validator("groups")
    @classmethod
    def _checked_groups(cls, groups: tuple[GroupPlan, ...], info: ValidationInfo) -> tuple[GroupPlan, ...]:
        _raise_any(
            "group",
            *repeated(groups, "name", "group"),
            *repeated(groups, "number", "group"),
            *group_mistakes(groups, info.data.get("outputs")),
        )
        return groups

    @field_validator("scenes")
    @classmethod
    def _checked_scenes(cls, scenes: tuple[ScenePlan, ...], info: ValidationInfo) -> tuple[ScenePlan, ...]:
        outputs, groups = info.data.get("outputs"), info.data.get("groups")
        found = list(repeated(scenes, "name", "scene"))
        if outputs is not None and groups is not None:  # else their own mistakes are reported
            found += scene_mistakes(scenes, outputs, groups)
        _raise_any("scene", *found)
        return scenes

    @model_validator(mode="after")
    def _fitting_each_other(self) -> Self:
        problems = [
            *(
                one._replace(place=("device", *one.place))
                for one in (*called_scene_mistakes(self.devices, self.scenes), *panel_mistakes(self))
            ),
            *(one._replace(place=("output", *one.place)) for one in interlock_mistakes(self.outputs, self.inputs)),
            *(one._replace(place=("input", *one.place)) for one in switched_mistakes(self.inputs, self.outputs)),
            *(
                one._replace(place=("motion", *one.place))
                for one in motion_mistakes(self.motions, self.outputs, self.inputs, self.relays, self.devices)
            ),
        ]
        if problems:
            raise validation_error("rig", problems)
        return self

    @field_validator("taps")
    @classmethod
    def _checked_taps(cls, taps: tuple[TapPlan, ...], info: ValidationInfo) -> tuple[TapPlan, ...]:
        _raise_any("tap", *harness_mistakes(taps, names(info.data.get("devices"))))
        return taps

    @field_validator("harness")
    @classmethod
    def _checked_harness(cls, harness: HarnessPlan, info: ValidationInfo) -> HarnessPlan:
        taps = names(info.data.get("taps"))
        if harness.recorder is not None and taps is not None and harness.recorder not in taps:
            text = unknown_text(harness.recorder, taps, "taps")
            _raise_any("harness", Mistake(("recorder",), text, harness.recorder))
        return harness

    @field_validator("zones")
    @classmethod
    def _checked_zones(cls, zones: tuple[ZonePlan, ...]) -> tuple[ZonePlan, ...]:
        problems = list(zone_mistakes(zones))
        if problems:
            raise validation_error("zone", problems)
        return zones

    @field_validator("people", "fresh_tank", "grey_tank", "black_tank")
    @classmethod
    def _in_a_zone(cls, plan: PeoplePlan | TankPlan, info: ValidationInfo) -> PeoplePlan | TankPlan:
        zones = info.data.get("zones")  # where the zones have mistakes, these are reported instead
        if zones is None:
            return plan
        names = zone_names(zones)
        if isinstance(plan, TankPlan):
            text = tank_zone_problem(plan, names)
        else:
            text = None if plan.zone in names else unknown_zone(plan.zone, names)
        if text is not None:
            raise validation_error(info.field_name or "", [Mistake(("zone",), text, plan.zone)])
        return plan

    @field_validator("tanks")
    @classmethod
    def _checked_tanks(cls, tanks: tuple[ExtraTankPlan, ...], info: ValidationInfo) -> tuple[ExtraTankPlan, ...]:
        zones = info.data.get("zones")
        problems = [] if zones is None else list(tank_mistakes(tanks, zone_names(zones)))
        if problems:
            raise validation_error("tank", problems)
        return tanks

    @field_validator("devices", mode="wrap")
    @classmethod
    def _checked_together(
        cls, given: Any, check: ValidatorFunctionWrapHandler, info: ValidationInfo
    ) -> tuple[DevicePlan, ...]:
        if isinstance(given, list | tuple) and len(given) > MAX_ADDRESS + 1:
            raise ValueError(f"{len(given)} devices are more than a network has addresses; leave some out")
        mistakes: list[Mistake] = []
        if isinstance(given, list | tuple):
            mistakes = [
                *find_clashes(given, names_only=for_plan(info)),
                *device_branch_mistakes(given, info.data.get("branches")),
            ]
        try:
            devices: tuple[DevicePlan, ...] = check(given)
        except ValidationError as error:
            raise validation_error("device", mistakes, error) from None
        if mistakes:
            raise validation_error("device", mistakes)
        if not devices:
            raise ValueError("a rig needs at least one device; write a table [[device]]")
        _raise_any("device", *fuse_name_mistakes(devices, names(info.data.get("branches")) or ()))
        return devices
