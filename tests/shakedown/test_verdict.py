"""Verdicts as text, JSON and JUnit XML."""

from xml.etree import ElementTree

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
        "           found: bus-busy of bus: 47 %",
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
    assert next(as_text(early)).endswith("in 60 s of simulated time, judged early: it lasts 3600 s")
    assert from_json(as_json(early)) == early


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
