"""What a load takes at its start, what its wire leaves of that, and whether an output trips by it.

Knows: the starts by kind of load, with their origins, and the two trip curves that a rig can choose. Does not know
which output is judged by them (`currents` does).

A start by its kind counts with its first current for one time constant of its run-up: the square of a current that
decays so is about 0.6 of it, so this is on the careful side (our decision). A start that the rig gives counts as given.
"""

from collections.abc import Sequence
from math import log
from typing import NamedTuple

from rvsim.plan.answer import Rule
from rvsim.rig.rules_plan import RulesPlan
from rvsim.rig.switching import OutputPlan
from rvsim.wire.frame import SECOND_US
from rvsim.world.loads import LOAD_KINDS

START_RULE = Rule(
    "start currents by kind of load: a filament lamp 12 times, an LED with a driver 40 times, a motor 6 times",
    "lamp makers' pages and a relay maker's answers, read as excerpts",
    "lamps 10 to 15 times, motors 3 to 10 times by size, LED drivers 40 to 100 times and a bare LED strip none: the "
    "maker's own figure, as peak_amps and peak, wins",
)
I2T_RULE = Rule(
    "I2t of first order, t = -tau ln(1 - I0^2/I^2)",
    "common practice, no source; a high-side switch's data sheet sets the current that never trips and the integral",
    "144 A2 for 20 s is one setting of such an output, so tau is 10 to 20 s: a factor of 2 in time",
)
STEPS_RULE = Rule("the trip steps of the rig's own [rules]", "our decision: the figures are the rig's")


MAX_NAMED = 6
"""How many missing keys an answer names. Our choice."""


class Start(NamedTuple):
    """The start of a load: its first current in amperes, how long it counts, and how both were found.

    ``amps`` is None where the rig gives too little; ``missing`` then names the keys. A load without a start has its
    running current for no time.
    """

    amps: float | None
    lasting_s: float = 0.0
    formula: str = ""
    is_given: bool = True
    missing: tuple[str, ...] = ()


def figure(value: float) -> str:
    """Return a figure with as many digits as tell it from its limit."""
    return f"{round(value, 3):g}"


def few(missing: Sequence[str]) -> Sequence[str]:
    """Return the keys that are missing, the first ones by name and the others by their number."""
    return missing if len(missing) <= MAX_NAMED else [*missing[: MAX_NAMED - 1], f"{len(missing) - MAX_NAMED + 1} more"]


def seconds_text(seconds: float) -> str:
    """Return a time for people."""
    return f"{round(seconds * 1000, 2):g} ms" if seconds < 1 else f"{round(seconds, 2):g} s"


def output_start(output: OutputPlan, volts: float) -> Start:
    """Return the start of what hangs on an output, as its wire leaves it at these volts."""
    kind = None if output.load is None else LOAD_KINDS[output.load]
    if output.peak_amps is not None:
        lasting = output.peak if output.peak is not None else None if kind is None else kind.rise_us
        if lasting is None or (lasting == 1 and output.peak is None):
            return Start(None, missing=(f"peak of output {output.name}",))
        return _behind_wire(output, output.peak_amps, lasting / SECOND_US, f"{figure(output.peak_amps)} A", volts)
    if kind is None or output.load == "socket":  # what is plugged in is not known
        return Start(None, missing=(f"peak_amps of output {output.name}",))
    if output.amps is None:
        return Start(None, missing=(f"amps of output {output.name}",))
    if kind.peak_share <= 1:
        return Start(output.amps, 0.0, f"a {output.load} starts with its running current of {figure(output.amps)} A")
    amps = kind.peak_share * output.amps
    text = f"{kind.peak_share:g} x {figure(output.amps)} A ({output.load}) = {figure(amps)} A"
    return _behind_wire(output, amps, kind.rise_us / SECOND_US, text, volts)._replace(is_given=False)


def _behind_wire(output: OutputPlan, amps: float, lasting_s: float, text: str, volts: float) -> Start:
    """Return a start as a wire leaves it: V / (V / I + R)."""
    if output.wire is not None and amps > 0:
        ohm = output.wire.ohm
        left = volts / (volts / amps + ohm)
        text += (
            f"; behind its wire {figure(volts)} V / ({volts / amps * 1000:.4g} mohm + {ohm * 1000:.4g} mohm) = "
            f"{figure(left)} A"
        )
        amps = left
    return Start(amps, lasting_s, f"{text} for {seconds_text(lasting_s)}")


def trip_s(amps: float, limit_amps: float, rules: RulesPlan, before_amps: float = 0.0) -> float | None:
    """Return after how many seconds a current trips an output with this limit; None: never.

    Args:
        amps: the current.
        limit_amps: the current that never trips.
        rules: the rules of the rig.
        before_amps: what flowed for long before, at most the limit.
    """
    if amps <= limit_amps:
        return None
    if limit_amps <= 0:
        return 0.0
    if rules.trip == "I2t":
        return rules.trip_s * log((amps**2 - before_amps**2) / (amps**2 - limit_amps**2))
    reached = [seconds for multiple, seconds in rules.trip if amps / limit_amps >= multiple]
    return min(reached, default=None)


def trip_rule(rules: RulesPlan) -> Rule:
    """Return the rule by which outputs of a rig trip."""
    return I2T_RULE if rules.trip == "I2t" else STEPS_RULE


def trip_text(amps: float, limit_amps: float, rules: RulesPlan, before_amps: float = 0.0) -> str:
    """Return the computation of a trip with its figures."""
    seconds = trip_s(amps, limit_amps, rules, before_amps)
    if limit_amps <= 0:
        return f"{figure(amps)} A on a limit of 0 A: trips at once" if seconds is not None else "0 A: never trips"
    if seconds is None:
        what = "at most the limit" if amps <= limit_amps else "below the first step"
        return f"{figure(amps)} A is {what} of {figure(limit_amps)} A: never trips"
    if rules.trip != "I2t":
        return (
            f"{figure(amps)} A = {amps / limit_amps:.3g} x {figure(limit_amps)} A: trips after {seconds_text(seconds)}"
        )
    above = f"{figure(amps)}^2" + (f" - {figure(before_amps)}^2" if before_amps else "")
    return (
        f"trips after {rules.trip_s:g} s x ln(({above}) / ({figure(amps)}^2 - {figure(limit_amps)}^2)) = "
        f"{seconds_text(seconds)}"
    )
