"""Verdicts as text, JSON and JUnit XML."""

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.shakedown.verdict import Outcome, Verdict, as_json, as_junit, as_text, from_json

BROKEN = Outcome(
    "no flag is raised", False, "bus-busy of bus: 47 %", 21.5, "heat 20 % at 3.000 s", ("20.1 s  A", "20.2 s  B"), "bus"
)


def verdict(*outcomes, **more):
    """A verdict."""
    return Verdict("cold_start", "Cold start", 3, more.pop("values", {}), 60.0, 859, outcomes, **more)


MET = Outcome("the heater is heard", True)


def test_passed_or_not():
    """All have to be met, and no error."""
    assert verdict(MET).passed
    assert not verdict(MET, BROKEN).passed
    assert not verdict(MET, error="the heater stopped").passed
    assert verdict(MET, BROKEN).failed == (BROKEN,)


def test_in_words():
    """What is not met with its evidence; the rest only if asked for."""
    told = list(as_text(verdict(MET, BROKEN, values={"weather.outdoor_c": -20}, recording="x.log")))
    assert told == [
        "cold_start, seed 3, weather.outdoor_c=-20: not passed, 1 of 2 expectations met in 60 s of simulated time",
        "  not met  no flag is raised",
        "           found: bus-busy of bus: 47 % (at 21.500 s)",
        "           nearest: heat 20 % at 3.000 s",
        "           before it: 20.1 s  A",
        "                      20.2 s  B",
        "           look at: bus",
        "  recorded: x.log",
    ]
    assert list(as_text(verdict(MET), every=True))[1] == "  met      the heater is heard"
    assert list(as_text(verdict(MET))) == [
        "cold_start, seed 3: passed, 1 of 1 expectations met in 60 s of simulated time"
    ]
    assert "  it broke" in list(as_text(verdict(error="it broke")))
    assert str(verdict(MET, BROKEN)).split("\n") == list(as_text(verdict(MET, BROKEN)))
    assert repr(verdict(MET)) == "<cold_start, seed 3: passed, 1 of 1 expectations met in 60 s of simulated time>"


def test_judged_early():
    """A verdict from before the scenario's end says so, and it comes back so from another process."""
    early = verdict(MET, planned=3600.0)
    assert next(as_text(early)).endswith("in 60 s of simulated time, judged early: the scenario lasts 3600 s")
    assert from_json(as_json(early)) == early


@pytest.mark.parametrize(
    ("seconds", "said"), [(0.4, "0.4"), (60.0, "60"), (90.25, "90.25"), (3600.0, "3600"), (2_000_000.0, "2000000")]
)
def test_how_long_a_run_lasted(seconds, said):
    """A part of a second is not rounded away."""
    assert list(as_text(Verdict("s", "t", 1, {}, seconds, 0, (MET,)))) == [
        f"s, seed 1: passed, 1 of 1 expectations met in {said} s of simulated time"
    ]


def test_as_a_json_line():
    """The contract: t, type, scenario, passed, expectations."""
    data = as_json(verdict(MET, BROKEN))
    assert (data["t"], data["type"], data["scenario"], data["passed"]) == (60.0, "verdict", "cold_start", False)
    assert [one["passed"] for one in data["expectations"]] == [True, False]
    assert data["expectations"][1]["at"] == 21.5


_TEXT = st.text(max_size=10)
_OUTCOMES = st.lists(
    st.builds(
        Outcome,
        _TEXT,
        st.booleans(),
        _TEXT,
        st.none() | st.floats(0, 1e6),
        _TEXT,
        st.lists(_TEXT, max_size=3).map(tuple),
        _TEXT,
    ),
    max_size=4,
).map(tuple)


@given(_OUTCOMES, _TEXT, st.dictionaries(_TEXT, st.integers() | _TEXT | st.booleans(), max_size=3))
def test_verdicts_come_back_from_other_processes(outcomes, error, values):
    """JSON and back is the same, and JUnit is well-formed whatever stands in it."""
    one = Verdict("s", "t", 1, values, 1.5, 3, outcomes, error)
    assert from_json(as_json(one)) == one
    assert ElementTree.fromstring(as_junit([one]).encode())


