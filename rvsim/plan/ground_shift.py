"""The shift between the grounds of two nodes: the currents that return through wires that they do not share.

Knows: which currents return through which ground, and how they lift it. Does not know what a device draws (`demand`
does).

Two grounds shift most while every load that lifts the one more than the other is on, one of them starting, and the
others are off.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import permutations
from typing import Any, NamedTuple

from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, unchecked
from rvsim.rig.demand import RigDemand, device_demand, output_demand
from rvsim.rig.electric import WirePlan
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import LOAD_CENTRE
from rvsim.watch.flag import Severity

FAULT_VOLTS = 2.5
"""What the levels of a transceiver allow: -2 to +7 V at the receiver, less 0.5 and 4.5 V (five data sheets)."""
COPPER_PER_K = 0.00393
"""Change of the resistance of copper for each kelvin, of that at 20 C (a power engineering handbook's table)."""
LEVELS = Rule(
    "levels of ISO 11898-2: -2 to +7 V at a receiver less the driven 0.5 to 4.5 V leave 2.5 V (ground_shift_volts of "
    "[rules])",
    "read as an excerpt",
    "with the typical levels of 1.5 and 3.5 V it would be 3.5 V; 2 V keep 0.5 V in hand",
)
_QUESTION = "How far can the grounds of two nodes shift?"
_UNPROVEN = "it does not prove the bolts and crimps of the grounds: measure the volts between two grounds under load"
_SHOWN = 3


class _Load(NamedTuple):
    """A load that returns through a ground: its current, and how much more flows at its start, in amperes."""

    name: str
    ground: str
    amps: float
    start_amps: float


class _Share(NamedTuple):
    """What one load adds to a shift, in volts, running and at its start."""

    load: _Load
    ohm: float
    volts: float
    start_volts: float


def check_grounds(rig: Rig) -> Section:
    """Check the shift between any two nodes."""
    one = _GroundCheck(rig)
    return Section(Check.HARNESS, (one.answer(),), tuple(one.tables()))


@dataclass(frozen=True)
class _GroundCheck:
    """The answer about the grounds of a rig."""

    rig: Rig

    def answer(self) -> Answer:
        """Return it."""
        if not self.rig.grounds:
            return self._unchecked(["any ground"])
        names = list(dict.fromkeys(self._ground_by_node.values()))
        missing = list(self._missing)
        limit = self.rig.rules.ground_shift_volts
        worst, pair = 0.0, ("", "")
        for first, second in permutations(names, 2):
            volts = self._pair_volts(first, second)
            if volts > worst:
                worst, pair = volts, (first, second)
        is_over = worst > limit + 1e-9
        if missing and not is_over:
            return self._unchecked(missing)
        more: dict[str, Any] = {
            "value": round(worst, 3), "unit": "V", "limit": f"at most {limit:g} V", "unproven": _UNPROVEN,
        }  # fmt: skip
        formula = "no current lifts the ground of one node above that of another"
        if worst > 0:
            shares = self._shares(*pair)
            formula = f"{pair[0]} above {pair[1]}: {self._summed(shares)} = {worst:.2f} V"
            if is_over:
                most = max(shares, key=lambda one: one.start_volts)
                nodes = [self._nodes_of(name) for name in pair]
                more |= {
                    "judgement": Judgement.FLAGGED,
                    "severity": Severity.FAULT if worst > FAULT_VOLTS else Severity.WARNING,
                    "text": f"the ground of {nodes[0]} can be {worst:.2f} V above that of {nodes[1]}; {most.load.name} "
                    f"moves it most, by {most.start_volts:.2f} V"
                    + (" (the rig leaves out currents; it can be more)" if missing else ""),
                    "advice": f"give {most.load.name} a ground wire of its own to the battery, or the ground {pair[0]} "
                    "a thicker wire",
                }  # fmt: skip
        return Answer(
            key="harness.ground_shift", check=Check.HARNESS, subject="grounds", question=_QUESTION, formula=formula,
            rule=LEVELS, **more,
        )  # fmt: skip

    def tables(self) -> Iterator[PlanTable]:
        """Yield the grounds: their wires, what returns through them, and how far they are lifted."""
        rows = []
        for ground in self.rig.grounds:
            below = [one for one in self._loads if ground.name in self._ways[one.ground]]
            shares = [_Share(one, ohm, one.amps * ohm, (one.amps + one.start_amps) * ohm) for one in self._loads
                      if (ohm := self._common[ground.name, one.ground]) > 0]  # fmt: skip
            most = max(shares, key=lambda one: one.start_volts, default=None)
            rows.append((
                ground.name, ground.parent or "battery", f"{1000 * self._wire_ohm[ground.name]:.1f}",
                f"{sum(one.amps for one in below):.1f}", f"{self._volts(shares):.2f}",
                "" if most is None else most.load.name,
                ", ".join(node for node, name in self._ground_by_node.items() if name == ground.name),
            ))  # fmt: skip
        if rows:
            note = f"one way, copper at {self.rig.rules.conductor_c:g} C"
            note += "; a current that the rig leaves out is not counted" if self._missing else ""
            columns = (
                "ground",
                "returns into",
                "wire, mohm",
                "amperes",
                "volts above the battery",
                "moved by",
                "nodes",
            )
            yield PlanTable("grounds", "Grounds", columns, tuple(rows), note)

    def _unchecked(self, missing: Sequence[str]) -> Answer:
        return unchecked("harness.ground_shift", Check.HARNESS, "grounds", _QUESTION, LEVELS, missing)

    # Grounds.

    @cached_property
    def _ways(self) -> dict[str, tuple[str, ...]]:
        """The grounds on the way from each one to the battery, itself first."""
        parents = {ground.name: ground.parent for ground in self.rig.grounds}
        ways = {}
        for name in parents:
            way, at = [], parents.get(name)
            way.append(name)
            while at is not None:
                way.append(at)
                at = parents[at]
            ways[name] = tuple(way)
        return ways

    @cached_property
    def _wire_ohm(self) -> dict[str, float]:
        hot = 1 + COPPER_PER_K * (self.rig.rules.conductor_c - 20)
        return {ground.name: _one_way_ohm(ground.wire, hot) for ground in self.rig.grounds}

    @cached_property
    def _common(self) -> dict[tuple[str, str], float]:
        """The resistance that the ways of two grounds to the battery have in common."""
        return {
            (first, second): sum(self._wire_ohm[name] for name in way if name in other)
            for first, way in self._ways.items()
            for second, other in self._ways.items()
        }

    # Currents.

    @cached_property
    def _ground_by_node(self) -> dict[str, str]:
        """The ground of each node that has one: its own, or that of the module that it is."""
        of_modules = {module.device: module.ground for module in self.rig.modules if module.ground is not None}
        found = {device.name: device.ground or of_modules.get(device.name) for device in self.rig.devices}
        return {node: ground for node, ground in found.items() if ground is not None}

    @cached_property
    def _found(self) -> tuple[tuple[_Load, ...], tuple[str, ...]]:
        demand, loads, missing = RigDemand(self.rig), [], []
        ground_by_module = {
            module.name: module.ground or self._ground_by_node.get(module.device or "") for module in self.rig.modules
        }
        modules = {module.device for module in self.rig.modules}
        for device in self.rig.devices:
            ground = self._ground_by_node.get(device.name)
            if ground is None:
                missing.append(f"ground of device {device.name}")
            elif device.kind != LOAD_CENTRE and device.name not in modules:  # its outputs are counted below
                own = device_demand(device)
                missing += own.missing
                amps = own.amps or 0.0
                loads.append(_Load(device.name, ground, amps, max((own.peak_amps or 0.0) - amps, 0.0)))
        for output in self.rig.outputs:
            ground = ground_by_module[output.module]
            if ground is None:
                key = f"ground of module {output.module}"
                missing += [key] if key not in missing else []
                continue
            own = output_demand(output)
            missing += own.missing
            amps = (own.amps or 0.0) * demand.share(output)
            loads.append(_Load(output.name, ground, amps, max((own.peak_amps or 0.0) - amps, 0.0)))
        return tuple(loads), tuple(missing)

    @property
    def _loads(self) -> tuple[_Load, ...]:
        return self._found[0]

    @property
    def _missing(self) -> tuple[str, ...]:
        return self._found[1]

    # Shifts.

    @cached_property
    def _by_ground(self) -> dict[str, tuple[float, float]]:
        """The current that returns into each ground directly, and how much more the highest start there takes."""
        found: dict[str, tuple[float, float]] = {}
        for load in self._loads:
            amps, start = found.get(load.ground, (0.0, 0.0))
            found[load.ground] = (amps + load.amps, max(start, load.start_amps))
        return found

    def _pair_volts(self, first: str, second: str) -> float:
        """Return how far a ground can be above another one."""
        running, start = 0.0, 0.0
        for name, (amps, more) in self._by_ground.items():
            ohm = self._common[first, name] - self._common[second, name]
            if ohm > 0:
                running += amps * ohm
                start = max(start, more * ohm)
        return running + start

    def _shares(self, first: str, second: str) -> list[_Share]:
        """Return what each load lifts a ground above another one, for those that do."""
        ohms = {name: self._common[first, name] - self._common[second, name] for name in self._by_ground}
        return [
            _Share(load, ohms[load.ground], load.amps * ohms[load.ground],
                   (load.amps + load.start_amps) * ohms[load.ground])
            for load in self._loads
            if ohms[load.ground] > 0
        ]  # fmt: skip

    @staticmethod
    def _volts(shares: Sequence[_Share]) -> float:
        start = max((one.start_volts - one.volts for one in shares), default=0.0)
        return sum(one.volts for one in shares) + start

    def _summed(self, shares: Sequence[_Share]) -> str:
        starting = max(shares, key=lambda one: one.start_volts - one.volts)
        order = sorted(shares, key=lambda one: -(one.start_volts if one is starting else one.volts))
        words = []
        for one in order[:_SHOWN]:
            amps = one.load.amps + (one.load.start_amps if one is starting else 0.0)
            words.append(f"{one.load.name} {amps:.1f} A x {1000 * one.ohm:.1f} mohm")
        rest = order[_SHOWN:]
        if rest:
            words.append(
                f"{len(rest)} more {sum(one.start_volts if one is starting else one.volts for one in rest):.2f} V"
            )
        return " + ".join(words)

    def _nodes_of(self, ground: str) -> str:
        nodes = [node for node, name in self._ground_by_node.items() if name == ground]
        return nodes[0] if len(nodes) == 1 else f"{nodes[0]} and {len(nodes) - 1} more"


def _one_way_ohm(wire: WirePlan | None, hot: float) -> float:
    """Return the resistance of one way of a wire; as given where the rig gives the resistance itself."""
    if wire is None:
        return 0.0
    return wire.ohm if wire.milliohm is not None else wire.ohm / 2 * hot
