"""A place reached over blocks in columns: the watch knows what it knows frame by frame."""

from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.devices.registry import settings_models
from rvsim.logs.read import open_log
from rvsim.logs.record import Recorder
from rvsim.rig.load import load_rig
from rvsim.runs import log_reader as module
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.log_reader import LogReader, LogRounds
from rvsim.runs.pipeline import Pipeline
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.watch.watch import Watch
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US
from rvsim.wire.line_events import ListeningResumed

MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"


@cache
def shared_catalogue():
    """Return the shipped definitions."""
    return load_catalogue()


@pytest.fixture(scope="session")
def log_of(tmp_path_factory):
    """Return the file of a log: of the vessel, or of a scenario with a gap of the listening."""
    made = {"marine": MARINE}

    def find(name):
        if name not in made:
            path = made[name] = tmp_path_factory.mktemp("logs") / f"{name}.jsonl"
            loaded = load_scenario(name, settings_models())
            with Recorder(path, shared_catalogue(), start="", channel="can0", sent=True) as recorder:
                VirtualBenchRun(loaded, shared_catalogue(), NullSink(), seed=3, recorder=recorder).run(90 * SECOND_US)
                recorder.write_event(ListeningResumed(100 * SECOND_US, 90 * SECOND_US))
        return made[name]

    return find


def reader_of(path, rig, *, skims):
    """Return a reader at the beginning of a log."""
    pipeline = Pipeline(Watch(shared_catalogue(), rig), NullSink())
    return LogReader(LogRounds(lambda: open_log(path)), pipeline, shared_catalogue() if skims else None)


def state_of(reader):
    """Return what is known at the place of a reader; how many frames have no definition is not counted in columns."""
    watch = reader.pipeline.watch
    counts = watch.statistics._replace(unknown=0)
    return (
        reader.place, reader.rounds.position, reader.last_frame, counts, watch.all_flags, watch.roll_call,
        tuple(watch.last_frames()), watch.causes, tuple(reader.pipeline.raised_times), tuple(watch.listening_gaps),
    )  # fmt: skip


@settings(max_examples=5)
@given(st.data())
@pytest.mark.parametrize("rig", [None, "ottersby"])
@pytest.mark.parametrize("name", ["marine", "heater_goes_quiet", "two_on_one_address"])
def test_the_state_is_that_of_frame_by_frame(log_of, name, rig, data):
    """At any place, and on from there."""
    margins = pytest.MonkeyPatch()
    margins.setattr(module, "SKIM_MARGIN_FRAMES", data.draw(st.sampled_from((0, 1, 100))))
    margins.setattr(module, "SKIM_MARGIN_US", data.draw(st.sampled_from((0, 1_000_000))))
    plan = load_rig(rig) if rig else None
    number = data.draw(st.integers(1, 5_000 if name == "marine" else 1_100))
    with margins.context():
        slow = reader_of(log_of(name), plan, skims=False)
        while slow.rounds.number < number and slow.rounds.upcoming is not None:
            slow.pass_one()
        place = slow.place
        quick = reader_of(log_of(name), plan, skims=True)
        skimmed = 0
        while quick.skim(place.number, place.time):
            skimmed += 1
        while not quick.go_to(place, 100):
            pass
    margins.undo()
    assert quick.place == place
    assert skimmed or number <= 200
    assert state_of(quick) == state_of(slow)
    for reader in (quick, slow):
        reader.go(place.time + 20 * SECOND_US)
        reader.rounds.close()
    assert state_of(quick) == state_of(slow)


def test_what_is_repeated_is_not_skimmed(log_of):
    """Nor is a log without definitions, nor one that has begun."""
    pipeline = Pipeline(Watch(shared_catalogue()), NullSink())
    with LogRounds(lambda: open_log(MARINE), loop=True) as rounds:
        assert not LogReader(rounds, pipeline, shared_catalogue()).skim(5_000, 100 * SECOND_US)
        assert rounds.take_block(5_000, 100 * SECOND_US) is None
    reader = reader_of(MARINE, None, skims=False)
    assert not reader.skim(5_000, 100 * SECOND_US)
    reader.rounds.close()
    reader = reader_of(MARINE, None, skims=True)
    reader.pass_one()
    assert reader.rounds.upcoming is not None
    assert not reader.skim(5_000, 100 * SECOND_US)
    reader.rounds.close()


def test_no_block_reaches_its_bounds(log_of):
    """Neither the number of frames nor the time; nothing is lost between blocks and entries."""
    with open_log(MARINE) as log:
        times = [frame.time for frame in log.frames()]
    rounds = LogRounds(lambda: open_log(MARINE))
    found = []
    while (block := rounds.take_block(3_000, times[2_000])) is not None:
        found += [frame.time for frame in block.frames.frames()]
    assert len(found) == rounds.number == times.index(times[2_000])
    assert rounds.take_block(100, times[-1]) is None
    while rounds.upcoming is not None:
        entry = rounds.pop()
        if hasattr(entry, "identifier"):
            found.append(entry.time)
    assert found == times
    rounds.close()
