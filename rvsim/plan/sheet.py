"""The commissioning sheet: what is printed of a plan, as data, and the page for the door of the vehicle.

Knows: which tables a person needs beside the work, what has to be measured, which cautions belong to it, and what helps
when the screen is dark. Does not know how a sheet looks (`faces.page.plan_page`).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from rvsim.devices.registry import kinds_by_name
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule
from rvsim.plan.as_built import NONE, NOT_GIVEN, as_built, fed_by, feeds_of_device, figure, functions_of
from rvsim.plan.report import PlanReport
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import OUTDOORS, BranchPlan
from rvsim.rig.model import Rig
from rvsim.shakedown.cautions import LITHIUM
from rvsim.watch.flag import Flag

MEASURED = ("ladder_readings", "harness_ohms")
"""The tables of checks whose rows are readings that a person measures."""
FAILURES = ("harness_states", "harness_breaks", "harness_shorts", "single_failures")
"""The tables of checks that help to find what has failed."""
PLANNED = ("wires", "fuses")
"""The tables of checks that belong to what is built."""
BUILT_ALREADY = ("outputs", "harness", "grounds", "addresses")
"""The tables of checks that say again what stands under what is built."""
UNCOMPUTED = (Check.IDENTITY, Check.PROVIDERS, Check.SPARE)
"""The checks whose answers are found by comparing or counting: their tables show it, so their formulas are left out."""
SILENT = "silent then"
"""The column of the failures with the devices that fall silent."""
LEFT = "left at its end (V)"
"""The column of the wires with the voltage that is expected."""
ARITHMETIC = (
    "This is arithmetic from the figures given. Local law, the makers' instructions and a licensed person decide."
)
POWER_OFF_CAUTION = "Ohms are measured with all power off: batteries, shore power and solar panels disconnected."
MOTION_CAUTION = (
    "Motion: what a motor moves crushes and pinches, with nobody looking; keep clear of it. A message on the bus does "
    "not replace a switch that cuts the motor."
)
_BURNERS = ("furnace", "water_heater")
_SCREEN_KINDS = ("panel", "keypad")
_SCREEN_FUNCTION = "control_panel"
_KIND_OF_FUNCTION = {"furnace": "heater"}
"""Functions whose kind of simulated device has another name; only its caution is used."""


@dataclass(frozen=True)
class Door:
    """What hangs at the vehicle's door."""

    built: tuple[str, ...]
    """What is built, in sentences."""
    feeds: PlanTable
    """Which fuse feeds what."""
    steps: tuple[str, ...]
    """What to do when the screen is dark, in this order."""
    by_hand: tuple[str, ...]
    """The loads that a person can switch without the network."""
    by_module: tuple[str, ...]
    """The switches that work while their module has power, without the network."""
    by_network: tuple[str, ...]
    """The loads that only the network switches."""
    unknown: tuple[str, ...]
    """The loads of which the rig does not say it."""


