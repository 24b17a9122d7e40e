"""Channels of a log are buses of their own: named, each with its own clock and counts, never merged."""

import io
from pathlib import Path

import can
import pytest

from rvsim.errors import InputError
from rvsim.logs.read import MAX_CHANNELS, open_log
from rvsim.logs.survey import survey, survey_blocks
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import LogEnded, TimeWentBack

START = 1_700_000_000
MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"


def log_of(text: str):
    """A log in memory."""
    return open_log(io.BytesIO(text.encode()), "given")


def line(seconds: float, channel: str = "can0", number: int = 0) -> str:
    """One line of candump text."""
    return f"({START + seconds:.6f}) {channel} 19FFE4{number:02X}#0102030405060708\n"


TWO = "".join(line(step / 10, channel) for step in range(50) for channel in ("can0", "can1"))


def test_a_bus_recorded_twice_is_surveyed_as_by_itself(catalogue):
    """The vessel's log with each line again as a second channel: each has the load and the flags of the log alone."""
    twice = "".join(line + line.replace("can0", "can1") for line in MARINE.read_text().splitlines(keepends=True))
    with open_log(MARINE) as log:
        alone = survey(log.contents(), catalogue)
    with log_of(twice) as log:
        both = survey_blocks(log.blocks(), catalogue)
    assert list(both) == ["can0", "can1"]
    for found in both.values():
        assert (found.frames, found.seconds, found.flags) == (alone.frames, alone.seconds, alone.flags)
        assert found.load.peak_percent == alone.load.peak_percent
        assert found.sources == alone.sources


def test_one_channel_of_several():
    """Only its own frames, in the log's time; the end is told once."""
    with log_of(TWO) as log:
        found = list(log.contents("can1"))
    assert [one.time for one in found if isinstance(one, Frame)] == [step * SECOND_US // 10 for step in range(50)]
    assert found[-1] == LogEnded(4_900_000)
    assert not any(isinstance(one, TimeWentBack) for one in found)


def test_several_channels_are_not_merged():
    """Whoever asks for none of them is told which there are; so is who asks for another."""
    with log_of(TWO) as log, pytest.raises(InputError, match="channels can0, can1, each a separate bus: choose one"):
        list(log.contents())
    with log_of(TWO) as log, pytest.raises(InputError, match="--channel can7: not in given: the log has can0, can1"):
        list(log.contents("can7"))
    csv = "timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x19ffe45e,1,0,0,1,AQ==\n"
    with log_of(csv) as log, pytest.raises(InputError, match="the log names no channels; omit --channel"):
        list(log.contents("can7"))


def test_each_channel_has_its_own_clock():
    """One recorded behind the other in one file: no time goes back on either, and nothing is a clock that was set."""
    text = "".join(line(step, "can0") for step in range(5)) + "".join(line(step, "can1") for step in range(5))
    with log_of(text) as log:
        times = [(name, one.time) for name, one in log.by_channel() if isinstance(one, Frame)]
    assert times == [(name, step * SECOND_US) for name in ("can0", "can1") for step in range(5)]
    assert (log.statistics.clock_set_count, log.statistics.steps_back) == (0, 0)


def test_counts_are_kept_by_channel():
    """What was left out on one channel is not counted on the other."""
    text = line(0) + line(1, "can1") + f"({START + 2}.000000) can1 123#01\n" + f"({START + 3}.000000) can1 123#01\n"
    with log_of(text) as log:
        list(log.by_channel())
    assert log.statistics_of("can0").skipped == {}
    assert log.statistics_of("can1").skipped == {"11-bit": 2}
    assert (log.statistics_of("can0").frames, log.statistics.frames) == (1, 2)


def test_a_log_of_too_many_channels_is_damaged():
    """Each has a watch of its own: a file whose every line names another one is refused."""
    text = "".join(line(number, f"c{number}") for number in range(MAX_CHANNELS + 1))
    with log_of(text) as log, pytest.raises(InputError, match=f"more than {MAX_CHANNELS} channels"):
        list(log.by_channel())


@pytest.mark.parametrize("suffix", ["asc", "blf"])
def test_channels_that_python_can_wrote(tmp_path, suffix):
    """The formats that number channels: two are found as python-can wrote them, each with its frames."""
    path = tmp_path / f"two.{suffix}"
    with can.Logger(str(path)) as writer:
        for step in range(10):
            writer.on_message_received(
                can.Message(timestamp=START + step, arbitration_id=0x19FFE45E, data=[step], channel=step % 2)
            )
    with open_log(path) as log:
        frames = [(name, one.data[0]) for name, one in log.by_channel() if isinstance(one, Frame)]
    first, second = log.channels
    assert frames == [(second if step % 2 else first, step) for step in range(10)]
