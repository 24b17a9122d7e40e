"""What is drawn of a log: each field's readings equal to those of the decoder, bus load by seconds, gaps of sources."""

import numpy as np
import pytest

from rvsim.logs.blocks import to_blocks
from rvsim.logs.plotted import MAX_LOAD_PIECES, load_series, missing_code, plot_channels
from rvsim.logs.survey import SurveyedTime
from rvsim.watch.decode import Decoder
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.timing import BIT_RATE, exact_bits


def plotted(frames, catalogue, most=1000, **more):
    """Return what is drawn of frames of one channel, which come in blocks of ``most``."""
    return plot_channels(to_blocks((("", frame) for frame in frames), most), catalogue, **more)[""]


def changes(frames, catalogue):
    """Return the changes of each field by its topic, decoded frame by frame; the last reading too."""
    decoder, found = Decoder(catalogue), {}
    for frame in frames:
        layout = decoder.layout(dgn_of(frame.identifier))
        if layout.spec is None or layout.spec.is_protocol:
            continue
        topic = layout.topic(frame.identifier & 0xFF, frame.data)
        for reading in layout.spec.decode(frame.data):
            if reading.field is not layout.instance and reading.field.length <= 32:
                raw = missing_code(reading.field) if reading.raw is None else reading.raw
                found.setdefault((topic, reading.field.name), []).append((frame.time, raw))
    return {
        key: [point for at, point in enumerate(points) if at in (0, len(points) - 1) or point[1] != points[at - 1][1]]
        for key, points in found.items()
    }


@pytest.mark.parametrize("most", [37, 4096])
def test_readings_are_those_of_the_decoder(recorded, catalogue, most):
    """Every change of every field, whatever the blocks; nothing else, and the instance is no reading."""
    frames = recorded["winter_evening"]
    drawn = plotted(frames, catalogue, most)
    found = {
        (signal.topic, signal.field.name): list(zip(*signal.series.points(), strict=True)) for signal in drawn.signals
    }
    assert found == changes(frames, catalogue)
    assert len(found) > 50


def test_a_gap_of_a_source(say, catalogue):
    """It is in the line of each of its readings: the last point before it and the first after it are drawn."""
    times = [0, 5, 10, 60, 65]
    frames = [say(at, "TANK_STATUS", 0x48, instance=1, relative_level=10, resolution=100) for at in times]
    frames += [say(at, "TANK_STATUS", 0x49, instance=2, relative_level=10, resolution=100) for at in range(0, 66, 5)]
    drawn = plotted(sorted(frames), catalogue, 3)
    assert drawn.gaps_of(0x48) == [(10 * SECOND_US, 60 * SECOND_US)]
    assert list(drawn.gaps_of(0x49)) == []
    first = next(signal for signal in drawn.signals if signal.topic.source == 0x48)
    assert [time // SECOND_US for time in first.series.points()[0]] == [0, 10, 60, 65]


def test_how_long_the_last_reading_stands(say, catalogue):
    """A command until its source is heard no more, or not for a while; the reading of a periodic message not longer."""
    frames = [say(3, "FURNACE_COMMAND", 0x44, instance=1, heat_output_level=100)]
    frames += [say(at, "THERMOSTAT_STATUS_1", 0x44, instance=1) for at in (0, 5, 10, 12, 60, 65)]
    for until in (10, 12, 65):
        drawn = plotted(sorted(frame for frame in frames if frame.time <= until * SECOND_US), catalogue)
        ends = {signal.topic.message: signal.points()[0][-1] / SECOND_US for signal in drawn.signals}
        assert ends == {"FURNACE_COMMAND": min(until, 12), "THERMOSTAT_STATUS_1": until}
    periodic = plotted([*frames[:1], say(4, "TANK_STATUS", 0x44, instance=1), *frames[1:4]], catalogue)
    tank = next(signal for signal in periodic.signals if signal.topic.message == "TANK_STATUS")
    assert tank.points()[0] == [4 * SECOND_US]


def test_short_frames_have_missing_fields(say, catalogue):
    """A field behind the end of a frame is missing, by an integer that no field can have."""
    whole = say(0, "TANK_STATUS", 0x48, instance=1, relative_level=10, resolution=100)
    drawn = plotted([whole, Frame(SECOND_US, whole.identifier, whole.data[:2])], catalogue)
    states = {signal.field.name: str(signal.state(signal.series.points()[1][-1])) for signal in drawn.signals}
    assert states["relative_level"] == "value"
    assert states["resolution"] == "missing"


def test_only_a_part(recorded, catalogue):
    """Frames outside the part are not drawn."""
    frames = recorded["winter_evening"]
    part = SurveyedTime(20 * SECOND_US, 40 * SECOND_US)
    inside = [frame for frame in frames if part.contains(frame.time)]
    drawn = plotted(frames, catalogue, part=part)
    assert {(one.topic, one.field.name): one.series.points() for one in drawn.signals} == {
        (one.topic, one.field.name): one.series.points() for one in plotted(inside, catalogue).signals
    }
    assert drawn.load == plotted(inside, catalogue).load


def test_bus_load_by_seconds(recorded, catalogue):
    """The bits of each second of the log's time, every stuff bit counted, in percent of the bit rate."""
    frames = recorded["winter_evening"]
    bits = np.zeros(frames[-1].time // SECOND_US + 1, int)
    for frame in frames:
        bits[frame.time // SECOND_US] += exact_bits(frame.identifier, frame.data)
    drawn = plotted(frames, catalogue, 100)
    assert drawn.load_width_s == 1
    assert {piece.start // SECOND_US: round(piece.worst_percent * BIT_RATE / 100) for piece in drawn.load} == {
        second: count for second, count in enumerate(bits.tolist()) if count
    }
    assert [piece.average_percent for piece in drawn.load] == [piece.worst_percent for piece in drawn.load]


def test_bus_load_of_a_long_log(say, catalogue):
    """Longer pieces of time, each with its worst second; without frames it is 0."""
    frame = say(0, "TANK_STATUS", 0x48, instance=1)
    bits = exact_bits(frame.identifier, frame.data)
    times = [0, 0, 1, *range(4, 2 * MAX_LOAD_PIECES + 3)]
    drawn = plotted([frame._replace(time=time * SECOND_US) for time in times], catalogue)
    assert drawn.load_width_s == 4
    assert drawn.load[0].worst_percent == pytest.approx(100 * 2 * bits / BIT_RATE)
    assert drawn.load[0].average_percent == pytest.approx(100 * 3 * bits / (4 * BIT_RATE))
    assert len(drawn.load) <= MAX_LOAD_PIECES
    quiet = plotted([frame, frame._replace(time=100 * SECOND_US)], catalogue)
    assert load_series(quiet).series.points()[0] == [0, SECOND_US, 100 * SECOND_US]
    assert load_series(quiet).series.points()[1][1] == 0
