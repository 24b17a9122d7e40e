"""Check 3: switch ladders, whether each switch is told from the others, with worn contacts and with two pressed too.

Knows: the limits that a ladder is held against, and which values would do better. Does not know the arithmetic of a
ladder (`rig.ladder` has it), nor how parts are drawn (`ladder_draws`).
"""

from collections.abc import Iterator
from itertools import combinations
from typing import TYPE_CHECKING, Any

from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, path_name, unchecked
from rvsim.plan.ladder_draws import DRAWS, LadderDraws, draw_ladders
from rvsim.plan.ladder_values import best_values, listed_ohms, narrowest_margin, suggested_values
from rvsim.rig.inputs import InputPlan, LadderPlan
from rvsim.rig.ladder import E24, E96, MARGIN_COUNTS, OPEN, Ladder, most_equal_steps
from rvsim.rig.model import Rig
from rvsim.watch.flag import Severity

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

WETTING_MILLIAMPS = 10.0
"""The current that is often asked for contacts of silver (an encyclopedia page, read at second hand)."""
WORST_CASE = Rule(
    "ratiometric divider in the worst case: the switch's resistors one way, the pull-up the other, and 3 counts of the "
    "converter",
    "a forum's worked table, read as an excerpt; the 3 counts are our decision",
)
DRAWN = Rule(f"{DRAWS} ladders of parts drawn equally within their tolerance", "our decision")
AGED = Rule(
    "aged contact of a ladder (ladder_contact_ohm of [rules])",
    "our decision",
    "a new contact has 0.05 to 0.1 ohm by a chip maker's article; no source was read for an aged one",
)
ARITHMETIC = Rule("parallel resistances and thresholds half way", "arithmetic")
STEPS = Rule("equal steps, R = pull-up x v / (1 - v), preferred values of IEC 60063:2015", "read as an excerpt")
WETTING = Rule(
    "wetting current of 10 mA for contacts of silver",
    "read at second hand",
    "sources ask for 1 to 50 mA; chips that monitor switches give 7.5 to 40 mA",
)
_PARTS = "it does not prove the parts that are fitted: measure the counts of each switch"
_MOTION, _STARTED = frozenset({"motor"}), frozenset({"pump", "heater mat", "relay coil"})


def check_ladder(given: "PlanInput") -> Section:
    """Check every switch ladder of a rig."""
    answers: list[Answer] = []
    readings: list[tuple[str, ...]] = []
    values: list[tuple[str, ...]] = []
    pairs: list[tuple[str, ...]] = []
    for entry in given.rig.inputs:
        if entry.ladder is not None:
            one = _LadderCheck(
                given.rig, entry, entry.ladder, draw_ladders(entry.ladder.ladder, given.seed, entry.name)
            )
            answers += one.answers()
            readings += one.readings()
            values += one.values()
            pairs += ((entry.name, f"{a} and {b}", third) for a, b, third in one.thirds)
    return Section(Check.LADDER, tuple(answers), tuple(_tables(readings, values, pairs)))


def _tables(
    readings: list[tuple[str, ...]], values: list[tuple[str, ...]], pairs: list[tuple[str, ...]]
) -> Iterator[PlanTable]:
    if readings:
        yield PlanTable(
            "ladder_readings",
            "Expected readings of switch ladders",
            ("input", "switch", "ohm", "volts", "counts", "worst case, counts", "drawn, counts", "contact at, ohm",
             "to", "leak at, ohm"),
            tuple(readings),
            "ohm to ground with the input unplugged from its module; a contact or a leak of these ohms, with parts of "
            "nominal values, makes it read as another switch; volts where the rig gives supply_volts",
        )  # fmt: skip
        yield PlanTable(
            "ladder_values",
            "Values of switch ladders, fitted and suggested",
            ("input", "series", "resistors, ohm", "narrowest margin, counts"),
            tuple(values),
            "with the tolerance that the rig gives, whichever series",
        )
    if pairs:
        yield PlanTable(
            "ladder_pairs", "Two switches pressed together that read as a third", ("input", "pressed", "read as"),
            tuple(pairs),
        )  # fmt: skip


