"""The electrical figures of a vehicle in a rig: batteries, branches with their wires, and shore power.

Knows: names, units, limits and defaults of these figures, and which of them contradict each other. Does not know how
they change with time (`world` does), nor which devices act on them.

The line under each figure gives the origin of its default. The limits only exclude typing mistakes and are common
practice, no source.
"""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from rvsim.rig.conductor import AWG_SIZES, AwgSize, gauge_number, ohm_per_m_by_area, ohm_per_m_by_awg
from rvsim.rig.quantity import shown
from rvsim.rig.references import repeated, unknown_text
from rvsim.rig.table import Mistake, OneLineText, Table, validation_error

HOUSE = "house"
"""The name of the battery where a rig names none."""
OUTDOORS = "outdoors"
"""The place of a battery that stands in no zone."""
_PackVolts = Annotated[float, Field(ge=5, le=20)]
_Seconds = Annotated[float, Field(ge=0, le=3600)]


class ProtectionPlan(Table):
    """The electronics of a battery that open its circuit; each figure is for the whole battery of four cells."""

    fitted: bool = True
    """Whether the battery has such electronics."""
    over_volts: _PackVolts = 15.0
    """Above this voltage it takes no charge. Four cells of 3.75 V: a battery board seller's sheet."""
    over_s: _Seconds = 1.0
    """How long the voltage has to be above. Between the 0.5 and 2 s of that sheet."""
    over_release_volts: _PackVolts = 14.2
    """Below this voltage it takes charge again. Four cells of 3.55 V: the same sheet."""
    under_volts: _PackVolts = 8.8
    """Below this voltage it gives no current. Four cells of 2.2 V: the same sheet."""
    under_s: _Seconds = 5.0
    """How long the voltage has to be below. Between the 4 and 6 s of that sheet."""
    under_release_volts: _PackVolts = 10.8
    """Above this voltage it gives current again. Four cells of 2.7 V: the same sheet."""
    over_amps: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Above this current it gives none; if omitted, 2.5 times the capacity in an hour. Between the 2 and 3 times of
    that sheet."""
    over_amps_s: _Seconds = 1.0
    """How long the current has to be above. Between the 0.5 and 1.5 s of that sheet."""
    hold_s: _Seconds = 30.0
    """How long it gives no current at least, once it has stopped. Common practice, no source."""

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        if self.over_release_volts >= self.over_volts:
            raise ValueError(f"over_release_volts {self.over_release_volts:g} is not below over_volts")
        if self.under_release_volts <= self.under_volts:
            raise ValueError(f"under_release_volts {self.under_release_volts:g} is not above under_volts")
        return self


class BatteryPlan(Table):
    """A battery of 12 V nominal: the house battery, or another one by its name."""

    name: OneLineText = HOUSE
    """Its name."""
    chemistry: Literal["agm", "lfp"] = "agm"
    """Lead-acid with absorbed electrolyte ("agm") or lithium iron phosphate, four cells ("lfp"). Invented van."""
    capacity_ah: Annotated[float, Field(ge=1, le=2000)] = 100.0
    """Capacity, rated over 20 hours. Invented van."""
    start_percent: Annotated[float, Field(ge=0, le=100)] = 80.0
    """State of charge at the start. Invented."""
    internal_milliohm: Annotated[float, Field(ge=0.1, le=1000)] | None = None
    """Internal resistance at 25 C, the ohmic part alone; if omitted, for 100 Ah 3.2 (AGM) or 10 (LFP, its electronics
    included), for other sizes in proportion. A sealed battery maker's data sheet: 8 mOhm for 40 Ah; a pack maker's
    specification: at most 15 mOhm."""
    start_c: Annotated[float, Field(ge=-60, le=60)] = 15.0
    """Temperature at the start. Invented: as cold as the cabin."""
    lag_hours: Annotated[float, Field(ge=0.1, le=48)] = 4.0
    """Time in which it comes 63 % nearer to the temperature around it. Invented: 25 kg at 0.9 kJ/(kg K), 1.6 W/K."""
    zone: OneLineText | None = None
    """The zone in which it stands, or "outdoors"; if omitted, the first zone."""
    dc_source: Annotated[int, Field(ge=1, le=250)] | None = None
    """Its instance as a DC source on the network, which its monitor and chargers follow; if omitted, 1 for the house
    battery and 2 for the other one of two (from memory)."""
    charge_efficiency_percent: Annotated[float, Field(ge=50, le=100)] | None = None
    """Share of the charging current that is stored; if omitted, 88 (AGM) or 99.5 (LFP). A public page: about 85 and
    over 99; 88 lies within 5 of it, and within a fifth of a logged charge of 5.5 hours."""
    peukert_exponent: Annotated[float, Field(ge=1, le=1.6)] | None = None
    """Exponent of Peukert's law, in the form for the 20 hour rating; if omitted, 1.1 (AGM) or 1 (LFP). A public page:
    1.05 to 1.15 for AGM; LFP is common practice, no source."""
    self_discharge_percent_per_month: Annotated[float, Field(ge=0, le=50)] | None = None
    """Charge lost at rest at 25 C; if omitted, 2 (AGM) or 3 (LFP). AGM: a battery maker's storage page. LFP: common
    practice, no source; a pack maker's specification: at most 20 in 28 days."""
    protection: ProtectionPlan | None = None
    """Electronics that open its circuit; if omitted, LFP has them and AGM has none."""
    short_circuit_amps: Annotated[float, Field(gt=0, le=100_000)] | None = None
    """The current of a short circuit at its terminals, by its maker; read by the plan only."""
    cold_cranking_amps: Annotated[float, Field(gt=0, le=5000)] | None = None
    """Its cold cranking current, by its maker; read by the plan only."""

    @property
    def fitted_protection(self) -> ProtectionPlan | None:
        """The electronics that open its circuit, by its chemistry where they are not given; None without any."""
        plan = self.protection or ProtectionPlan(fitted=self.chemistry == "lfp")
        return plan if plan.fitted else None


