"""How long the pair may be, by six named rules, and how a chain of taps counts.

Knows: the limits of each rule at 250 kbit/s with where they are from, and the computations of a transceiver note. Does
not know any rig.
"""

from collections.abc import Mapping
from typing import NamedTuple

from rvsim.plan.answer import Rule
from rvsim.rig.rules_plan import HarnessRule

BIT_NS = 4000.0
"""A bit at 250 kbit/s."""
PROPAGATION_NS = BIT_NS * 11 / 16
"""The propagation segment that the stub table of a controller maker uses: 11 of 16 quanta (read as an excerpt)."""
LOOP_DELAY_NS = 255.0
"""The delay of two transceivers and their controllers (a controller maker's manual, read as an excerpt)."""
LEAST_LOAD_OHM = 45.0
"""The lowest load that a transceiver drives with full levels (ISO 11898-2 as in five data sheets)."""
DRIVEN_VOLTS, THRESHOLD_VOLTS, MARGIN_SHARE = 1.5, 1.0, 0.2
"""Of the length by ohms: they reproduce a published table (AN96116 (11); the margin was found by fitting)."""
RVC_DROP_M = 1.83
"""6 ft (rv-c.com/node/10)."""
_STUBS = (
    "a stub at 250 kbit/s may be 1 m (J1939-11), 1.83 m (RV-C), 3 m (J1939-15), 6 m (marine) or 11 m (CiA, AN96116)"
)
_TRUNKS = (
    "at 250 kbit/s 40 m (J1939), 160 m (40000 / kbit/s), 200 m (50 / Mbit/s), 224 m (AN96116 by time) or 250 m (CiA); "
    "rv-c.com/node/24 says more than 250 m with 20 AWG"
)
RVC = Rule("RV-C physical layer, rv-c.com/node/10 and /node/24", "read as an excerpt", _STUBS)
J1939_11 = Rule("SAE J1939-11, shielded pair", "read at second hand, the nodes from memory", _STUBS)
J1939_15 = Rule("SAE J1939-15, unshielded pair", "read at second hand, 3 m and 30 nodes from memory", _STUBS)
MARINE = Rule("marine networks at 250 kbit/s, as in several makers' manuals", "read at second hand", _STUBS)
CIA = Rule("CiA 303-1 guide values at 250 kbit/s", "read as an excerpt", _STUBS)
AN96116 = Rule("AN96116 equations (11) to (13) and 5.2, 11 of 16 quanta", "read as an excerpt", _STUBS)
CIA_TRUNK = Rule("CiA 303-1 guide values at 250 kbit/s", "read as an excerpt", _TRUNKS)
NODE_OHMS = Rule("AN96116 5.2, a load of at least 45 ohm", "read as an excerpt")
CHAINED = Rule(
    "chained taps and the drops on them count as one drop, by their cable in all",
    "our decision",
    "no source that was read counts chained taps; RV-C asks for one node a drop, and a tester maker allows 2.4 m at a "
    "tap with several ports",
)


class HarnessLimits(NamedTuple):
    """What a rule allows at 250 kbit/s; None where it says nothing. Lengths in metres."""

    rule: Rule
    drop_m: float
    drops_m: float | None = None
    """The drops in all."""
    trunk_m: float | None = None
    nodes: int | None = None


def harness_limits(name: HarnessRule, delay_ns_per_m: float) -> HarnessLimits:
    """Return the limits of a rule, for a pair with this delay."""
    if name == "AN96116":
        drop, drops = PROPAGATION_NS / (50 * delay_ns_per_m), PROPAGATION_NS / (10 * delay_ns_per_m)
        return HarnessLimits(AN96116, drop, drops, trunk_by_time_m(delay_ns_per_m))
    return _LIMITS[name]


_LIMITS: Mapping[HarnessRule, HarnessLimits] = {
    "RV-C": HarnessLimits(RVC, RVC_DROP_M),
    "J1939-11": HarnessLimits(J1939_11, 1.0, None, 40.0, 30),
    "J1939-15": HarnessLimits(J1939_15, 3.0, None, 40.0, 30),
    "marine": HarnessLimits(MARINE, 6.0, 78.0, None, 50),
    "CiA": HarnessLimits(CIA, 11.0, 55.0, 250.0),
}
CIA_TRUNK_M = 250.0
"""The trunk where a rule names no length."""


def trunk_by_time_m(delay_ns_per_m: float, propagation_ns: float = PROPAGATION_NS) -> float:
    """Return the longest trunk in metres by the propagation segment: there and back, less the delay of the nodes."""
    return (propagation_ns / 2 - LOOP_DELAY_NS) / delay_ns_per_m


def trunk_by_ohms_m(loop_ohm_per_m: float, terminator_ohm: float, node_ohm: float, nodes: int) -> float:
    """Return the longest trunk in metres by its resistance (AN96116 (11))."""
    volts = DRIVEN_VOLTS / (THRESHOLD_VOLTS + MARGIN_SHARE * (DRIVEN_VOLTS - THRESHOLD_VOLTS)) - 1
    ohms = terminator_ohm * node_ohm / (node_ohm + (nodes - 1) * terminator_ohm)
    return volts * ohms / loop_ohm_per_m


def most_nodes(node_ohm: float, terminator_ohm: float) -> int:
    """Return how many nodes leave the load of the pair at 45 ohm or more (AN96116 5.2)."""
    return int(1 + node_ohm * (1 / LEAST_LOAD_OHM - 2 / terminator_ohm) + 1e-9)
