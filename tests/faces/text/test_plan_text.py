"""A plan as text: the order of its parts, what is shown of each, and eighty columns."""

import json
from dataclasses import replace

import pytest

from rvsim.faces.text.plan_change_text import MAX_LISTED_CHANGES, change_text
from rvsim.faces.text.plan_json import change_json, plan_json
from rvsim.faces.text.plan_lines import plural
from rvsim.faces.text.plan_tables_text import MAX_SHOWN_ROWS
from rvsim.faces.text.plan_text import as_text, closeness, missing_lines, summary, value_text
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, told_apart, unchecked
from rvsim.plan.report import PlanReport
from rvsim.plan.what_if import compare_plans
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity

RULE = Rule("a rule, third edition", "read as an excerpt", "another one allows 5 % more")
RIG = load_rig("brackenlow")
GOOD = Answer(
    key="output.fan.drop", check=Check.CONDUCTORS, subject="fan", question="Is the drop low?", formula="1 V of 12 V",
    rule=RULE, value=8.25, unit="%", limit="at most 10 %", unproven="it does not prove the crimps",
)  # fmt: skip
BAD = replace(
    GOOD, key="output.lamp.drop", subject="lamp", value=12.5, judgement=Judgement.FLAGGED, severity=Severity.WARNING,
    text="the drop is 12.5 %", advice="take a wire of 4 mm2", formula="1.5 V of 12 V = 12.5 %",
)  # fmt: skip
WORSE = replace(BAD, key="branch.main.fuse", check=Check.FUSES, subject="main", severity=Severity.FAULT, text="large")
OPEN = unchecked(
    "output.mat.drop", Check.CONDUCTORS, "mat", "Is the drop low?", RULE, ["length_m of wire of output mat"]
)


def report(*answers, tables=(), cautions=(), accepted=()):
    """Return a report with these answers, by their checks."""
    checks = dict.fromkeys(answer.check for answer in answers)
    sections = [
        Section(check, tuple(answer for answer in answers if answer.check is check), tuple(tables), tuple(cautions))
        for check in checks
    ]
    return PlanReport(RIG.model_copy(update={"accepted": tuple(accepted)}), tuple(sections))


def test_what_is_wrong_comes_first():
    """The worst of it, each with figures, rule, remedy and key; then what is not checked, then answers."""
    lines = list(as_text(report(GOOD, BAD, OPEN, WORSE)))
    assert lines[:2] == [
        "brackenlow, Brackenlow 4, an invented van with a load centre: 1 fault,",
        "  1 warning; 1 answer good, 1 not checked.",
    ]
    start = lines.index("What is wrong")
    assert lines[start + 1].startswith("  [1] fault, rig-fuse: main")
    second = lines.index("  <2> warning, rig-conductor: lamp")
    assert lines[second + 1 : second + 7] == [
        "      The drop is 12.5 %.",
        "      Figures: 1.5 V of 12 V = 12.5 %",
        "      Rule: a rule, third edition (read as an excerpt)",
        "        Sources differ: another one allows 5 % more",
        "      Remedy: take a wire of 4 mm2",
        "      Key: output.lamp.drop",
    ]
    rest = lines.index("Not checked, because the rig does not give")
    assert lines[rest + 1 : rest + 3] == ["  conductors (1 answer)", "    length_m of wire of output mat"]
    answers = lines.index("Answers, of each check the good ones that are nearest to their limits")
    assert start < second < rest < answers
    assert lines[answers + 1 : answers + 3] == [
        "  conductors: 1 good, 1 flagged, 1 not checked",
        "    fan, 8.25 % (at most 10 %): Is the drop low?",
    ]


def test_every_answer_with_its_formula_rule_and_key():
    """Where that is asked for."""
    lines = list(as_text(report(GOOD, BAD, OPEN), every=True))
    place = lines.index("    fan, 8.25 % (at most 10 %): Is the drop low?")
    assert lines[place + 1 : place + 4] == [
        "      1 V of 12 V",
        "      rule: a rule, third edition (read as an excerpt)",
        "      key: output.fan.drop",
    ]
    assert "    lamp, 12.5 % (at most 10 %), flagged: Is the drop low?" in lines
    assert "    mat, not checked: Is the drop low?" in lines