@dataclass(frozen=True)
class Sheet:
    """What is printed of a plan."""

    report: PlanReport

    @property
    def rig(self) -> Rig:
        """The rig that was checked."""
        return self.report.rig

    @cached_property
    def flagged(self) -> tuple[tuple[Flag, Answer], ...]:
        """Each flag with the answer that raised it, the worst first."""
        return tuple(zip(self.report.flags, self.report.wrong, strict=True))

    @cached_property
    def accepted(self) -> tuple[tuple[Answer, AcceptedPlan], ...]:
        """The answers with something wrong that the rig accepts, each with the entry that does."""
        entries = self.report.accepted
        return tuple((answer, entries[answer.key]) for answer in self.report.answers if answer.key in entries)

    @cached_property
    def unchecked(self) -> tuple[Answer, ...]:
        """The answers that could not be given."""
        return tuple(answer for answer in self.report.answers if answer.judgement is Judgement.UNCHECKED)

    @property
    def good_count(self) -> int:
        """How many answers are good."""
        return sum(answer.judgement is Judgement.GOOD for answer in self.report.answers)

    @cached_property
    def computed(self) -> Mapping[Check, tuple[Answer, ...]]:
        """The answers with a formula that is worth reading, by their check: those with something wrong always."""
        found: dict[Check, list[Answer]] = {}
        for answer in self.report.answers:
            if answer.is_flagged or (answer.formula and answer.check not in UNCOMPUTED):
                found.setdefault(answer.check, []).append(answer)
        return {check: tuple(answers) for check, answers in found.items()}

    @property
    def seen(self) -> frozenset[str]:
        """The names of the expected readings that are seen and not measured."""
        return frozenset({"reading_devices", "reading_switches"})

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """The rules that were used, each once; a rule's number is its place, from 1."""
        return tuple(dict.fromkeys(answer.rule for answers in self.computed.values() for answer in answers))

    @cached_property
    def unproven(self) -> tuple[str, ...]:
        """What the answers do not prove, each once."""
        answers = (answer for answers in self.computed.values() for answer in answers)
        return tuple(dict.fromkeys(answer.unproven for answer in answers if answer.unproven))

    @cached_property
    def built(self) -> tuple[PlanTable, ...]:
        """What is built, with the wires and fuses as the checks have them."""
        planned = self._of_checks(PLANNED)
        doubled = "as_built_wires" if planned else ""
        return (*(table for table in as_built(self.rig) if table.name != doubled), *planned)

    @cached_property
    def expected(self) -> tuple[PlanTable, ...]:
        """What has to be measured or seen, with the expected reading; power off first."""
        own = (_voltages(self.report), _devices(self.rig), _switches(self.rig), _loads(self.rig))
        return (*self._of_checks(MEASURED), *(table for table in own if table.rows))

    @cached_property
    def failures(self) -> tuple[PlanTable, ...]:
        """What helps to find what has failed."""
        return tuple(map(_with_somebody_silent, self._of_checks(FAILURES)))

    @cached_property
    def others(self) -> tuple[PlanTable, ...]:
        """The other tables of the checks."""
        placed = {*PLANNED, *MEASURED, *FAILURES, *BUILT_ALREADY}
        return tuple(table for table in self.report.tables if table.name not in placed)

    def _of_checks(self, names: Sequence[str]) -> tuple[PlanTable, ...]:
        by_name = {table.name: table for table in self.report.tables}
        return tuple(by_name[name] for name in names if name in by_name)

    @cached_property
    def cautions(self) -> tuple[str, ...]:
        """What can hurt, each once: one that another contains is left out."""
        of_checks = (caution for section in self.report.sections for caution in section.cautions)
        kept = [POWER_OFF_CAUTION, *_of_rig(self.rig)]
        for caution in dict.fromkeys(of_checks):
            if caution != ARITHMETIC and not any(caution in other for other in kept):
                kept.append(caution)
        return (*kept, ARITHMETIC)

    @cached_property
    def door(self) -> Door:
        """What hangs at the vehicle's door."""
        return _door(self.rig)


def _with_somebody_silent(table: PlanTable) -> PlanTable:
    """Return the table of failures without those that silence nobody; another table as it is."""
    if table.name != "single_failures" or SILENT not in table.columns:
        return table
    place = table.columns.index(SILENT)
    return table._replace(rows=tuple(row for row in table.rows if row[place]))


# Expected readings.


def _voltages(report: PlanReport) -> PlanTable:
    """Return the voltages of the wires that the checks computed, or where to measure them."""
    title = "Power on, voltages: all loads on, the battery beside it"
    wires = next((table for table in report.tables if table.name == "wires" and LEFT in table.columns), None)
    if wires is not None:
        left = wires.columns.index(LEFT)
        rows = tuple((row[0], row[left]) for row in wires.rows if row[left])
        return PlanTable("reading_voltages", title, ("at the end of", "expected V"), rows, wires.note)
    places = [f"battery {battery.name}" for battery in report.rig.batteries]
    places += [f"branch {branch.name}" for branch in report.rig.branches]
    return PlanTable("reading_voltages", title, ("at the end of",), tuple((place,) for place in places))


