"""The rig as tables of what is built: supplies, devices, modules, outputs, wires, relays, inputs, harness, grounds.

Knows: which keys of a rig stand in which table, and how a figure is written there. Does not know any rule, nor how a
table is shown.

A figure that the rig leaves out is written as `NOT_GIVEN`.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from rvsim.plan.answer import PlanTable
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import BranchPlan, WirePlan
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.ladder import OPEN
from rvsim.rig.model import Rig
from rvsim.rig.switching import OutputPlan

NOT_GIVEN = "-"
"""Stands in a table for a figure that the rig does not give."""
NONE = ""
"""Stands in a table where there is nothing to give, as the relay of an output that has none."""
NOTE = f"{NOT_GIVEN} means that the rig does not give the figure."


def as_built(rig: Rig) -> tuple[PlanTable, ...]:
    """Return the tables of what is built; those without a row are left out."""
    tables = (
        _batteries(rig),
        _branches(rig),
        _devices(rig),
        _modules(rig),
        _outputs(rig),
        _wires(rig),
        _relays(rig),
        _inputs(rig),
        _taps(rig),
        _grounds(rig),
    )
    return tuple(table for table in tables if table.rows)


def figure(given: float | None) -> str:
    """Return a figure of the rig as it stands in a table."""
    return NOT_GIVEN if given is None else f"{given:g}"


def size_of(wire: WirePlan | None) -> str:
    """Return the size of a wire, with its unit since both kinds stand in one column; or its resistance."""
    if wire is None:
        return NOT_GIVEN
    if wire.awg is not None:
        return f"{wire.awg} AWG"
    return f"{wire.area_mm2:g} mm²" if wire.area_mm2 is not None else f"{wire.milliohm:g} mΩ out and back"


def functions_of(device: DevicePlan) -> str:
    """Return what a device is on the network, with its instances in few characters: "furnace 1, DC load 11-14"."""
    told: list[str] = []
    for name, instances in device.functions.items():
        own_names = [FUNCTIONS[name].charger_type_label(instance) for instance in instances]
        told += [label for label in own_names if label is not None]
        others = [instance for instance, label in zip(instances, own_names, strict=True) if label is None]
        if others:
            told.append(f"{FUNCTIONS[name].title} {ranges(others)}")
    return ", ".join(told)


def ranges(numbers: Iterable[int]) -> str:
    """Return whole numbers with runs of them written as a range: "1-3, 7"."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in runs)


def fed_by(rig: Rig) -> Mapping[str, tuple[str, ...]]:
    """Return what each branch feeds at its end, by the name of the branch: devices, modules, outputs, branches."""
    vehicle, found = rig.vehicle, dict[str, list[str]]()
    own = {*(output.name for output in rig.outputs), *(device.name for device in rig.devices)}
    for one in rig.all_branches:
        found.setdefault(one.name, [])
        if one.parent is not None and one.name not in own:
            found.setdefault(one.parent, []).append(one.name)
    for device in rig.devices:
        place = vehicle.branch_by_device.get(device.name)
        if device.branch is not None and device.fuse_amps is not None:
            found.setdefault(device.branch, []).append(device.name)
        elif place is not None:
            found.setdefault(place, []).append(device.name)
    for module in rig.modules:
        branch = branch_of_module(rig, module.name)
        if branch is not None:
            names = [output.name for output in rig.outputs if output.module == module.name]
            found.setdefault(branch, []).extend(names)
    return {name: tuple(dict.fromkeys(fed)) for name, fed in found.items()}


def branch_of_module(rig: Rig, name: str) -> str | None:
    """Return the branch that feeds the outputs of a module."""
    module = next(one for one in rig.modules if one.name == name)
    if module.branch is not None or module.device is None:
        return module.branch
    return next((device.branch for device in rig.devices if device.name == module.device), None)


def chain_of(rig: Rig, branch: str | None) -> Iterator[BranchPlan]:
    """Yield a branch and those above it, up to the battery."""
    by_name, passed = {one.name: one for one in rig.all_branches}, set[str]()
    while branch is not None and branch in by_name and branch not in passed:
        passed.add(branch)
        yield by_name[branch]
        branch = by_name[branch].parent


