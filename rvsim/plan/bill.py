"""What to buy for a rig: cable, fuses, relays, suppressors, and the parts of the CAN pair, by generic names.

Knows: how much of each is in the plan. Does not know any product or price, nor terminals, lugs and ducts; nothing is
added for waste.
"""

from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from rvsim.plan.answer import Answer, Check, PlanTable, Rule, unchecked
from rvsim.plan.currents import INDUCTIVE
from rvsim.plan.starts import figure
from rvsim.rig.electric import WirePlan
from rvsim.rig.model import Rig
from rvsim.rig.switching import OutputPlan, RelayPlan

BILL_RULE = Rule("wires out and back, grounds one way, the pair by its pieces, as the rig gives them", "arithmetic")


class _Run(NamedTuple):
    """A piece of wire: its owner, the wire if the rig gives one, and how often its length is needed."""

    owner: str
    wire: WirePlan | None
    times: int


def bill_table(rig: Rig) -> PlanTable:
    """Return what to buy: the part, its size or class, and how much."""
    rows = [
        *_cable_rows(rig),
        *_pair_rows(rig),
        *_fuse_rows(rig),
        *_relay_rows(rig),
        *_suppressor_rows(rig),
    ]
    note = "nothing is added for waste, terminals and ducts; what the rig does not give is not in it"
    return PlanTable("bill", "What to buy", ("part", "size or class", "how much", "unit"), tuple(rows), note)


def bill_answers(rig: Rig) -> Iterator[Answer]:
    """Yield which lengths are missing in the list of what to buy."""
    question = "Is the list of what to buy whole?"
    for key, missing in (
        ("bill.wires", [f"size and length_m of wire of {one.owner}" for one in _runs(rig) if _is_open(one.wire)]),
        ("bill.pair", _open_pieces(rig)),
    ):
        if missing:
            listed = missing if len(missing) <= 3 else [*missing[:2], f"{len(missing) - 2} more lengths"]
            yield unchecked(key, Check.SPARE, "what to buy", question, BILL_RULE, listed)


def _is_open(wire: WirePlan | None) -> bool:
    return wire is None or wire.length_m is None


def _runs(rig: Rig) -> Iterator[_Run]:
    yield from (_Run(f"output {output.name}", output.wire, 2) for output in rig.outputs)
    yield from (_Run(f"branch {branch.name}", branch.wire, 2) for branch in rig.branches)
    yield from (_Run(f"ground {ground.name}", ground.wire, 1) for ground in rig.grounds)


def _cable_rows(rig: Rig) -> Iterator[tuple[str, ...]]:
    metres: dict[tuple[float, str], float] = {}
    for run in _runs(rig):
        wire = run.wire
        if wire is not None and wire.length_m is not None:
            text = f"{wire.awg} AWG" if wire.awg is not None else f"{wire.area_mm2:g} mm2"
            size = -round(wire.ohm / wire.length_m, 9), text
            metres[size] = metres.get(size, 0.0) + run.times * wire.length_m
    for (_, text), length in sorted(metres.items()):  # the thinnest first
        yield "wire, copper, single conductor", text, figure(length), "m"


# The CAN pair.


def _open_pieces(rig: Rig) -> list[str]:
    trunk = [tap for tap in rig.taps if tap.on is None][1:]
    found = [f"length_m of tap {tap.name}" for tap in rig.taps if tap.length_m is None and (tap.on or tap in trunk)]
    found += [f"length_m of drop to {drop.device}" for tap in rig.taps for drop in tap.drops if drop.length_m is None]
    return found


def _pair_rows(rig: Rig) -> Iterator[tuple[str, ...]]:
    kind = rig.harness.cable or "CAN pair"
    trunk = sum(tap.length_m or 0.0 for tap in rig.taps)
    drops = [drop for tap in rig.taps for drop in tap.drops]
    if trunk:
        yield "trunk cable", kind, figure(trunk), "m"
    if drops:
        yield "drop cable", kind, figure(sum(drop.length_m or 0.0 for drop in drops)), "m"
        yield "drop, with a plug for its device", kind, str(len(drops)), ""
    for ports, count in Counter(tap.ports for tap in rig.taps).items():
        yield "tap", "ports not given" if ports is None else f"{ports} port{'s' if ports > 1 else ''}", str(count), ""
    terminators = sum(tap.terminator for tap in rig.taps)
    if terminators:
        yield "terminator", f"{rig.harness.terminator_ohm:g} ohm", str(terminators), ""


# Fuses, relays, suppressors.


def _fuse_rows(rig: Rig) -> Iterator[tuple[str, ...]]:
    found = Counter(
        ("fuse" if branch.breaker is None else f"breaker, {branch.breaker}", branch.fuse_amps)
        for branch in rig.all_branches
        if branch.fuse_amps is not None
    )
    for (part, amps), count in sorted(found.items(), key=lambda item: (item[0][0], item[0][1] or 0.0)):
        yield part, f"{figure(amps or 0.0)} A", str(count), ""


def _relay_class(relay: RelayPlan, output: OutputPlan | None) -> str:
    parts: list[str] = [relay.contact]
    if relay.contact_amps is not None:
        parts.append(f"{figure(relay.contact_amps)} A resistive")
    for kind, amps in (("lamps", relay.lamp_amps), ("motors", relay.motor_amps)):
        if amps is not None:
            parts.append(f"{figure(amps)} A {kind}")
    if output is not None and output.load is not None:
        parts.append(f"for a {output.load}")
    return ", ".join(parts)


def _relay_rows(rig: Rig) -> Iterator[tuple[str, ...]]:
    by_relay = {output.relay: output for output in rig.outputs if output.relay is not None}
    for text, count in Counter(_relay_class(relay, by_relay.get(relay.name)) for relay in rig.relays).items():
        yield "relay", text, str(count), ""


def _suppressor_rows(rig: Rig) -> Iterator[tuple[str, ...]]:
    """Yield suppressors that the rig has, and those that are missing: a coil or an inductive load without one."""
    own: Counter[str] = Counter(
        f"for a coil: {relay.suppressor}" for relay in rig.relays if relay.suppressor is not None
    )
    own["for a coil: kind not given"] += sum(one.suppressor is None and one.suppressed is True for one in rig.relays)
    own["for a coil: missing"] += sum(one.suppressor is None and one.suppressed is False for one in rig.relays)
    inductive = [output for output in rig.outputs if output.load in INDUCTIVE]
    own["for a load: as the rig has it"] += sum(output.suppressed is True for output in inductive)
    own["for a load: missing"] += sum(output.suppressed is False for output in inductive)
    for text, count in own.items():
        if count:
            yield "suppressor", text, str(count), ""
