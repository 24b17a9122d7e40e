"""Short circuits: whether a fuse interrupts one, and whether one at the far end of a wire opens its fuse.

Knows: both questions, with the battery and the wires in series. Does not know the figures of fuses and batteries
(`fuse_tables`), nor whether a fuse fits its wire and its load (`fuses`).

The highest current, which a fuse has to interrupt, is that of a full battery with cold wires; the lowest, at the far
end, that of the worst hour with warm wires.
"""

from dataclasses import replace
from math import inf, isinf

from rvsim.plan.answer import Answer, Check, Judgement, Rule, unchecked
from rvsim.plan.fuse_tables import (
    BLOWN_AT_ONCE,
    INTERRUPTING_RULE,
    form_that_interrupts,
    fuse_below,
    source_of,
    to_interrupt,
)
from rvsim.plan.supply_chain import Chain
from rvsim.rig.rules_plan import RulesPlan
from rvsim.watch.flag import Severity
from rvsim.world.fuse import BREAKER, FUSE, opening_s

REACH_RULE = Rule(
    f"a short circuit at the far end of a wire takes at least {BLOWN_AT_ONCE:g} times its fuse",
    "our decision; common practice, no source",
    "at 200 % a blade fuse opens within 5 s, a glass fuse to UL 248-14 within 2 min",
)
_SAME = 1e-9
"""A figure that differs from its limit by less is equal to it but for rounding."""


def interrupting_answer(chain: Chain) -> Answer:
    """Return whether the fuse of the last part can interrupt a short circuit behind it."""
    link = chain.links[-1]
    key, question = f"{link.key}.fuse_interrupting", "Can its fuse interrupt a short circuit?"
    missing = list(chain.missing)
    needed = None
    if chain.battery is not None:
        before = chain.links[:-1]
        ohm = sum(one.wire.ohm for one in before if one.wire is not None)
        needed = to_interrupt(chain.battery, ohm, is_main=not before)
        missing += needed.missing
    if link.interrupting_amps is None:
        missing.append(f"interrupting_amps of {link.what}")
    if missing or needed is None or needed.amps is None or link.interrupting_amps is None:
        return unchecked(key, Check.FUSES, link.what, question, INTERRUPTING_RULE, missing)
    answer = Answer(
        key=key, check=Check.FUSES, subject=link.what, question=question, rule=INTERRUPTING_RULE,
        formula=f"{needed.formula} against {link.interrupting_amps:g} A", value=link.interrupting_amps, unit="A",
        limit=f"at least {needed.amps:.5g} A",
        unproven="does not prove what further sources (chargers, a second battery) add",
    )  # fmt: skip
    if link.interrupting_amps >= needed.amps - _SAME:
        return answer
    return replace(
        answer, judgement=Judgement.FLAGGED, severity=Severity.FAULT,
        text=f"a short circuit takes {needed.amps:.5g} A, and its {link.protection} interrupts "
        f"{link.interrupting_amps:g} A",
        advice=f"use {form_that_interrupts(needed.amps)}, or put such a one before it",
    )  # fmt: skip


def reach_answer(chain: Chain, rules: RulesPlan) -> Answer:
    """Return whether a short circuit at the far end of the last wire opens the fuse that protects it."""
    link, fused = chain.links[-1], chain.fuse
    assert fused is not None
    assert fused.fuse_amps is not None
    key, question = f"{link.key}.fuse_reach", "Does a short circuit at the far end of its wire open the fuse?"
    source = None if chain.battery is None else source_of(chain.battery)
    ohms = [one.ohm for one in chain.links if one.ohm is not None]
    missing = [*chain.missing, *(f"wire of {one.what}" for one in chain.links if one.ohm is None)]
    if chain.battery is not None and source is None:
        missing.append(f"short_circuit_amps or internal_milliohm of battery {chain.battery.name}")
    total = sum(ohms) + (0.0 if source is None else source.ohm)
    volts = rules.source_volts
    amps = volts / total if total else inf
    share = amps / fused.fuse_amps
    is_short = share < BLOWN_AT_ONCE - _SAME
    if missing and not is_short:
        return unchecked(key, Check.FUSES, link.what, question, REACH_RULE, missing)
    parts = " + ".join(f"{1000 * ohm:.4g}" for ohm in (*(() if source is None else (source.ohm,)), *ohms))
    opens = opening_s(share, FUSE if fused.breaker is None else BREAKER)
    after = "never" if isinf(opens) else f"within {opens:.3g} s"
    formula = f"{volts:g} V / ({parts} mohm) = {amps:.4g} A = {share:.3g} x {fused.fuse_amps:g} A: opens {after}"
    answer = Answer(
        key=key, check=Check.FUSES, subject=link.what, question=question, rule=REACH_RULE,
        formula=formula if source is None else f"{formula}; {source.text}", value=share,
        limit=f"at least {BLOWN_AT_ONCE:g} times the fuse",
        unproven="does not prove it for a short circuit through a bad contact, which takes less",
    )  # fmt: skip
    if not is_short:
        return answer
    largest = fuse_below(amps / BLOWN_AT_ONCE)
    own = "a fuse of its own of" if fused is not link else "a fuse of"
    smaller = "" if largest is None else f"use {own} at most {largest:g} A, or "
    return replace(
        answer, judgement=Judgement.FLAGGED, advice=f"{smaller}use a thicker or shorter wire",
        text=f"a short circuit at its far end takes {amps:.4g} A, only {share:.3g} times the {fused.protection}",
    )  # fmt: skip