def _table(name: str, title: str, columns: Sequence[str], rows: Iterable[Sequence[str]], note: str = "") -> PlanTable:
    """Return a table without the columns in which no row has anything."""
    every = [tuple(row) for row in rows]
    kept = [place for place in range(len(columns)) if any(row[place] not in (NOT_GIVEN, NONE) for row in every)]
    shown = tuple(tuple(row[place] for place in kept) for row in every)
    if not note and any(NOT_GIVEN in row for row in shown):
        note = NOTE
    return PlanTable(name, title, tuple(columns[place] for place in kept), shown, note)


def _batteries(rig: Rig) -> PlanTable:
    rows = (
        (
            battery.name,
            battery.chemistry.upper(),
            figure(battery.capacity_ah),
            battery.zone or NOT_GIVEN,
            figure(battery.short_circuit_amps),
            figure(battery.cold_cranking_amps),
        )
        for battery in rig.batteries
    )
    heads = ("battery", "chemistry", "Ah", "stands in", "short circuit A", "cold cranking A")
    return _table("as_built_batteries", "Batteries", heads, rows)


def _branches(rig: Rig) -> PlanTable:
    fed, house = fed_by(rig), rig.vehicle.battery.name
    own = {*(output.name for output in rig.outputs), *(device.name for device in rig.devices)}
    rows = (
        (
            branch.name,
            branch.parent or f"battery {branch.battery or house}",
            "none"
            if branch.fuse_amps is None
            else f"{'' if branch.breaker is None else 'breaker '}{branch.fuse_amps:g}",
            figure(branch.fuse_distance_m),
            size_of(branch.wire),
            figure(branch.wire.length_m if branch.wire else None),
            ", ".join(fed.get(branch.name, ())) or NONE,
        )
        for branch in rig.all_branches
        if branch.name not in own
    )
    heads = ("branch", "from", "fuse A", "fuse after m", "wire", "m one way", "feeds")
    return _table("as_built_branches", "Supply: branches and their fuses", heads, rows)


def _devices(rig: Rig) -> PlanTable:
    drops = {drop.device: tap.name for tap in rig.taps for drop in tap.drops}
    rows = (
        (
            device.name,
            f"{device.address:02X}",
            functions_of(device) or NOT_GIVEN,
            device.branch or "the battery's terminals",
            figure(device.fuse_amps),
            drops.get(device.name, NOT_GIVEN),
            device.ground or NOT_GIVEN,
        )
        for device in rig.devices
    )
    heads = ("device", "address (hex)", "functions and instances", "branch", "own fuse A", "tap", "ground")
    return _table("as_built_devices", "Devices: addresses and instances", heads, rows)


def _modules(rig: Rig) -> PlanTable:
    rows = []
    for module in rig.modules:
        outputs = sum(output.module == module.name for output in rig.outputs)
        inputs = sum(entry.module == module.name for entry in rig.inputs)
        rows.append((
            module.name,
            module.device or NOT_GIVEN,
            branch_of_module(rig, module.name) or NOT_GIVEN,
            figure(module.limit_amps),
            _used(outputs, module.output_count),
            _used(inputs, module.input_count),
            module.ground or NOT_GIVEN,
        ))  # fmt: skip
    heads = ("module", "device", "outputs fed by", "limit A", "outputs used", "inputs used", "ground")
    return _table("as_built_modules", "Modules", heads, rows)


def _used(used: int, count: int | None) -> str:
    return str(used) if count is None else f"{used} of {count}"


def _outputs(rig: Rig) -> PlanTable:
    rows = (
        (
            f"{output.module} {output.terminal}",
            output.name,
            NOT_GIVEN if output.instance is None else f"{output.form} {output.instance}",
            output.load or NOT_GIVEN,
            figure(output.amps),
            figure(output.peak_amps),
            figure(output.limit_amps),
            output.relay or NONE,
            by_hand(output),
        )
        for output in _by_terminal(rig)
    )
    heads = ("terminal", "output", "instance", "load", "running A", "highest A", "limit A", "relay", "by hand")
    return _table("as_built_outputs", "Outputs", heads, rows)


def by_hand(output: OutputPlan) -> str:
    """Return whether a person can switch a load without the network."""
    return {True: "yes", False: "no", None: NOT_GIVEN}[output.manual_override]