def _gauge_text(given: object) -> object:
    """Return a gauge as text; of one that is not sold the error names the nearest ones."""
    text = str(given) if isinstance(given, int) and not isinstance(given, bool) else given
    if not isinstance(text, str) or text in AWG_SIZES:
        return text
    number = re.fullmatch(r"(-?\d{1,4})(/0)?(?: *AWG)?", text.strip(), re.ASCII | re.IGNORECASE)
    if number is None:
        return text
    wanted = gauge_number(f"{number[1]}{number[2] or ''}")
    thinner = [size for size in AWG_SIZES if gauge_number(size) >= wanted][-1:]
    thicker = [size for size in AWG_SIZES if gauge_number(size) <= wanted][:1]
    near = list(dict.fromkeys(shown(size) for size in (*thinner, *thicker)))
    raise ValueError(f"{shown(given)} is not a known gauge; write {' or '.join(near)}")


class WirePlan(Table):
    """A wire of copper: its resistance, or its size and length."""

    area_mm2: Annotated[float, Field(ge=0.1, le=150)] | None = None
    """The area of one conductor."""
    awg: Annotated[AwgSize, BeforeValidator(_gauge_text)] | None = None
    """The size of one conductor by the American wire gauge, like 12 or "1/0"."""
    length_m: Annotated[float, Field(ge=0.01, le=100)] | None = None
    """Length one way; the current goes there and back."""
    milliohm: Annotated[float, Field(ge=0, le=10_000)] | None = None
    """Resistance there and back, in place of size and length."""
    insulation_c: Literal[60, 75, 90, 105, 125] | None = None
    """The temperature that its insulation is rated for; read by the plan only."""
    bundle: Annotated[int, Field(ge=1, le=200)] | None = None
    """How many current-carrying conductors lie together, this one included; read by the plan only."""
    engine_space: bool = False
    """Whether it passes through the engine's space; read by the plan only."""
    sheathed: bool = False
    """Whether it lies in a sheath, a conduit or a cable's own jacket; read by the plan only."""

    @model_validator(mode="after")
    def _check_forms(self) -> Self:
        sizes = [size for size in (self.area_mm2, self.awg) if size is not None]
        if self.milliohm is not None:
            if sizes or self.length_m is not None:
                raise ValueError("a wire with milliohm has neither size nor length; write one or the other")
        elif len(sizes) != 1 or self.length_m is None:
            raise ValueError(
                "a wire needs its size and length, like { area_mm2 = 2.5, length_m = 4.0 } or "
                "{ awg = 12, length_m = 4.0 }, or its resistance, like { milliohm = 12.0 }"
            )
        return self

    @property
    def ohm(self) -> float:
        """Its resistance there and back, in ohms, at 20 C."""
        if self.milliohm is not None:
            return self.milliohm / 1000
        assert self.length_m is not None
        if self.awg is not None:
            return 2 * self.length_m * ohm_per_m_by_awg(self.awg)
        assert self.area_mm2 is not None
        return 2 * self.length_m * ohm_per_m_by_area(self.area_mm2)


