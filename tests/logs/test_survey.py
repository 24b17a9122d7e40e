"""Logs surveyed: counts by hand, and the same flags as the live run of the same frames."""

from pathlib import Path

import pytest

from rvsim.logs.read import open_log
from rvsim.logs.survey import MessageCounts, SurveyedMessage, survey
from rvsim.rig.load import load_rig
from rvsim.wire.frame import SECOND_US, Frame

MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"


@pytest.fixture(scope="module")
def quiet(record):
    """The frames of the quiet heater, and the flags of the live run."""
    frames, watch = record("heater_goes_quiet")
    return frames, watch.all_flags


def test_a_log_raises_the_flags_of_the_live_run(catalogue, quiet):
    """Frame by frame out of a log the same transitions raise the same flags at the same times."""
    frames, flags = quiet
    assert survey(frames, catalogue, load_rig("ottersby")).flags == flags


def test_a_healthy_log_raises_none(catalogue, quiet):
    """The first fifteen seconds, before the heater goes quiet, raise nothing."""
    assert survey([f for f in quiet[0] if f.time < 15 * SECOND_US], catalogue, load_rig("ottersby")).flags == ()


def test_who_was_there(catalogue, quiet):
    """Eleven addresses with their NAMEs, planned names, and every planned device heard."""
    found = survey(quiet[0], catalogue, load_rig("ottersby"))
    assert len(found.sources) == 11
    assert all(source.name is not None for source in found.sources)
    assert found.absent == ()
    heater = next(source for source in found.sources if source.address == 0x5E)
    assert [one.device for one in heater.devices] == ["heater"]
    assert survey([], catalogue, load_rig("ottersby")).absent == tuple(d.name for d in load_rig("ottersby").devices)


def test_a_recorded_bus_counts_as_by_hand(catalogue):
    """Frames, seconds and sources of the vessel's log against a count of its lines; nobody silent, nothing late."""
    lines = MARINE.read_text().splitlines()
    times = [float(line[1:18]) for line in lines]
    with open_log(MARINE) as log:
        found = survey(log.frames(), catalogue)
    assert found.frames == len(lines)
    assert found.seconds == pytest.approx(times[-1] - times[0], abs=1e-5)
    assert {f"{source.address:02X}" for source in found.sources} == {
        line.split()[2].split("#")[0][6:8] for line in lines
    }
    assert {flag.kind for flag in found.flags} <= {"unknown-message", "bus-quiet"}
    # "a real marine bus of this size carried 2.7 %"; without stuff bits it is less
    assert found.use.average_percent == pytest.approx(2.7, abs=0.2)  # between 2.4 and 2.9 % by its frames' bounds
    battery = next(source for source in found.sources if source.address == 0xB0)
    assert battery.messages[SurveyedMessage(0x1F212, None, None)].count == sum("F212B0#" in line for line in lines)


def test_gaps_by_hand():
    """Five frames at 0, 1, 2, 5, 6 s: gaps 1, 1, 3, 1; the middle is 1 s and the worst 3 s; one frame has none."""
    heard = MessageCounts()
    for second in (0, 1, 2, 5, 6):
        heard.note(second * SECOND_US)
    assert (heard.count, heard.median, heard.worst) == (5, SECOND_US, 3 * SECOND_US)
    assert heard.mean == 1.5 * SECOND_US
    once = MessageCounts()
    once.note(5)
    assert (once.count, once.median, once.mean, once.worst) == (1, None, None, 0)


@pytest.mark.parametrize(
    ("times", "bursts"),
    [
        ((), False),
        ((5,), False),
        ((0, 10, 20, 30), False),
        ((0, 1, 2, 9), False),  # median 1, mean 3
        ((0, 1, 2, 10), True),  # median 1, mean 10/3
        ((0, 0, 0, 1), True),
        ((5, 5), False),
    ],
)
def test_what_comes_in_bursts(times, bursts):
    """The gap in the middle is more than three times shorter than the gap on average."""
    heard = MessageCounts()
    for time in times:
        heard.note(time)
    assert heard.in_bursts is bursts


def test_gaps_are_kept_in_bounds():
    """A long log keeps a bounded sample of gaps, and the median of a steady message stays exact."""
    heard = MessageCounts()
    for n in range(100_000):
        heard.note(n * 500)
    assert len(heard.gaps) <= 8192
    assert heard.median == 500


def test_an_empty_log(catalogue):
    """No frame, no load, nobody."""
    found = survey([], catalogue)
    assert (found.frames, found.seconds, found.use.average_percent, found.sources, found.flags) == (0, 0.0, 0.0, (), ())


def test_the_load_counts_every_stuff_bit(catalogue):
    """Ten frames in a second that hardware counted at 141 bits each: 0.564 % of it."""
    data = bytes.fromhex("01A00FA6603BD140")
    found = survey([Frame(n * SECOND_US // 10, 0x18EBFF00, data) for n in range(11)], catalogue)
    assert found.use.worst_percent == pytest.approx(100 * 1410 / 250_000)
    assert found.use.worst.by_user == {0: 1410}