def test_tables_cautions_and_what_is_not_proven_are_there_once():
    """At the end; with every answer also the rules and what other sources say."""
    table = PlanTable("outputs", "Outputs as built", ("output", "A"), (("fan", "3"),), "as the rig has it")
    answers = (GOOD, replace(GOOD, key="x"))
    empty = PlanTable("bill", "What to buy", ("part",), ())
    lines = list(as_text(report(*answers, tables=[table, empty], cautions=["open it without power"])))
    assert "What to buy" not in lines
    place = lines.index("Outputs as built")
    assert lines[place : place + 4] == ["Outputs as built", "  output  A", "  fan     3", "  as the rig has it"]
    assert lines.count("  - Open it without power.") == 1
    assert "  - The crimps." not in lines
    assert lines[-5:] == [
        "  - Open it without power.",
        "With --every: each answer with its formula, its rule, what it does not prove and",
        "  where sources differ, and all tables.",
        "",
        "brackenlow: nothing is wrong.",
    ]
    lines = list(as_text(report(*answers), every=True))
    assert lines.count("  - The crimps.") == 1
    assert lines[-4:] == [
        "  a rule, third edition (read as an excerpt)",
        "    Sources differ: another one allows 5 % more",
        "",
        "brackenlow: nothing is wrong.",
    ]


def test_the_result_is_told_again_at_the_end():
    """Whatever stands between; the open questions too."""
    assert list(as_text(report(GOOD, BAD, WORSE)))[-1] == "brackenlow: 1 fault, 1 warning; see the top."
    assert list(as_text(report(GOOD, OPEN)))[-1] == "brackenlow: nothing is wrong in what was checked."


def test_what_is_not_proven_is_told_of_what_is_wrong():
    """Each sentence once: what one says beyond another stands alone, and a caution is not told again."""
    texts = [
        "does not prove the crimps; a start takes less",
        "Wind. It does not prove an old battery.",
        "Wind.",
        "Stay.",
    ]
    answers = [replace(BAD, key=f"k{n}", unproven=text) for n, text in enumerate((BAD.unproven, *texts))]
    lines = list(as_text(report(GOOD, *answers, cautions=["Stay."])))
    place = lines.index("What the answers with something wrong do not prove")
    assert lines[place + 1 : place + 5] == [
        "  - The crimps.",
        "  - A start takes less.",
        "  - An old battery.",
        "  - Wind.",
    ]
    assert not lines[place + 5].startswith("  - ")


def test_long_tables_are_shown_by_name():
    """Those of many rows, and those that are looked up beside the work; all with every answer."""
    tables = [
        PlanTable("outputs", "Outputs as built", ("output",), (("fan",),) * MAX_SHOWN_ROWS),
        PlanTable("wires", "Wires as planned", ("part",), (("main",),) * (MAX_SHOWN_ROWS + 1)),
        PlanTable("spare", "What is left", ("where",), (("front",),)),
    ]
    lines = list(as_text(report(GOOD, tables=tables)))
    assert [title in lines for title in ("Outputs as built", "Wires as planned", "What is left")] == [
        True,
        False,
        False,
    ]
    place = lines.index("More tables, each with --table NAME")
    assert lines[place + 1 : place + 3] == ["  wires  Wires as planned (31 rows)", "  spare  What is left (1 row)"]
    lines = list(as_text(report(GOOD, tables=tables), every=True))
    assert "Wires as planned" in lines
    assert not any(line.startswith("More tables") for line in lines)
    assert list(as_text(report(BAD, tables=tables), only_tables=["spare"]))[1:] == [
        "  0 answers good.",
        "",
        "What is left",
        "  where",
        "  front",
    ]


def test_a_sound_plan_says_so():
    """And one without any answer is no longer than a line."""
    assert summary(report(GOOD)) == "nothing is wrong; 1 answer good."
    assert summary(report(GOOD, OPEN)) == "nothing is wrong in what was checked; 1 answer good, 1 not checked."
    assert "What is wrong" not in list(as_text(report(GOOD)))
    assert len(list(as_text(report()))) == 2


def test_what_the_rig_accepts_is_said_with_its_reason():
    """And not counted."""
    accepted = AcceptedPlan(flag="rig-conductor", answer="output.lamp.drop", reason="bright enough")
    lines = list(as_text(report(BAD, accepted=[accepted])))
    assert "nothing is wrong, 1 accepted by the rig; 0 answers good." in " ".join(lines[:2]).replace("   ", " ")
    place = lines.index("Accepted by the rig, and not counted")
    assert " ".join(lines[place + 1 : place + 3]).split() == (
        ["warning,", "rig-conductor:", "lamp:", "the", "drop", "is", "12.5", "%", "(reason:", "bright", "enough)"]
    )