def _devices(rig: Rig) -> PlanTable:
    rows = tuple((device.name, f"{device.address:02X}", functions_of(device) or NOT_GIVEN) for device in rig.devices)
    title = "Power on, bus: each device is there under its address and instances (rvsim listen --rig)"
    return PlanTable("reading_devices", title, ("device", "address (hex)", "functions and instances"), rows)


def _switches(rig: Rig) -> PlanTable:
    rows = tuple(
        (position.name, figure(position.instance), position.output or NONE)
        for entry in rig.inputs
        for position in entry.positions
    )
    title = "Power on, switches: press each one alone; its instance and no other changes"
    return PlanTable("reading_switches", title, ("switch", "instance", "switches by itself"), rows)


def _loads(rig: Rig) -> PlanTable:
    rows = tuple(
        (
            output.name,
            NOT_GIVEN if output.instance is None else f"{output.form} {output.instance}",
            figure(output.amps),
            figure(output.peak_amps),
        )
        for output in rig.outputs
    )
    title = "Power on, outputs: switch each one on alone and measure its current"
    return PlanTable("reading_outputs", title, ("output", "instance", "running A", "highest A"), rows)


# Cautions.


def _of_rig(rig: Rig) -> Iterator[str]:
    sentences: dict[str, list[str]] = {}
    for device in rig.devices:
        for caution in _cautions_of(device):
            sentences.setdefault(caution, []).append(device.name)
    for caution, names in sentences.items():
        yield f"{', '.join(dict.fromkeys(names))}: {caution}"
    lithium = [battery.name for battery in rig.batteries if battery.chemistry == "lfp"]
    if lithium and not any(LITHIUM in caution for caution in sentences):
        yield f"battery {', '.join(lithium)}: {LITHIUM}"
    moved = [motion.name for motion in rig.motions]
    if moved:
        yield f"{', '.join(moved)}: {MOTION_CAUTION}"


def _cautions_of(device: DevicePlan) -> tuple[str, ...]:
    """Return the cautions of a device's kind; without a kind, those of the kinds that have its functions."""
    kinds = kinds_by_name()
    names = (device.kind,) if device.kind else tuple(_KIND_OF_FUNCTION.get(name, name) for name in device.functions)
    found = (kinds[name].caution for name in names if name in kinds)
    return tuple(dict.fromkeys(caution for caution in found if caution))


# The door.


def _door(rig: Rig) -> Door:
    switched = {position.output for entry in rig.inputs for position in entry.positions if position.output is not None}
    hands = {
        given: tuple(
            output.name for output in rig.outputs if output.manual_override is given and output.name not in switched
        )
        for given in (False, None)
    }
    return Door(
        tuple(_built_sentences(rig)),
        _fuse_table(rig),
        tuple(_dark_steps(rig)),
        tuple(output.name for output in rig.outputs if output.manual_override),
        tuple(_switched_by_modules(rig)),
        hands[False],
        hands[None],
    )


def _switched_by_modules(rig: Rig) -> Iterator[str]:
    for entry in rig.inputs:
        outputs = [position.output for position in entry.positions if position.output is not None]
        if outputs:
            yield f"{entry.name} ({', '.join(outputs)})"