def test_as_junit():
    """A suite for a run, a case for an expectation, a failure with what was found, properties for seed and values."""
    root = ElementTree.fromstring(as_junit([verdict(MET, BROKEN, values={"a": 1}), verdict(error="it broke")]).encode())
    first, second = root.findall("testsuite")
    assert (first.get("tests"), first.get("failures"), first.get("errors")) == ("2", "1", "0")
    properties = {one.get("name"): one.get("value") for one in first.iter("property")}
    assert (properties["seed"], properties["a"], properties["frames"]) == ("3", "1", "859")
    met, broken = first.findall("testcase")
    assert met.find("failure") is None
    assert broken.find("failure").get("message") == "bus-busy of bus: 47 %"
    assert "before it: 20.1 s  A" in broken.find("failure").text
    assert second.find("testcase/error").get("message") == "it broke"
    assert (second.get("tests"), second.get("errors")) == ("1", "1")


def test_a_suite_has_as_many_cases_as_it_says():
    """With the one for a run that broke; readers of JUnit files hold the two against each other."""
    many = [verdict(MET, BROKEN), verdict(MET, error="it broke"), verdict(error="it broke"), verdict()]
    suites = ElementTree.fromstring(as_junit(many).encode()).findall("testsuite")
    assert [len(suite.findall("testcase")) for suite in suites] == [2, 2, 1, 0]
    assert [suite.get("tests") for suite in suites] == ["2", "2", "1", "0"]


def test_what_xml_cannot_hold_is_left_out():
    """Char in section 2.2 of XML 1.0: tab, line feed, 20 to D7FF, E000 to FFFD, and from 10000 on."""
    one = verdict(error="a\t\x00\x08\x1f \ud7ff\ud800\udfff\ue000\ufffd\ufffe\uffff\U00010000b")
    text = as_junit([one])
    said = ElementTree.fromstring(text.encode()).find("testsuite/testcase/error").get("message")
    assert said.replace("\t", " ") == "a  \ud7ff\ue000\ufffd\U00010000b"
    assert text.splitlines()[2].startswith("  <testsuite ")


WAITING = Outcome(
    "it stays warm", False, "it counts from 2400.000 s on, and the run was judged at 60.000 s", judged=False
)


def test_what_was_not_judged_makes_no_pass():
    """In words it is neither met nor not met; the tally counts it."""
    one = verdict(MET, WAITING, warnings=("t.toml, line 5, expect 1: it cannot fail",))
    assert not one.passed
    assert list(as_text(one)) == [
        "cold_start, seed 3: not passed, 1 of 2 expectations met, 1 not judged, in 60 s of simulated time",
        "  warning: t.toml, line 5, expect 1: it cannot fail",
        "  not judged  it stays warm",
        "           it counts from 2400.000 s on, and the run was judged at 60.000 s",
    ]
    data = as_json(one)
    assert [(one["passed"], one["judged"]) for one in data["expectations"]] == [(True, True), (False, False)]
    assert (data["passed"], data["warnings"]) == (False, ["t.toml, line 5, expect 1: it cannot fail"])
    assert from_json(data) == one


def test_verdicts_of_before_are_read():
    """Those without these fields were judged, and warned of nothing."""
    data = as_json(verdict(MET, BROKEN))
    del data["warnings"]
    for one in data["expectations"]:
        del one["judged"]
    assert from_json(data) == verdict(MET, BROKEN)


def test_what_was_not_judged_is_an_error_in_junit():
    """Not skipped, which readers of JUnit files take for good; warnings are properties."""
    root = ElementTree.fromstring(as_junit([verdict(MET, BROKEN, WAITING, warnings=("w",), error="x")]).encode())
    (suite,) = root.findall("testsuite")
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("4", "1", "2")
    assert suite.findall("testcase")[2].find("error").get("message") == f"not judged: {WAITING.found}"
    assert not list(suite.iter("skipped"))
    assert [one.get("value") for one in suite.iter("property") if one.get("name") == "warning"] == ["w"]


def test_a_time_is_told_once():
    """Where the words of what was found have it, it is not told again."""
    said = Outcome("e", False, "seen at 21.500 s: F", 21.5)
    assert list(as_text(verdict(said)))[2] == "           found: seen at 21.500 s: F"


def test_times_in_json_are_of_microseconds():
    """No more decimals than a run has."""
    assert as_json(Verdict("s", "t", 1, {}, 1.23456789, 0, ()))["t"] == 1.234568
