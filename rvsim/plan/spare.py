"""What is left: outputs, inputs, ports, amperes, addresses and instances; and what is to be bought.

Knows: what is used of what there is. Does not judge: what is beyond a limit is told by the check of that limit.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from rvsim.plan.answer import Answer, Check, PlanTable, Rule, Section, path_name
from rvsim.plan.bill import bill_answers, bill_table
from rvsim.plan.identity import MAX_DYNAMIC, MIN_DYNAMIC
from rvsim.plan.starts import figure
from rvsim.rig.demand import RigDemand
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE
from rvsim.rig.model import Rig
from rvsim.wire.ident import MAX_ADDRESS

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

SPARE_RULE = Rule("what there is, less what is used", "arithmetic")


class _Spare(NamedTuple):
    """What is used of what there is; ``there`` is None where the rig does not give it, ``used`` where it is unknown."""

    key: str
    subject: str
    what: str
    used: float | None
    there: float | None
    unit: str = ""
    unproven: str = ""
    origin: str = ""
    """How ``there`` was computed."""

    @property
    def left(self) -> float | None:
        """What is left, never below 0."""
        return None if self.used is None or self.there is None else max(0.0, self.there - self.used)


def check_spare(given: "PlanInput") -> Section:
    """Tell what is left of a rig, and what is to be bought for it."""
    rig = given.rig
    spares = [*_module_spares(rig), *_branch_spares(rig), *_harness_spares(rig), *_network_spares(rig)]
    answers = [_answer(one) for one in spares if one.left is not None]
    answers += bill_answers(rig)
    return Section(Check.SPARE, tuple(answers), (_table(spares), bill_table(rig)))


def _module_spares(rig: Rig) -> Iterator[_Spare]:
    demand = RigDemand(rig)
    for module in rig.modules:
        key = f"module.{path_name(module.name)}"
        outputs = len(demand.outputs(module.name))
        inputs = sum(one.module == module.name for one in rig.inputs)
        yield _Spare(f"{key}.spare_outputs", module.name, "outputs", outputs, module.output_count)
        yield _Spare(f"{key}.spare_inputs", module.name, "inputs", inputs, module.input_count)
        unproven = "that an output that is free carries as much: each has its own limit"
        amps = demand.module(module).amps
        yield _Spare(f"{key}.spare_amps", module.name, "current", amps, module.limit_amps, "A", unproven)


def _branch_spares(rig: Rig) -> Iterator[_Spare]:
    demand, margin = RigDemand(rig), rig.rules.fuse_margin
    for branch in rig.all_branches:
        there = None if branch.fuse_amps is None else branch.fuse_amps / margin
        unproven = f"that its wire carries as much; {figure(margin)} x the current is at most its fuse"
        key = f"branch.{path_name(branch.name)}.spare_amps"
        origin = "" if branch.fuse_amps is None else f"{figure(branch.fuse_amps)} A / {figure(margin)} = "
        yield _Spare(key, branch.name, "current", demand.branch(branch.name).amps, there, "A", unproven, origin)


def _harness_spares(rig: Rig) -> Iterator[_Spare]:
    for tap in rig.taps:
        used = len(tap.drops) + sum(one.on == tap.name for one in rig.taps)
        unproven = "a terminator in one of its ports takes one more" if tap.terminator else ""
        yield _Spare(f"tap.{path_name(tap.name)}.spare_ports", tap.name, "ports", used, tap.ports, "", unproven)


def _network_spares(rig: Rig) -> Iterator[_Spare]:
    addresses = {device.address for device in rig.devices}
    moving = {address for address in addresses if MIN_DYNAMIC <= address <= MAX_DYNAMIC}
    yield _Spare("bus.spare_addresses", "network", "addresses", len(addresses), MAX_ADDRESS + 1)
    dynamic = f"addresses from {MIN_DYNAMIC} to {MAX_DYNAMIC}"
    yield _Spare("bus.spare_dynamic", "network", dynamic, len(moving), MAX_DYNAMIC - MIN_DYNAMIC + 1)
    used: dict[str, set[int]] = {}
    for device in rig.devices:
        for name, instances in device.functions.items():
            used.setdefault(name, set()).update(instances)
    for output in rig.outputs:
        if output.instance is not None:
            used.setdefault(output.function, set()).add(output.instance)
    for name, own in used.items():
        function = FUNCTIONS[name]
        there = MAX_INSTANCE + 1 - function.lowest_instance
        yield _Spare(f"function.{name}.spare_instances", function.title, "instances", len(own), there)


def _answer(one: _Spare) -> Answer:
    assert one.used is not None
    assert one.there is not None
    unit = f" {one.unit}" if one.unit else ""
    return Answer(
        key=one.key, check=Check.SPARE, subject=one.subject, question=f"How much is left of its {one.what}?",
        rule=SPARE_RULE, value=one.left, unit=one.unit,
        formula=(
            f"{one.origin}{figure(one.there)}{unit}; - {figure(one.used)} = {figure(one.there - one.used)}{unit}"
            if one.origin else f"{figure(one.there)} - {figure(one.used)} = {figure(one.there - one.used)}{unit}"
        ),
        unproven=one.unproven,
    )  # fmt: skip


def _table(spares: list[_Spare]) -> PlanTable:
    rows = tuple(
        (
            one.subject,
            f"{one.what} {one.unit}".strip(),
            "" if one.used is None else figure(one.used),
            "" if one.there is None else figure(one.there),
            "" if one.left is None else figure(one.left),
        )
        for one in spares
    )
    note = "an empty cell: the rig does not give it; a fuse counts by its margin"
    return PlanTable("spare", "What is left", ("where", "what", "used", "there is", "left"), rows, note)
