"""The summaries of logs, put together."""

from functools import reduce

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.signal_summary import SignalSummary
from rvsim.logs.summary import (
    EMPTY,
    DeviceKey,
    DeviceSignal,
    DeviceSummary,
    Identity,
    LogSummary,
    MessageSummary,
    SummarizedLog,
    TroubleSeen,
    summarize,
)
from rvsim.logs.survey import SurveyedMessage, Surveyor
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import TimeWentBack


@pytest.fixture(scope="session")
def field(catalogue):
    """Return a field of one byte."""
    return catalogue.by_name("TANK_STATUS").by_name["relative_level"]


def signals(field):
    """Strategy of what a field did."""
    raws = st.integers(0, 200)
    return st.builds(
        lambda low, more, first, last, changes, since, rest: SignalSummary(
            field, changes + 1, changes, low, low + more, first, last, changes, since, since + rest
        ),
        raws, st.integers(0, 50), raws, raws, st.integers(0, 9), st.integers(0, 10**6), st.integers(0, 10**6),
    )  # fmt: skip


def summaries(field):
    """Strategy of summaries of one log."""
    counts = st.builds(
        MessageSummary,
        st.integers(1, 9),
        st.integers(0, 10**6),
        st.dictionaries(st.integers(1, 9), st.integers(1, 9), max_size=1),
    )
    keys = st.builds(DeviceKey, st.sampled_from(Identity), st.sampled_from("abc"))
    devices = st.builds(
        DeviceSummary,
        st.sampled_from(("heater", "roof fan")),
        st.frozensets(st.integers(0, 9), max_size=2),
        st.frozensets(st.integers(0, 9), max_size=2),
        st.frozensets(st.tuples(st.just("tank"), st.integers(0, 3)), max_size=2),
        st.just(1),
        st.dictionaries(st.builds(SurveyedMessage, st.integers(0, 2), st.just("X"), st.none()), counts, max_size=2),
        st.dictionaries(
            st.builds(DeviceSignal, st.integers(0, 2), st.none(), st.none(), st.just("f")), signals(field), max_size=2
        ),
    )
    troubles = st.builds(
        TroubleSeen,
        st.sampled_from(Severity),
        st.integers(1, 3),
        st.tuples(st.sampled_from("xyz")),
        st.sampled_from("pq"),
        st.just("look"),
    )
    logs = st.builds(
        SummarizedLog, st.sampled_from("xyz"), st.integers(0, 9), st.integers(0, 10**9), st.booleans(), st.none(),
        st.floats(0, 100), st.integers(0, 3), st.integers(0, 3), st.just(()),
    )  # fmt: skip
    return st.builds(
        LogSummary,
        st.tuples(logs),
        st.dictionaries(keys, devices, max_size=2),
        st.dictionaries(st.tuples(st.sampled_from("ab"), st.sampled_from("cd")), troubles, max_size=2),
    )


@given(data=st.data())
def test_logs_are_put_together_in_any_grouping(data, field):
    """Two and then a third, or a first and then two: the same; nothing put before or behind changes nothing."""
    one, two, three = (data.draw(summaries(field)) for _ in range(3))
    assert one.followed_by(two).followed_by(three) == one.followed_by(two.followed_by(three))
    assert EMPTY.followed_by(one) == one == one.followed_by(EMPTY)


@given(data=st.data(), count=st.integers(2, 4))
def test_halves_of_any_size_give_the_whole(data, count, field):
    """As processes may put logs together in groups."""
    every = [data.draw(summaries(field)) for _ in range(count)]
    cut = data.draw(st.integers(0, count))
    together = reduce(LogSummary.followed_by, every, EMPTY)
    first, second = (reduce(LogSummary.followed_by, part, EMPTY) for part in (every[:cut], every[cut:]))
    assert first.followed_by(second) == together
    assert together.frames == sum(one.frames for one in every)
    assert together.length_us == sum(one.length_us for one in every)


def surveyed(frames, catalogue, rig=None):
    """Return the survey of frames, with what each field did."""
    surveyor = Surveyor(catalogue, rig, signals=True)
    for frame in frames:
        surveyor.observe(frame)
    return surveyor.finish()


def test_the_summary_of_a_recorded_log(catalogue, record):
    """By the rig's names: addresses, functions, messages with their gaps, and fields with their values."""
    frames, _ = record("heater_goes_quiet", 90)
    found = summarize("q.log", surveyed(frames, catalogue, load_rig("ottersby")), unreadable=2)
    (log,) = found.logs
    assert (log.name, log.frames, log.unreadable, log.planned, log.unseen) == ("q.log", len(frames), 2, 11, ())
    assert len(found.devices) == 11
    heater = found.devices[DeviceKey(Identity.PLAN, "heater")]
    assert (heater.label, heater.addresses, heater.logs) == ("heater", {0x5E}, 1)
    assert heater.functions == {("furnace", 1), ("water_heater", 1)}
    status = heater.messages[SurveyedMessage(0x1FFE4, "FURNACE_STATUS", 1)]
    assert status.median_gap == pytest.approx(5_000_000, abs=2000)
    assert status.longest_gap == pytest.approx(45_000_000, abs=100_000)
    level = heater.signals[DeviceSignal(0x1FFE4, 1, None, "heat_output_level")]
    assert (level.frames, level.lowest.value) == (status.frames, 0)
    assert found.troubles["silent-device", "heater"].severity is Severity.FAULT
    assert not any(kind == "late-message" for kind, _ in found.troubles)  # the silence explains it