def _by_terminal(rig: Rig) -> list[OutputPlan]:
    """Return the outputs as they stand on their modules."""
    order = [module.name for module in rig.modules]
    return sorted(rig.outputs, key=lambda output: (order.index(output.module), output.terminal))


def _wires(rig: Rig) -> PlanTable:
    rows = []
    for output in _by_terminal(rig):
        wire = output.wire
        if wire is None and output.fuse_amps is None:
            continue
        rows.append((
            output.name,
            size_of(wire),
            figure(wire.length_m if wire else None),
            figure(wire.insulation_c if wire else None),
            figure(wire.bundle if wire else None),
            figure(output.fuse_amps),
            figure(output.fuse_distance_m),
        ))  # fmt: skip
    heads = ("output", "wire", "m one way", "insulation °C", "in a bundle of", "own fuse A", "fuse after m")
    return _table("as_built_wires", "Wires and fuses of the outputs", heads, rows)


def _relays(rig: Rig) -> PlanTable:
    user = {output.relay: output.name for output in rig.outputs if output.relay is not None}
    rows = (
        (
            relay.name,
            user.get(relay.name, NONE),
            relay.contact,
            figure(relay.contact_amps),
            figure(relay.coil_amps),
            relay.suppressor or {True: "yes", False: "none", None: NOT_GIVEN}[relay.suppressed],
        )
        for relay in rig.relays
    )
    heads = ("relay", "of output", "contact", "contact A", "coil A", "suppressor")
    return _table("as_built_relays", "Relays", heads, rows)


def _inputs(rig: Rig) -> PlanTable:
    rows = []
    for entry in rig.inputs:
        taps = entry.ladder.ladder.tap_ohm if entry.ladder is not None else {}
        for position in entry.positions:
            ohm = taps.get(position.rung or "", None)
            rows.append((
                f"{entry.module} {entry.terminal}",
                position.name,
                figure(position.instance),
                entry.switch,
                position.output or NONE,
                NONE if ohm is None or ohm == OPEN else f"{ohm:g}",
            ))  # fmt: skip
    heads = ("terminal", "input", "instance", "switch", "switches by itself", "ladder Ω")
    return _table("as_built_inputs", "Inputs and switches", heads, rows)


def _taps(rig: Rig) -> PlanTable:
    before: str | None = None
    rows = []
    for tap in rig.taps:
        on_trunk = f"after {before}" if before else "start of the trunk"
        after = on_trunk if tap.on is None else f"chained to {tap.on}"
        chained = sum(other.on == tap.name for other in rig.taps)
        drops = ", ".join(
            f"{drop.device} {NOT_GIVEN if drop.length_m is None else f'{drop.length_m:g} m'}"
            f"{' with terminator' if drop.terminator else ''}"
            for drop in tap.drops
        )
        rows.append((
            tap.name,
            after,
            figure(tap.length_m),
            _used(len(tap.drops) + chained, tap.ports),
            "yes" if tap.terminator else "no",
            drops or "none",
        ))  # fmt: skip
        before = before if tap.on is not None else tap.name
    heads = ("tap", "where", "cable m", "ports used", "terminator", "drops")
    note = f"Cable: {rig.harness.cable}." if rig.harness.cable else ""
    return _table("as_built_taps", "Harness of the CAN pair", heads, rows, note)


def _grounds(rig: Rig) -> PlanTable:
    users: dict[str, list[str]] = {}
    grounded = [(device.ground, device.name) for device in rig.devices]
    grounded += [(module.ground, module.name) for module in rig.modules]
    for ground, name in grounded:
        if ground is not None:
            users.setdefault(ground, []).append(name)
    rows = (
        (
            one.name,
            one.parent or "the battery's terminal",
            size_of(one.wire),
            figure(one.wire.length_m if one.wire else None),
            ", ".join(users.get(one.name, ())) or NONE,
        )
        for one in rig.grounds
    )
    return _table("as_built_grounds", "Grounds", ("ground", "returns to", "wire", "m", "used by"), rows)


def feeds_of_device(rig: Rig, device: DevicePlan) -> tuple[BranchPlan, ...]:
    """Return the branches that a device depends on, its own first."""
    own = device.name if device.fuse_amps is not None else device.branch
    return tuple(chain_of(rig, own))
