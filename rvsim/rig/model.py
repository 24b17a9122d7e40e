"""A rig: the plan of one vehicle's network.

Knows: the devices, the vehicle's figures, and which plans contradict themselves. Does not know what a single device
cannot have (`device_plan`), the syntax of files (`load`), nor message layouts.

All mistakes are reported together: those of single devices, and what two devices cannot both have. The pydantic
validation context can contain: ``kinds``, the settings model of each kind of simulated device by its name (without it
kinds and settings are not checked); ``absent``, the names of devices that are not simulated and need no kind;
``folder``, the folder of the rig file; ``for_plan``, true where an installation is checked that cannot work yet: what
the plan reports as a flag (two of one address, a load above its output, switches that cannot be told apart) is then no
mistake of the file.
"""

from collections.abc import Sequence
from os.path import isfile
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
    model_validator,
)

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
from rvsim.rig.device_plan import DevicePlan
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
from rvsim.rig.field_types import Duration
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
from rvsim.rig.table import Mistake, OneLineText, Table, for_plan, validation_error
from rvsim.rig.tanks import ExtraTankPlan, TankPlan, tank_mistakes, tank_zone_problem
from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.ident import MAX_ADDRESS

SCHEMA = 1
"""The version of the file format of rigs and scenarios."""


def _check_schema(number: int) -> int:
    if number != SCHEMA:
        raise ValueError(f"{shown(number)} is not a file format that this rvsim reads; write schema = {SCHEMA}")
    return number


def _existing_file(given: object, info: ValidationInfo) -> object:
    folder = (info.context or {}).get("folder")
    if not isinstance(given, str) or folder is None:
        return given
    path: Path = folder / given
    if not isfile(path):  # Path.is_file raises on a name that is too long
        raise ValueError(f"there is no file {shown(given)}; name a DBC file, its path relative to this file")
    return path


Schema = Annotated[int, AfterValidator(_check_schema)]


def _raise_any(title: str, *problems: Mistake) -> None:
    """Raise one error with all of these mistakes, if there are any."""
    if problems:
        raise validation_error(title, list(problems))


def _fused(devices: Sequence[DevicePlan] | None) -> list[str]:
    """Return the names of the devices with a fuse of their own."""
    return [device.name for device in devices or () if device.fuse_amps is not None]


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