def test_a_device_is_known_by_its_name_at_any_address(catalogue, record):
    """Without a rig: the same unit at another address in the second log is one device, in two logs."""
    frames, _ = record("winter_evening", 60)
    moved = [
        frame._replace(identifier=frame.identifier & ~0xFF | 0x77) if frame.identifier & 0xFF == 0x90 else frame
        for frame in frames
    ]
    both = summarize("a", surveyed(frames, catalogue)).followed_by(summarize("b", surveyed(moved, catalogue)))
    assert {device.logs for device in both.devices.values()} == {2}
    (fan,) = (device for device in both.devices.values() if ("roof_fan", 1) in device.functions)
    assert fan.addresses == {0x77, 0x90}
    assert len(fan.names) == 1


def test_a_recording_in_several_files(catalogue, record):
    """The claims are in the first file only; each device is still one, and which file comes first does not matter."""
    frames, _ = record("winter_evening", 60)
    half = frames[-1].time // 2
    first = surveyed([frame for frame in frames if frame.time <= half], catalogue)
    second = surveyed([frame._replace(time=frame.time - half) for frame in frames if frame.time > half], catalogue)
    one, two = summarize("1", first), summarize("2", second)
    level = DeviceSignal(0x1FFB7, 0, None, "relative_level")
    for earlier, later in ((one, two), (two, one)):
        both = earlier.followed_by(later)
        assert {device.logs for device in both.devices.values()} == {2}
        assert len(both.devices) == 11
        (tank,) = (device for device in both.devices.values() if ("tank", 0) in device.functions)
        (last,) = (device for device in later.devices.values() if ("tank", 0) in device.functions)
        assert tank.signals[level].last == last.signals[level].last
        assert tank.signals[level].last_time == last.signals[level].last_time + earlier.length_us
    (fan,) = (device for device in one.followed_by(two).devices.values() if ("roof_fan", 1) in device.functions)
    whole = summarize("w", surveyed(frames, catalogue))
    (expected,) = (device for device in whole.devices.values() if ("roof_fan", 1) in device.functions)
    assert {key: message.frames for key, message in fan.messages.items()} == {
        key: message.frames for key, message in expected.messages.items()
    }
    assert {key: (signal.lowest, signal.highest, signal.changes) for key, signal in fan.signals.items()} == {
        key: (signal.lowest, signal.highest, signal.changes) for key, signal in expected.signals.items()
    }


def test_functions_that_two_names_have(catalogue, record):
    """Which of them a log without claims is of cannot be told: it stays apart."""
    frames, _ = record("winter_evening", 60)
    fan = [frame for frame in frames if frame.identifier & 0xFF == 0x90]
    other = [
        frame._replace(data=bytes([frame.data[0] ^ 1]) + frame.data[1:]) if frame.identifier == 0x18EEFF90 else frame
        for frame in fan
    ]
    unclaimed = [frame for frame in fan if frame.identifier != 0x18EEFF90]
    logs = [summarize(str(number), surveyed(log, catalogue)) for number, log in enumerate((fan, other, unclaimed))]
    assert len(reduce(LogSummary.followed_by, logs).devices) == 3
    assert len(logs[0].followed_by(logs[2]).devices) == 1


def test_times_that_cannot_be_trusted(catalogue, record):
    """Nothing is said about gaps and load; what was sent is counted."""
    frames, _ = record("winter_evening", 60)
    surveyor = Surveyor(catalogue)
    for entry in [*frames[:200], TimeWentBack(frames[200].time, 3_600_000_000, "line 201"), *frames[200:]]:
        surveyor.observe(entry)
    found = summarize("b", surveyor.finish())
    (log,) = found.logs
    assert (log.in_order, log.average_percent, log.peak_percent, log.frames) == (False, None, None, len(frames))
    assert not any(message.medians for device in found.devices.values() for message in device.messages.values())


def test_a_unit_that_moves_within_a_log_is_one_device(catalogue, record):
    """Its messages are counted together, and what it sent last stands last."""
    frames, _ = record("winter_evening", 60)
    half = frames[-1].time // 2
    claim = next(frame for frame in frames if frame.identifier == 0x18EEFF90)
    moved = [
        frame._replace(identifier=frame.identifier & ~0xFF | 0x20)
        if frame.identifier & 0xFF == 0x90 and frame.time > half
        else frame
        for frame in [*frames, Frame(half + 1, 0x18EEFF90, claim.data)]
    ]
    moved.sort(key=lambda frame: frame.time)
    found = summarize("a", surveyed(moved, catalogue))
    (fan,) = (device for device in found.devices.values() if ("roof_fan", 1) in device.functions)
    assert fan.addresses == {0x20, 0x90}
    assert fan.logs == 1
    status = next(key for key in fan.messages if key.name == "ROOF_FAN_STATUS_1")
    sent = sum(frame.identifier >> 8 & 0x1FFFF == status.dgn for frame in moved)
    assert fan.messages[status].frames == sent
    mode = fan.signals[DeviceSignal(status.dgn, 1, None, "system_status")]
    assert mode.last_time > half
    assert mode.frames == sent


def test_the_median_gap_of_several_logs():
    """That of the gap in the middle; a message that came once in each has none."""
    assert MessageSummary(5, 9, {2: 3, 9: 1}).median_gap == 2
    assert MessageSummary(1, 0, {}).followed_by(MessageSummary(1, 0, {})).median_gap is None