def test_what_is_missing_is_grouped():
    """A line for each key, with the parts that lack it; many are counted."""
    answers = [
        unchecked(f"{n}", Check.CURRENTS, "x", "?", RULE, [f"amps of output o{n}", "limit_amps of module m"])
        for n in range(8)
    ]
    several = [unchecked(f"{n}", Check.CURRENTS, "x", "?", RULE, [f"wire of branch b{n}"]) for n in range(2)]
    assert list(missing_lines(several)) == ["wire of branches b0, b1"]
    assert [plural(word) for word in ("battery", "relay", "wires", "box")] == ["batteries", "relays", "wires", "boxes"]
    assert list(missing_lines(answers)) == [
        "amps of outputs o0, o1, o2, o3, o4, o5 and 2 more",
        "limit_amps of module m",
    ]
    assert list(
        missing_lines([replace(answers[0], missing=("taps",)), replace(answers[0], missing=(), text="no taps")])
    ) == [
        "taps",
        "no taps",
    ]


@pytest.mark.parametrize(
    ("value", "limit", "close"),
    [
        (8.0, "at most 10 %", 0.8),
        (5.0, "at least 4 A", 0.8),
        (60.0, "at most 150 Ah x 50 % x 95 % at 18 C = 75 Ah, from full", 0.8),
        (None, "at most 10 %", 0.0),
        (8.0, "", 0.0),
        (-1.0, "at most 5", 0),
    ],
)
def test_how_near_a_figure_is_to_its_limit(value, limit, close):
    """By the limit in words; what has none comes last."""
    assert closeness(replace(GOOD, value=value, limit=limit)) == pytest.approx(close)


def test_the_nearest_are_shown():
    """Three of a check; an answer without a limit is not near to one."""
    answers = [replace(GOOD, key=f"k{n}", subject=f"s{n}", value=float(n)) for n in range(1, 10)]
    lines = list(as_text(report(*answers)))
    assert [line.split(",")[0].strip() for line in lines if "Is the drop low?" in line] == ["s9", "s8", "s7"]
    assert "Is the drop low?" not in " ".join(as_text(report(replace(GOOD, limit=""))))
    assert "Is the drop low?" not in " ".join(as_text(report(replace(GOOD, check=Check.PROVIDERS))))


def test_a_figure_beside_its_limit_reads_otherwise():
    """With one more digit where that is needed; the same figure stays."""
    assert [told_apart(value, 10.0) for value in (10.02, 10.0, 12.3456, 10.0000000001)] == ["10.02", "10", "12.3", "10"]
    assert told_apart(11.4496, 11.45, 4) == "11.4496"


def test_figures_are_short():
    """Four digits, whole above ten thousand."""
    assert [value_text(replace(GOOD, value=value, unit="A")) for value in (1.23456, 12345.6, 0.0001234)] == [
        "1.235 A", "12346 A", "0.0001234 A",
    ]  # fmt: skip


def test_no_line_is_wider_than_eighty_columns_and_no_unit_stands_alone():
    """Whatever is in the texts."""
    long = replace(BAD, text="the drop of the wire " * 9, formula="2 x 4.0 m x 6.50 mOhm/m x 8.0 A = 0.416 V " * 4)
    table = PlanTable("t", "T", tuple(f"head {n}" for n in range(9)), (tuple(f"cell number {n}" for n in range(9)),))
    for every in (True, False):
        lines = list(as_text(report(GOOD, long, OPEN, tables=[table]), every=every))
        assert all(len(line) <= 80 for line in lines)
        assert not any(line.strip().split(" ")[0] in ("m", "A", "V", "mOhm/m", "%") for line in lines)
        assert not any("\u00a0" in line for line in lines)
    hyphens = replace(BAD, text="a high-side switch of the wire " * 9)
    assert not any(line.endswith("-") for line in as_text(report(hyphens)))