class BranchPlan(Table):
    """A branch of the supply: a fuse and a wire, from a battery or from another branch to what it feeds."""

    name: OneLineText
    """Its name; a device names it as its branch."""
    battery: OneLineText | None = None
    """The battery that feeds it; if omitted, that of its parent, or the house battery."""
    parent: OneLineText | None = None
    """The branch that feeds it; if omitted, the battery does."""
    fuse_amps: Annotated[float, Field(gt=0, le=1000)] | None = None
    """The rating of its fuse or breaker, which opens when too much flows for too long; without it nothing opens."""
    breaker: Literal["manual", "automatic"] | None = None
    """A breaker in place of a fuse: one that a person closes again, or one that closes by itself and opens again."""
    wire: WirePlan | None = None
    """Its wire; without one it has no resistance."""
    fuse_distance_m: Annotated[float, Field(ge=0, le=100)] | None = None
    """The length of wire from the source to its fuse; read by the plan only."""
    interrupting_amps: Annotated[float, Field(gt=0, le=1_000_000)] | None = None
    """The highest current that its fuse can interrupt; read by the plan only."""
    share_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    """How much of what is behind it runs at one time; if omitted, all of it. Read by the plan only."""
    critical: bool = False
    """Whether the lower limit of the voltage drop holds, as for what is vital to safety; read by the plan only."""

    @model_validator(mode="after")
    def _breaker_has_a_rating(self) -> Self:
        if self.breaker is not None and self.fuse_amps is None:
            raise ValueError("a breaker needs its rating; write fuse_amps, or leave breaker out")
        return self

    @property
    def protection(self) -> str:
        """Its fuse or breaker in words, with the rating where there is one."""
        what = "fuse" if self.breaker is None else "breaker"
        return what if self.fuse_amps is None else f"{what} of {self.fuse_amps:g} A"


class ShorePlan(Table):
    """The socket of the camp site, when the vehicle is connected to one."""

    amps: Annotated[float, Field(ge=1, le=100)] = 30.0
    """The rating of its breaker. A trailer maker's guide: 30 A at 120 V is one of the usual connections."""
    volts: Annotated[float, Field(ge=80, le=300)] = 120.0
    """Its voltage. The same guide."""


def _one_or_several(given: object) -> object:
    return (given,) if isinstance(given, Mapping | BatteryPlan) else given


def _check_batteries(batteries: tuple[BatteryPlan, ...]) -> tuple[BatteryPlan, ...]:
    if not batteries:
        raise ValueError("a vehicle needs a battery; write a table [battery], or leave the key out")
    problems = [*repeated(batteries, "name", "battery"), *repeated(batteries, "dc_source", "battery")]
    if problems:
        raise validation_error("battery", problems)
    return batteries


Batteries = Annotated[
    tuple[BatteryPlan, ...], Field(strict=False), BeforeValidator(_one_or_several), AfterValidator(_check_batteries)
]
"""One table, or several with names of their own."""


def house_battery(batteries: Sequence[BatteryPlan]) -> BatteryPlan:
    """Return the battery named "house", or the first."""
    return next((plan for plan in batteries if plan.name == HOUSE), batteries[0])


HOUSE_SOURCE, STARTER_SOURCE = 1, 2
"""DC sources: the main house battery bank (device makers' appendices) and the chassis start battery (from memory)."""