def _built_sentences(rig: Rig) -> Iterator[str]:
    for battery in rig.batteries:
        place = f", {'' if battery.zone == OUTDOORS else 'in the '}{battery.zone}" if battery.zone else ""
        yield f"Battery {battery.name}: {battery.capacity_ah:g} Ah {battery.chemistry.upper()}{place}."
    for module in rig.modules:
        count = sum(output.module == module.name for output in rig.outputs)
        limit = f", at most {module.limit_amps:g} A together" if module.limit_amps is not None else ""
        yield f"Module {module.name}: {count} outputs{limit}."
    if rig.taps:
        ends = [tap.name for tap in rig.taps if tap.terminator]
        ends += [drop.device for tap in rig.taps for drop in tap.drops if drop.terminator]
        cable = f" ({rig.harness.cable})" if rig.harness.cable else ""
        yield f"CAN pair{cable}: {len(rig.taps)} taps; terminators at {', '.join(ends) or 'no tap'}."


def _fuse_table(rig: Rig) -> PlanTable:
    fed, house = fed_by(rig), rig.vehicle.battery.name
    given = {branch.name for branch in rig.branches}
    own = {branch.name: branch for branch in rig.all_branches if branch.name not in given}
    rows = [
        (
            branch.name,
            _rating(branch),
            branch.parent or f"battery {branch.battery or house}",
            ", ".join(_with_fuse(name, own.get(name)) for name in fed.get(branch.name, ())) or NONE,
        )
        for branch in rig.branches
    ]
    for branch in own.values():
        if branch.parent is None:
            rows.append(
                (f"own fuse of {branch.name}", _rating(branch), f"battery {branch.battery or house}", branch.name)
            )
    title = "Which fuse feeds what; in brackets a fuse of its own"
    return PlanTable("door_fuses", title, ("fuse", "A", "from", "feeds"), tuple(rows))


def _with_fuse(name: str, own: BranchPlan | None) -> str:
    return name if own is None else f"{name} ({_rating(own)} A)"


def _rating(branch: BranchPlan) -> str:
    return "none" if branch.fuse_amps is None else f"{branch.fuse_amps:g}"


def _dark_steps(rig: Rig) -> Iterator[str]:
    yield "A gas or CO alarm sounds: everybody leaves the vehicle, then call for help. No screen replaces the alarm."
    screens = [device for device in rig.devices if device.kind in _SCREEN_KINDS or _SCREEN_FUNCTION in device.functions]
    for way, names in _by_way(rig, screens).items():
        yield f"{', '.join(names)}: {way}. Look at these fuses first, then at the plugs."
    yield "Measure the battery's voltage at its terminals. When it is low, charge it before anything else is changed."
    own = {module.device for module in rig.modules}
    modules = [device for device in rig.devices if device.name in own and device not in screens]
    for way, names in _by_way(rig, modules).items():
        yield f"The electronics of {', '.join(names)}: {way}."
    yield "Replace a fuse by one of the same rating only. If it opens again, leave it out and ask."
    if rig.taps:
        ohm = rig.harness.terminator_ohm / 2
        yield (
            f"Switch all power off and measure between the two wires of the CAN pair: about {ohm:g} Ω with both "
            "terminators; twice as much means that one is missing. It does not prove the connectors, the ground or "
            "the supply."
        )
    if any(name in device.functions for device in rig.devices for name in _BURNERS):
        yield "A heater that has locked out: find fuel, voltage and exhaust first. Do not start it again and again."


def _by_way(rig: Rig, devices: Sequence[DevicePlan]) -> dict[str, list[str]]:
    """Return the devices by the way of their current."""
    found: dict[str, list[str]] = {}
    for device in devices:
        found.setdefault(_way(rig, feeds_of_device(rig, device)), []).append(device.name)
    return found


def _way(rig: Rig, chain: Sequence[BranchPlan]) -> str:
    """Return the way of the current to a device: the fuses from the device to the battery."""
    if not chain:
        return f"at the terminals of the battery {rig.vehicle.battery.name}"
    steps = [
        f"{branch.protection} in {branch.name}" if branch.fuse_amps else f"{branch.name} (no fuse)" for branch in chain
    ]
    return ", ".join([*steps, f"battery {chain[-1].battery or rig.vehicle.battery.name}"])
