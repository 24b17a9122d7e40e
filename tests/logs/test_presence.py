"""The states of devices over the time of a log."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.presence import PresenceHistory, PresenceSpan, worst_states
from rvsim.logs.survey import SurveyedTime, survey
from rvsim.rig.load import load_rig
from rvsim.watch.transitions import Presence, PresenceChanged

PRESENT, LATE, SILENT = Presence.PRESENT, Presence.LATE, Presence.SILENT


def history(*changes):
    """Return the history of one device, which is called x."""
    found = PresenceHistory()
    for time, state in changes:
        found.observe(PresenceChanged(time, "x", 1, state))
    return found


def test_a_state_lasts_until_the_next_one():
    """The last one to the end; before the first one nothing is known, nor of a device that was never told of."""
    found = history((10, PRESENT), (30, LATE), (33, SILENT), (60, PRESENT))
    assert found.spans("x", 0, 100) == (
        PresenceSpan(PRESENT, 10, 30),
        PresenceSpan(LATE, 30, 33),
        PresenceSpan(SILENT, 33, 60),
        PresenceSpan(PRESENT, 60, 100),
    )
    assert found.spans("y", 0, 100) == ()


def test_a_part_of_the_time():
    """A state that began before the part is there from its start; one that ended before it, or begins after, is not."""
    found = history((0, PRESENT), (30, LATE), (33, SILENT), (60, PRESENT))
    assert found.spans("x", 31, 50) == (PresenceSpan(LATE, 31, 33), PresenceSpan(SILENT, 33, 50))
    assert found.spans("x", 33, 59) == (PresenceSpan(SILENT, 33, 59),)


def test_two_changes_at_one_moment():
    """The later one counts; the same state again goes on."""
    found = history((0, PRESENT), (30, LATE), (30, SILENT), (60, PRESENT), (70, PRESENT))
    assert found.spans("x", 0, 100) == (
        PresenceSpan(PRESENT, 0, 30),
        PresenceSpan(SILENT, 30, 60),
        PresenceSpan(PRESENT, 60, 100),
    )


def test_a_change_at_the_end_is_seen():
    """A log that ends when a device is found silent says so."""
    assert history((0, PRESENT), (100, SILENT)).spans("x", 0, 100)[-1] == PresenceSpan(SILENT, 100, 100)


def test_the_worst_state_of_a_column_is_shown():
    """However short it is; a column in which nothing is known is None."""
    found = history((20, PRESENT), (41, SILENT), (42, PRESENT))
    assert worst_states(found.spans("x", 0, 100), 0, 100, 10) == [None] * 2 + [PRESENT] * 2 + [SILENT] + [PRESENT] * 5
    assert worst_states((), 0, 0, 3) == [None] * 3
    at_the_end = history((0, PRESENT), (100, SILENT)).spans("x", 0, 100)
    assert worst_states(at_the_end, 0, 100, 4) == [PRESENT] * 3 + [SILENT]


@given(st.lists(st.tuples(st.integers(0, 1000), st.sampled_from(list(Presence)))), st.integers(0, 900))
def test_spans_have_no_holes(changes, start):
    """From the first known state on each moment has one, within the part."""
    ordered = sorted(changes, key=lambda change: change[0])
    spans = history(*ordered).spans("x", start, 1000)
    assert all(one.until == other.since and one.state is not other.state for one, other in pairwise(spans))
    if ordered and ordered[0][0] <= 1000:
        assert (spans[0].since, spans[-1].until) == (max(start, min(time for time, _ in ordered)), 1000)


def test_the_presence_of_a_log_is_that_of_the_watch(catalogue, record):
    """Every planned device, in the order of the rig; the heater is late, then silent, then back."""
    frames, _ = record("heater_goes_quiet", 90)
    rig = load_rig("ottersby")
    found = survey(frames, catalogue, rig)
    assert list(found.presence) == [device.name for device in rig.devices]
    assert [span.state for span in found.presence["heater"]] == [PRESENT, LATE, SILENT, PRESENT]
    assert {len(spans) for name, spans in found.presence.items() if name != "heater"} == {1}
    (silent,) = (flag for flag in found.flags if flag.kind == "silent-device")
    assert found.presence["heater"][2].since <= silent.since + 1_000_000
    assert found.presence["heater"][2].until == silent.until
    part = survey(frames, catalogue, rig, SurveyedTime(40_000_000, 50_000_000))
    assert part.presence["heater"] == (PresenceSpan(SILENT, 40_000_000, part.end),)
