"""What a person with a meter reads on the pair, with the power off: as built, and with each usual mistake.

Knows: which states and which places are worth a reading, and what the bus shows in each state. Does not know how the
ohms are computed (`harness_ohms` does).
"""

from collections.abc import Iterator
from math import inf

from rvsim.plan.answer import PlanTable
from rvsim.plan.harness_ohms import PairNetwork, Shunt, beside, missing_figures
from rvsim.rig.model import Rig

SIXTY_OHM = "60 ohm is right for two terminators. It does not prove the connectors, the ground or the supply."
NEEDED = 2
"""How many terminators a pair needs."""
MAX_LEFT_OUT = 4
"""So many terminators get a column of their own; a pair with more has other troubles. Our decision."""


def harness_readings(rig: Rig, network: PairNetwork) -> Iterator[PlanTable]:
    """Yield the tables of expected readings of a rig with taps, whose pair is this network."""
    missing = missing_figures(rig.harness, rig.taps)
    note = "ohm between H and L, everything else connected and the power off"
    if missing:
        note += "; the cable counts as no resistance, because the rig does not give " + ", ".join(missing[:3])
        note += f" and {len(missing) - 3} more" if len(missing) > 3 else ""
    left_out = network.terminators[:MAX_LEFT_OUT]
    without = [network.without(one) for one in left_out]
    yield PlanTable(
        "harness_ohms",
        "Expected ohms of the pair",
        ("measure at", "as built", *(f"without {_called(network, one)}" for one in left_out), "one more here"),
        tuple(
            (
                point, _ohm(network.readings[at]), *(_ohm(readings[at]) for readings in without),
                _ohm(beside(network.readings[at], rig.harness.terminator_ohm)),
            )
            for at, point in enumerate(network.points)
        ),
        note,
    )  # fmt: skip
    yield _shorted(rig, network, note)
    yield _opened(rig, network, note)
    yield _states(rig, network)


def _called(network: PairNetwork, shunt: Shunt) -> str:
    return f"device {shunt.device}" if shunt.device is not None else f"the terminator of {network.points[shunt.point]}"


def _shorted(rig: Rig, network: PairNetwork, note: str) -> PlanTable:
    trunk = [f"tap {tap.name}" for tap in rig.taps if tap.on is None]
    ends = [network.points.index(name) for name in dict.fromkeys((trunk[0], trunk[-1]))]
    rows = []
    for tap in rig.taps:
        own = network.points.index(f"tap {tap.name}")
        for drop in tap.drops:
            fault = network.points.index(f"plug of {drop.device}")
            readings = [_ohm(network.shorted(fault, at)) for at in (*ends, own)]
            rows.append((f"H and L touch in the plug of {drop.device}", *readings))
    columns = ("fault", *(f"at {network.points[at]}" for at in ends), "at its own tap")
    return PlanTable("harness_shorts", "Expected ohms with one drop shorted", columns, tuple(rows), note)


def _opened(rig: Rig, network: PairNetwork, note: str) -> PlanTable:
    trunk = [tap.name for tap in rig.taps if tap.on is None]
    rows = []
    for near, far, here, there in network.opened():
        name, above = network.points[far], network.points[near].removeprefix("tap ")
        tap = name.removeprefix("tap ")
        if name.startswith("plug of "):
            text = f"the drop from {above} to {name.removeprefix('plug of ')}"
        else:
            text = f"the trunk between {above} and {tap}" if tap in trunk else f"the cable from {above} to {tap}"
        rows.append((text, f"{_ohm(here)} at tap {above}", f"{_ohm(there)} at {name}"))
    columns = ("open", "on the side of the first tap", "on the other side")
    return PlanTable("harness_breaks", "Expected ohms with one cable open", columns, tuple(rows), note)


def _states(rig: Rig, network: PairNetwork) -> PlanTable:
    first = network.points.index(f"tap {next(tap.name for tap in rig.taps if tap.on is None)}")
    built, ohm = network.readings[first], rig.harness.terminator_ohm
    place = network.points[first]
    without = [network.without(one)[first] for one in network.terminators[:MAX_LEFT_OUT]]
    volts, count = rig.rules.source_volts, len(network.terminators)
    fewer = dict.fromkeys(map(_ohm, sorted((min(without), max(without)) if without else (built,))))
    wire = _wire_ohm(rig)
    rows = [
        (
            "as built",
            f"{_ohm(built)} ohm at {place}",
            "all devices are received" if count == NEEDED else "see the flags",
        ),
        (
            "one terminator fewer",
            f"{' to '.join(fewer)} ohm at {place}",
            "as it should be, with two"
            if count - 1 == NEEDED
            else "a short bus at 250 kbit/s often still works; now and then devices are lost",
        ),
        (
            "one terminator more",
            f"{_ohm(beside(built, ohm))} ohm at {place}",
            "as it should be, with two" if count + 1 == NEEDED else "works on the bench, may fail in a vehicle",
        ),
        ("H and L touch", "0 ohm at the fault, more with each metre away from it", "nothing is received"),
        (
            "H and L swapped at one drop",
            f"{_ohm(built)} ohm, as built",
            "that device is never received; error frames begin when it joins",
        ),
        ("a cable open", "see the ohms with one cable open", "the devices of the other side are silent"),
        *((("H to H, and L to L, along the trunk", wire, "not to be seen on the bus"),) if wire else ()),
        (
            "H or L to battery plus, or to minus",
            "high, thousands of ohms; with a short none",
            f"with a short no frame, or only errors; H at {volts:g} V burns {volts**2 / ohm:.2f} W in a terminator",
        ),
    ]  # fmt: skip
    return PlanTable(
        "harness_states",
        "What the meter and the bus show",
        ("state", "meter, power off", "bus"),
        tuple(rows),
        SIXTY_OHM,
    )


def _wire_ohm(rig: Rig) -> str:
    """Return the resistance of one wire from the first to the last tap of the trunk, in words; "" for one tap."""
    trunk = [tap for tap in rig.taps if tap.on is None]
    if len(trunk) == 1:
        return ""
    lengths = [tap.length_m for tap in trunk[1:]]
    per_m = rig.harness.loop_ohm_per_m
    if per_m is None or any(length is None for length in lengths):
        return "a few tenths of an ohm; the rig does not give the cable"
    total = sum(length or 0.0 for length in lengths)
    return f"{total * per_m / 2:.2f} ohm from {trunk[0].name} to {trunk[-1].name}"


def _ohm(ohm: float) -> str:
    if ohm == inf:
        return "open"
    return f"{ohm:.1f}" if ohm < 1000 else f"{ohm / 1000:.1f} k"