def test_the_plan_as_json():
    """Everything that the text has, and the key of each answer."""
    table = PlanTable("outputs", "Outputs as built", ("output", "A"), (("fan", "3"),))
    accepted = AcceptedPlan(flag="rig-conductor", answer="output.lamp.drop")
    found = json.loads(plan_json(report(GOOD, BAD, OPEN, WORSE, tables=[table], cautions=["c"], accepted=[accepted])))
    assert (found["schema"], found["rig"], found["good"]) == (1, "brackenlow", False)
    assert found["counts"] == {
        "fault": 1, "warning": 0, "notice": 0, "accepted": 1, "good": 1, "flagged": 2, "unchecked": 1,
    }  # fmt: skip
    (flag,) = found["flags"]
    assert flag == {
        "flag": 1, "kind": "rig-fuse", "subject": "main", "severity": "fault", "text": "large",
        "advice": "take a wire of 4 mm2", "answer": "branch.main.fuse",
        "evidence": ["1.5 V of 12 V = 12.5 %", "rule: a rule, third edition (read as an excerpt)"],
    }  # fmt: skip
    assert [(one["answer"], one["reason"]) for one in found["accepted"]] == [("output.lamp.drop", None)]
    assert found["answers"][0] == {
        "key": "output.fan.drop", "check": "conductors", "subject": "fan", "question": "Is the drop low?",
        "judgement": "good", "severity": None, "value": 8.25, "unit": "%", "limit": "at most 10 %",
        "formula": "1 V of 12 V",
        "rule": {
            "name": "a rule, third edition", "origin": "read as an excerpt",
            "disagreement": "another one allows 5 % more",
        },
        "text": "", "advice": "", "missing": [], "unproven": "it does not prove the crimps",
    }  # fmt: skip
    assert found["answers"][2]["missing"] == ["length_m of wire of output mat"]
    assert found["tables"][0] == {
        "name": "outputs", "title": "Outputs as built", "columns": ["output", "A"], "rows": [["fan", "3"]], "note": "",
    }  # fmt: skip
    assert found["cautions"] == ["c"]


def test_what_another_figure_changes():
    """The figures, before and after, flags that come and go, each answer that differs."""
    change = compare_plans(report(GOOD, BAD), report(replace(GOOD, value=9.0), WORSE))
    lines = list(change_text(change, {"output.fan.length_m": 9, "x.critical": True}, {"output.fan.length_m": 4.5}))
    assert lines[1:3] == ["  output.fan.length_m = 9 (was 4.5)", "  x.critical = true (was not given)"]
    assert "  before: 1 warning; 1 answer good." in lines
    assert "  after: 1 fault; 1 answer good." in lines
    assert lines[lines.index("Wrong after the change") + 1] == "  [1] fault, rig-fuse: main"
    assert lines[lines.index("No longer wrong") + 1] == "  warning, rig-conductor: lamp"
    place = lines.index("3 answers changed")
    assert lines[place + 1] == "  main, Is the drop low? (branch.main.fuse)"
    assert "    before: no such answer" in lines
    assert "    after:  9 % (at most 10 %), good; 1 V of 12 V" in lines
    found = json.loads(change_json(change, {"a": 1}))
    assert (found["good"], found["good_before"], found["figures"]) == (False, False, {"a": 1})
    assert [one["key"] for one in found["changed"]] == ["output.fan.drop", "branch.main.fuse", "output.lamp.drop"]
    assert found["changed"][2]["after"] is None
    assert [one["answer"] for one in (*found["flags_new"], *found["flags_gone"])] == [
        "branch.main.fuse",
        "output.lamp.drop",
    ]


def test_nothing_changes():
    """Is said."""
    lines = list(change_text(compare_plans(report(GOOD), report(GOOD)), {"a": 1}, {"a": 1}))
    assert lines[-1] == "Nothing changes: no answer of the plan depends on this."


def test_many_changes_are_counted():
    """Those that are judged otherwise are shown first."""
    before = [replace(GOOD, key=f"k{n}", subject=f"s{n}") for n in range(MAX_LISTED_CHANGES + 3)]
    after = [replace(one, value=9.0) for one in before]
    after[-1] = replace(after[-1], judgement=Judgement.FLAGGED)
    lines = list(change_text(compare_plans(report(*before), report(*after)), {}, {}))
    assert lines[-1] == "  and 3 more; --json has all of them"
    shown = [line for line in lines if line.endswith(")") and line.startswith("  s")]
    assert len(shown) == MAX_LISTED_CHANGES
    assert shown[0].startswith("  s22, ")