class _LadderCheck:
    """The answers about one ladder."""

    def __init__(self, rig: Rig, entry: InputPlan, plan: LadderPlan, drawn: LadderDraws) -> None:
        self._rig, self._entry, self._plan, self._drawn = rig, entry, plan, drawn
        self._ladder = plan.ladder
        self._key = f"input.{path_name(entry.name)}"
        self._subject = f"input {entry.name}"
        self.thirds = list(self._found_thirds())

    def answers(self) -> Iterator[Answer]:
        """Yield them."""
        yield self._margin()
        yield self._draws()
        yield self._contact()
        yield self._leak()
        yield self._together()
        yield self._room()
        yield self._wetting()

    def _answer(self, what: str, question: str, formula: str, rule: Rule, **more: Any) -> Answer:
        return Answer(
            key=f"{self._key}.{what}", check=Check.LADDER, subject=self._subject, question=question, formula=formula,
            rule=rule, **more,
        )  # fmt: skip

    # The questions.

    def _margin(self) -> Answer:
        ladder = self._ladder
        gap = min(ladder.gaps, key=lambda one: one.share)
        margin, upper = ladder.margin_counts(gap), gap.upper or "no switch"
        above = 1.0 if gap.upper is None else ladder.bands[gap.upper].low
        formula = (
            f"{upper} from {above * ladder.counts:.1f} - {gap.lower} up to "
            f"{ladder.bands[gap.lower].high * ladder.counts:.1f} - {MARGIN_COUNTS} counts = {margin:.1f} of "
            f"{ladder.counts} counts, parts of {ladder.tolerance * 100:g} %"
        )
        question = "Are its switches told apart in the worst case?"
        limit = "at least 0 counts are left"
        crossed = self._crossed()
        more: dict[str, Any] = {"value": round(margin, 1), "unit": "counts", "limit": limit, "unproven": _PARTS}
        if margin >= 0 and crossed is None:
            return self._answer("margin", question, formula, WORST_CASE, **more)
        if gap.share < 0:
            severity, text = (
                Severity.FAULT,
                f"{gap.lower} and {upper} overlap by {-gap.share * ladder.counts:.1f} counts",
            )
        elif margin < 0:
            severity = Severity.WARNING
            text = (
                f"{gap.lower} and {upper} are {gap.share * ladder.counts:.1f} counts apart, less than {MARGIN_COUNTS}"
            )
        else:
            severity, text = Severity.WARNING, crossed or ""
        return self._answer(
            "margin", question, formula, WORST_CASE, judgement=Judgement.FLAGGED, severity=severity, text=text,
            advice=self._advice(), **more,
        )  # fmt: skip

    def _crossed(self) -> str | None:
        """Return the switch whose band reaches over a threshold half way to a neighbour, in words."""
        if self._plan.between == "none":
            return None
        named = list(self._ladder.bands.items())
        for number, (name, band) in enumerate(named):
            above = named[number + 1][0] if number + 1 < len(named) else "no switch"
            if band.high >= self._ladder.thresholds[number]:
                return f"in the worst case {name} is read as {above}: its band reaches over the threshold half way"
            if number and band.low < self._ladder.thresholds[number - 1]:
                below = named[number - 1][0]
                return f"in the worst case {name} is read as {below}: its band reaches below the threshold half way"
        return None

    def _draws(self) -> Answer:
        drawn = self._drawn
        formula = (
            f"{drawn.misread_percent:.1f} % of {DRAWS} drawn ladders misread a switch; the narrowest room between "
            f"drawn bands is {drawn.gap_counts:.1f} counts"
        )
        question = "How many ladders of such parts misread a switch?"
        more: dict[str, Any] = {
            "value": round(drawn.misread_percent, 1), "unit": "%", "limit": "0 %", "unproven": _PARTS,
        }  # fmt: skip
        if drawn.misread_percent > 0:
            more |= {
                "judgement": Judgement.FLAGGED, "severity": Severity.NOTICE,
                "text": f"{drawn.misread_percent:.1f} of 100 such ladders misread a switch with parts within their "
                "tolerance", "advice": self._advice(),
            }  # fmt: skip
        return self._answer("drawn", question, formula, DRAWN, **more)

    def _contact(self) -> Answer:
        aged = self._rig.rules.ladder_contact_ohm
        flips = {name: self._flip(name) for name in self._ladder.bands}
        question = "From which resistance of a contact on is a switch misread?"
        known = {name: ohm for name, ohm in flips.items() if ohm > 0}  # the others are misread by their parts alone
        if not known:
            text = "every switch is misread by the tolerance of its parts alone, see the margin"
            return self._answer("contact", question, text, AGED)
        name = min(known, key=lambda one: known[one])
        becomes = self._becomes(name)
        formula = (
            f"{name} is read as {becomes} from {_ohm(known[name])} of its contact on, parts at the unfavourable end"
            if self._plan.between == "nearest"
            else f"{name} leaves its band at {_ohm(known[name])} of its contact, parts at their nominal values"
        )
        more: dict[str, Any] = {
            "value": _figure(known[name]), "unit": "ohm", "limit": f"above {aged:g} ohm",
            "unproven": "it does not prove the contacts: measure the ohms of each pressed switch",
        }  # fmt: skip
        if known[name] <= aged:
            more |= {
                "judgement": Judgement.FLAGGED,
                "text": f"a contact of {_ohm(known[name])} makes {name} be read as {becomes}; an aged one may reach "
                f"{aged:g} ohm",
                "advice": "use higher resistances with a higher pull-up, or switches with sealed or gold contacts"
                + ("; or read the nearest switch between two bands" if self._plan.between == "none" else ""),
            }
        return self._answer("contact", question, formula, AGED, **more)

    def _leak(self) -> Answer:
        named = list(self._ladder.bands)
        leaks = {name: ohm for name in named[1:] if (ohm := self._ladder.leak_ohm(name)) is not None}
        question = "From which leak to ground on is a switch misread?"
        open_limit = self._open_leak_ohm()
        name = max(leaks, key=lambda one: leaks[one], default=None)
        formula = f"with no switch pressed a leak of {_ohm(open_limit)} is read as {named[-1]}"
        value = open_limit
        if name is not None:
            formula += f"; beside {name} one of {_ohm(leaks[name])} makes it {named[named.index(name) - 1]}"
            value = max(open_limit, leaks[name])
        return self._answer(
            "leak", question, formula, ARITHMETIC, value=_figure(value), unit="ohm",
            limit="no limit: how wet a plug gets is not known", unproven="it does not prove that a plug stays dry",
        )  # fmt: skip

    def _together(self) -> Answer:
        listed = "; ".join(f"{a} and {b} read as {third}" for a, b, third in self.thirds[:3])
        more_pairs = f"; {len(self.thirds) - 3} more pairs" if len(self.thirds) > 3 else ""
        formula = (listed + more_pairs) if self.thirds else "no pair reads as a third switch"
        question = "Which two switches pressed together read as a third?"
        more: dict[str, Any] = {"value": float(len(self.thirds)), "unit": "pairs"}
        for loads, severity in ((_MOTION, Severity.WARNING), (_STARTED, Severity.NOTICE)):
            found = next((one for one in self.thirds if self._load_of(one[2]) in loads), None)
            if found is not None:
                a, b, third = found
                more |= {
                    "judgement": Judgement.FLAGGED, "severity": severity,
                    "text": f"{a} and {b} pressed together read as {third}, which switches a "
                    f"{self._load_of(third)} that nobody commanded",
                    "advice": f"give {third} an input of its own, or wire the ladder in series",
                }  # fmt: skip
                break
        return self._answer("together", question, formula, ARITHMETIC, **more)

    def _room(self) -> Answer:
        ladder, count = self._ladder, len(self._ladder.rungs)
        most = most_equal_steps(ladder.tolerance, ladder.adc_bits)
        formula = (
            f"equal steps with parts of {ladder.tolerance * 100:g} % and {ladder.counts} counts: {most} switches keep "
            f"{MARGIN_COUNTS} counts apart; it has {count}"
        )
        more: dict[str, Any] = {"value": float(most), "unit": "switches", "limit": f"at least {count}"}
        if count > most:
            more |= {
                "judgement": Judgement.FLAGGED, "severity": Severity.NOTICE,
                "text": f"{count} switches are more than the {most} that parts of {ladder.tolerance * 100:g} % allow",
                "advice": "use parts of a smaller tolerance, or two inputs",
            }  # fmt: skip
        return self._answer("room", "How many switches does this tolerance allow?", formula, STEPS, **more)

    def _wetting(self) -> Answer:
        question = "Does enough current keep its contacts clean?"
        volts, own = self._plan.supply_volts, self._plan.wetting_milliamps
        if volts is None:
            return unchecked(
                f"{self._key}.wetting", Check.LADDER, self._subject, question, WETTING,
                [f"supply_volts of the ladder of input {self._entry.name}"],
            )  # fmt: skip
        name, ohm = max(self._ladder.tap_ohm.items(), key=lambda item: item[1])
        milliamps = 1000 * volts / (self._ladder.pull_up_ohm + ohm)
        formula = f"{volts:g} V / ({self._ladder.pull_up_ohm:g} + {ohm:g} ohm) = {milliamps:.2f} mA through {name}"
        limit = WETTING_MILLIAMPS if own is None else own
        more: dict[str, Any] = {
            "value": round(milliamps, 2), "unit": "mA", "limit": f"at least {limit:g} mA",
            "unproven": "it does not prove what the contacts are made of",
        }  # fmt: skip
        rule = WETTING if own is None else Rule("the lowest current that the maker of the switches gives", "the rig")
        if milliamps < limit:
            more |= {
                "judgement": Judgement.FLAGGED, "severity": Severity.NOTICE if own is None else Severity.WARNING,
                "text": f"{milliamps:.2f} mA through {name} is less than the {limit:g} mA "
                + ("often asked for contacts of silver" if own is None else "that its maker gives"),
                "advice": "use switches with gold or sealed contacts and give their wetting_milliamps"
                if own is None
                else "use a lower pull-up, or switches for a lower current",
            }  # fmt: skip
        return self._answer("wetting", question, formula, rule, **more)

    # Their parts.

    def _flip(self, name: str) -> float:
        if self._plan.between == "none":
            return self._ladder.leaving_ohm(name)
        return self._ladder.least_flip_ohm(name)

    def _becomes(self, name: str) -> str:
        """Return what a switch is read as with a contact of high resistance."""
        names = list(self._ladder.bands)
        place = names.index(name) + 1
        return "no switch" if self._plan.between == "none" or place == len(names) else names[place]

    def _open_leak_ohm(self) -> float:
        threshold = self._ladder.thresholds[-1]
        if self._plan.between == "none":
            threshold = list(self._ladder.bands.values())[-1].high + MARGIN_COUNTS / self._ladder.counts
        return OPEN if threshold >= 1 else self._ladder.pull_up_ohm * threshold / (1 - threshold)

    def _found_thirds(self) -> Iterator[tuple[str, str, str]]:
        """Yield each pair that reads as a third switch, and that one."""
        ladder = self._ladder
        for a, b in combinations(ladder.rungs, 2):
            share = ladder.share_of(ladder.ohm({a: ladder.contact_ohm, b: ladder.contact_ohm}))
            third = ladder.nearest(share) if self._plan.between == "nearest" else ladder.within(share)
            if third is not None and third not in (a, b):
                yield a, b, third

    def _load_of(self, rung: str) -> str | None:
        """Return what hangs on the output that a switch switches by itself."""
        position = next(one for one in self._entry.positions if one.rung == rung)
        return next((output.load for output in self._rig.outputs if output.name == position.output), None)

    def _advice(self) -> str:
        other = "use parts of a smaller tolerance, or two inputs"
        best = best_values(self._ladder)
        if best is None or best[1] < 0:
            return other
        ohms = dict(zip(self._ladder.rungs, best[0], strict=True))
        listed = ", ".join(f"{name} {ohm:g}" for name, ohm in ohms.items())
        return f"fit for example {listed} ohm ({best[1]:.1f} counts are left), or {other}"

    # Tables.

    def readings(self) -> Iterator[tuple[str, ...]]:
        """Yield the row of each switch, lowest reading first, and that of none."""
        ladder, supply = self._ladder, self._plan.supply_volts
        for name, band in ladder.bands.items():
            drawn, leak = self._drawn.bands[name], ladder.leak_ohm(name)
            yield (
                self._entry.name, name, f"{ladder.tap_ohm[name]:g}",
                f"{band.nominal * supply:.2f}" if supply is not None else "",
                f"{ladder.reading(ladder.tap_ohm[name])}", _span(ladder, band.low, band.high),
                _span(ladder, drawn.low, drawn.high),
                _ohm_figure(self._ladder.leaving_ohm(name) if self._plan.between == "none" else ladder.flip_ohm(name)),
                self._becomes(name),
                "" if leak is None else _ohm_figure(leak),
            )  # fmt: skip
        volts = f"{supply:.2f}" if supply is not None else ""
        yield (self._entry.name, "none", "open", volts, f"{ladder.counts - 1}", f"{ladder.counts - 1}", "", "", "",
               _ohm_figure(self._open_leak_ohm()))  # fmt: skip

    def values(self) -> Iterator[tuple[str, ...]]:
        """Yield the fitted values, and those of each series with the widest margin that was found."""
        ladder = self._ladder
        yield (self._entry.name, "fitted", listed_ohms(tuple(ladder.rungs.values())), f"{narrowest_margin(ladder):.1f}")
        for title, series in (("E24", E24), ("E96", E96)):
            found = suggested_values(ladder, series)
            if found is not None:
                yield (self._entry.name, title, listed_ohms(found[0]), f"{found[1]:.1f}")


def _span(ladder: Ladder, low: float, high: float) -> str:
    first, last = (min(ladder.counts - 1, int(part * ladder.counts)) for part in (low, high))
    return f"{first} to {last}"


def _figure(ohm: float) -> float | None:
    return None if ohm == OPEN else round(ohm, 1)


def _ohm_figure(ohm: float) -> str:
    return "any" if ohm == OPEN else f"{ohm:.0f}"


def _ohm(ohm: float) -> str:
    return "any resistance" if ohm == OPEN else f"{ohm:.1f} ohm" if ohm < 100 else f"{ohm:.0f} ohm"
