"""Error frames and controller states in recordings: read back by python-can, and surveyed as the run they are of."""

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.registry import settings_models
from rvsim.logs.formats.jsonl import start_line
from rvsim.logs.read import open_log
from rvsim.logs.record import Recorder
from rvsim.logs.survey import survey
from rvsim.rig.load import load_rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.error_report import ErrorReport, linux_message, linux_report, report_of
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import (
    Collided,
    Disturbed,
    ErrorFrame,
    ErrorState,
    LogEnded,
    NotAcknowledged,
    StateChanged,
    Waited,
)

START = start_line(command="bench", started="2026-01-05T19:00:00+00:00")
FRAME = Frame(250_001, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))
EVENTS = (
    Disturbed(1 * SECOND_US, 0x19FFE45E, ("heater",)),
    NotAcknowledged(2 * SECOND_US, "heater", 0x19FFE45E),
    StateChanged(3 * SECOND_US, "heater", ErrorState.PASSIVE, 128, 0),
    StateChanged(4 * SECOND_US, "heater", ErrorState.BUS_OFF, 255, 0),
    StateChanged(5 * SECOND_US, "heater", ErrorState.ACTIVE, 0, 0),
    Collided(6 * SECOND_US, 0x19FFE45E, ("heater", "pump")),
)
RECORDING_SUFFIXES = ("jsonl", "log", "asc")


@pytest.fixture(params=RECORDING_SUFFIXES)
def recorded(request, tmp_path, catalogue):
    """A recording of one frame and of errors."""
    path = tmp_path / f"x.{request.param}"
    with Recorder(path, catalogue, start=START, channel="rvsim", sent=True) as recorder:
        recorder.write(FRAME)
        for event in EVENTS:
            recorder.write_event(event)
        recorder.write_event(Waited(7 * SECOND_US, "heater", 0x19FFE45E, 6 * SECOND_US))  # no error: not kept
    return path


def test_errors_and_states_are_read_back(recorded):
    """Each error frame with what is known of it, each state with its counters; whose it is only .jsonl can say."""
    with open_log(recorded) as log:
        found = list(log.contents())
    assert found[0] == FRAME._replace(time=0)
    began = FRAME.time
    errors = [(one.time + began, one.about) for one in found if isinstance(one, ErrorFrame)]
    assert errors == [(1 * SECOND_US, ""), (2 * SECOND_US, "no acknowledgement"), (6 * SECOND_US, "bit error")]
    states = [one for one in found if isinstance(one, StateChanged)]
    assert [(one.state, one.transmit_errors, one.receive_errors) for one in states] == [
        (ErrorState.PASSIVE, 128, 0),
        (ErrorState.BUS_OFF, 255, 0),
        (ErrorState.ACTIVE, 0, 0),
    ]
    node = "heater" if recorded.suffix == ".jsonl" else "the recording adapter"
    assert {one.node for one in states} == {node}
    assert isinstance(found[-1], LogEnded)
    assert log.statistics.unreadable == ()


@pytest.mark.parametrize(("suffix", "reader"), [("log", can.CanutilsLogReader), ("asc", can.ASCReader)])
def test_python_can_reads_frames_and_error_frames(tmp_path, catalogue, suffix, reader):
    """The frame and an error frame at their times; python-can knows no controller states."""
    path = tmp_path / f"x.{suffix}"
    with Recorder(path, catalogue, start="", channel="1", sent=True) as recorder:
        recorder.write(FRAME)
        recorder.write_event(EVENTS[0])
    frame, error = list(reader(path))
    assert (frame.arbitration_id, bytes(frame.data), frame.is_extended_id) == (FRAME.identifier, FRAME.data, True)
    assert frame.is_rx is False
    assert error.is_error_frame
    assert round((error.timestamp - frame.timestamp) * 1e6) == SECOND_US - FRAME.time


def test_an_asc_recording_keeps_the_date_of_its_start(recorded):
    """The date of a paced run is in its head; one in virtual time has none."""
    with open_log(recorded) as log:
        list(log.contents())
    dated = recorded.suffix in (".jsonl", ".asc")
    assert log.statistics.started == (1_767_639_600 * SECOND_US + FRAME.time if dated else None)


@pytest.mark.parametrize("suffix", RECORDING_SUFFIXES)
def test_a_recorded_noisy_bench_is_surveyed_with_its_flag(tmp_path, catalogue, suffix):
    """The flags about errors of the run itself: severity, and how many error frames."""
    loaded = load_scenario("noisy_wires", kinds=settings_models())
    path = tmp_path / f"x.{suffix}"

    class Unseen:
        """A sink that shows nothing."""

        frame = events = lambda self, one: None
        end = lambda self, time, watch: None  # noqa: E731
        flush = lambda self: None  # noqa: E731

    with Recorder(path, catalogue, start=START, channel="rvsim", sent=True) as recorder:
        run = VirtualBenchRun(loaded, catalogue, Unseen(), seed=1, recorder=recorder)
        run.run(45 * SECOND_US)
    with open_log(path) as log:
        found = survey(log.contents(), catalogue, load_rig("ottersby"))

    def of(flags):
        return [(flag.severity, flag.text.split(" from ")[0]) for flag in flags if flag.kind == "bus-errors"]

    assert of(found.flags) == of(run.watch.all_flags) != []
    assert found.errors.frames == run.watch.wire_problems.disturbed > 0


ABOUT = st.sampled_from(["", "bit error", "form error", "stuff error", "no acknowledgement"])
STATE = st.sampled_from([None, *ErrorState])
COUNTERS = st.integers(128, 255), st.integers(0, 255)
REPORTS = st.builds(ErrorReport, st.just(True), ABOUT, STATE, *COUNTERS, st.none()) | st.builds(
    ErrorReport, st.just(False), st.just(""), st.sampled_from([*ErrorState]), *COUNTERS, st.none()
)


@given(REPORTS)
def test_error_messages_of_linux_read_back_as_they_were_written(report):
    """What candump text holds of a report is all of it but whose state it is."""
    assert linux_report(*linux_message(report)) == report


def test_endless_retries_are_one_state_and_no_error_frames():
    """They are told once, and no single one of them is kept."""
    assert report_of(NotAcknowledged(0, "heater", 1, endless=True)) is None