def dc_sources(batteries: Sequence[BatteryPlan]) -> dict[str, int]:
    """Return the DC source instance of each battery of which it is certain, by its name.

    As given; if not, 1 for the house battery, and 2 for the other one of two, where no other battery has these.
    """
    found = {plan.name: plan.dc_source for plan in batteries if plan.dc_source is not None}
    house = house_battery(batteries).name
    others = [plan.name for plan in batteries if plan.name != house]
    usual = {house: HOUSE_SOURCE} | ({others[0]: STARTER_SOURCE} if len(others) == 1 else {})
    return {name: source for name, source in usual.items() if source not in found.values()} | found


def battery_by_source(
    batteries: Sequence[BatteryPlan], sources_by_device: Mapping[str, Sequence[int]]
) -> dict[str, str]:
    """Return the battery of each device that speaks for one whose instance the rig gives; of several it is the first.

    Args:
        batteries: the batteries of a rig.
        sources_by_device: the DC source instances of the devices that are on no branch.
    """
    given = {plan.dc_source: plan.name for plan in batteries if plan.dc_source is not None}
    return {device: given[own[0]] for device, own in sources_by_device.items() if own[0] in given}


def battery_by_branch(batteries: Sequence[BatteryPlan], branches: Sequence[BranchPlan]) -> dict[str, str]:
    """Return the name of the battery that feeds each branch; the branches have no mistakes."""
    by_name = {branch.name: branch for branch in branches}
    found = {}
    for branch in branches:
        above = branch
        while above.battery is None and above.parent is not None:
            above = by_name[above.parent]
        found[branch.name] = above.battery or house_battery(batteries).name
    return found


def battery_zone_mistakes(batteries: Sequence[BatteryPlan], zones: Sequence[str]) -> Iterator[Mistake]:
    """Yield each battery that stands in a zone which the rig does not have."""
    for number, plan in enumerate(batteries):
        if plan.zone is not None and plan.zone not in (*zones, OUTDOORS):
            yield Mistake((number, "zone"), unknown_text(plan.zone, (*zones, OUTDOORS), "zones"), plan.zone)


def branch_mistakes(batteries: Sequence[BatteryPlan] | None, branches: Sequence[BranchPlan]) -> Iterator[Mistake]:
    """Yield what in branches contradicts itself; without ``batteries`` nothing is said of their names."""
    yield from repeated(branches, "name", "branch")
    by_name = {branch.name: branch for branch in branches}
    known = None if batteries is None else [plan.name for plan in batteries]
    for number, branch in enumerate(branches):
        if known is not None and branch.battery is not None and branch.battery not in known:
            yield Mistake((number, "battery"), unknown_text(branch.battery, known, "batteries"), branch.battery)
        if branch.parent is not None and branch.parent not in by_name:
            yield Mistake((number, "parent"), unknown_text(branch.parent, list(by_name), "branches"), branch.parent)
        above, passed = branch, [branch.name]
        while above.parent in by_name:
            above = by_name[above.parent]
            if above.name == branch.name:
                text = f"the branch feeds itself: {', '.join(passed)}; correct a parent"
                yield Mistake((number, "parent"), text, branch.parent)
            if above.name in passed:
                break
            passed.append(above.name)
            if branch.battery is not None and above.battery not in (None, branch.battery):
                text = f"its parent {shown(above.name)} is fed by {shown(above.battery)}; a branch has one battery"
                yield Mistake((number, "battery"), text, branch.battery)
                break


def device_branch_mistakes(entries: Sequence[Any], branches: Sequence[BranchPlan] | None) -> Iterator[Mistake]:
    """Yield each device, checked or not, whose branch the rig does not have; nothing where branches have mistakes."""
    for number, entry in enumerate(entries if branches is not None else ()):
        given = entry.get("branch") if isinstance(entry, Mapping) else getattr(entry, "branch", None)
        names = [branch.name for branch in branches or ()]
        if isinstance(given, str) and given not in names:
            yield Mistake((number, "branch"), unknown_text(given, names, "branches"), given)


def fuse_name_mistakes(entries: Sequence[Any], taken: Collection[str]) -> Iterator[Mistake]:
    """Yield each device or output with a fuse of its own whose name a branch or another such fuse has already."""
    for number, entry in enumerate(entries):
        if entry.fuse_amps is not None and entry.name in taken:
            text = (
                f"{shown(entry.name)} has a fuse of its own, and a branch or a device has its name; rename one of them"
            )
            yield Mistake((number, "name"), text, entry.name)
