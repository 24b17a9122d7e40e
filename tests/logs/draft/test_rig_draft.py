"""Whole logs and the rigs learnt from them: the same log raises nothing, whatever it holds."""

import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.draft.rig_draft import learn_rig
from rvsim.logs.survey import survey
from rvsim.rig.load import load_rig
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.name import Name


def claim(seconds, source, serial, maker=7):
    """Return an address claim."""
    return Frame(round(seconds * SECOND_US), 0x18EEFF00 | source, Name(serial, maker).to_bytes())


def statuses(say, source, instance, seconds, first=0.0):
    """Return furnace statuses every five seconds."""
    return [say(second + first, "FURNACE_STATUS", source, instance=instance) for second in range(0, seconds, 5)]


def in_order(*frames):
    """Return frames by their times."""
    return sorted((frame for some in frames for frame in some), key=lambda frame: frame.time)


def flags_with(frames, catalogue, rig=None):
    """Return the kinds and subjects of the flags of a survey."""
    return [(str(flag.kind), flag.subject) for flag in survey(frames, catalogue, rig).flags]


# Whole logs.


@pytest.mark.parametrize("log", ["marine", "winter_evening", "heater_goes_quiet"])
def test_the_same_log_raises_no_flag_with_its_rig(catalogue, recorded, learn, log):
    """A recorded vessel bus, a healthy evening, and one in which a heater goes quiet and a sensor breaks."""
    _, rig = learn(recorded[log])
    assert flags_with(recorded[log], catalogue, rig) == []
    watch = Watch(catalogue, rig)
    for frame in recorded[log]:
        watch.observe(frame)
    assert (watch.statistics.accepted > 0) == bool(rig.accepted)


def test_a_bench_recording_gives_back_the_shipped_rig(recorded, learn):
    """Addresses and functions with instances are those of the rig that was simulated; nothing had to be accepted."""
    _, rig = learn(recorded["winter_evening"])
    shipped = load_rig("ottersby")
    assert {one.address: dict(one.functions) for one in rig.devices} == {
        one.address: dict(one.functions) for one in shipped.devices
    }
    assert (rig.accepted, rig.longest_pause) == ((), 0)
    assert all(one.claimed_name is not None for one in rig.devices)


def test_a_fault_that_comes_again_elsewhere_is_still_told(catalogue, recorded, learn):
    """The rig learnt from the healthy evening raises the flags of the other one under its own names."""
    _, rig = learn(recorded["winter_evening"])
    assert ("silent-device", "furnace 1") in flags_with(recorded["heater_goes_quiet"], catalogue, rig)


def test_what_is_accepted_says_what_was_seen_and_is_told_again_without_its_entry(catalogue, recorded, learn, tmp_path):
    """The heater's silence: when, what, and the flag without the entry is the one that was seen before."""
    text, _ = learn(recorded["heater_goes_quiet"])
    entry = re.search(r"# Seen from [^#]*furnace 1: silent for[^#]*# Without[^#]*\[\[accepted]][^#]*", text)[0]
    assert entry.startswith("# Seen from 32.5 s until 60.6 s, furnace 1: silent for 15.0 s, due every 5 s;")
    assert tomllib.loads(entry)["accepted"] == [
        {"flag": "silent-device", "device": "furnace 1", "reason": "seen in drive.log"}
    ]
    path = tmp_path / "less.toml"
    path.write_text(text.replace(entry, ""))
    assert flags_with(recorded["heater_goes_quiet"], catalogue, load_rig(path)) == [("silent-device", "furnace 1")]


def test_the_pauses_of_a_bus_are_its_normal(catalogue, recorded, learn):
    """The vessel's longest pause is 2.543 s (subtraction of its times): 2.6 s, rounded up, and no accepted quiet."""
    text, rig = learn(recorded["marine"])
    assert rig.longest_pause == 2_600_000
    assert 'longest_pause = "2.6s"' in text.splitlines()
    # 167.882 s, when the longest began, and 2.543 s
    assert "longer than usual 4 times, at most for 2.543 s, until\n# 170.4 s of the log." in text
    assert {one.flag for one in rig.accepted} == {"unknown-message"}
    assert all(one.device and one.message for one in rig.accepted)


def test_one_pause_is_once(catalogue, say, learn):
    """Exactly 20 s, from the last frame at 59.5 s on: a tenth that is whole is not rounded up."""
    frames = [
        say(start + n, "DC_SOURCE_STATUS_1", 0x40 + k, instance=k + 1)
        for start in (0, 0.5)
        for n in range(120)
        if not 60 <= start + n < 79.5
        for k in range(3)
    ]
    frames.sort(key=lambda frame: frame.time)
    text, rig = learn(frames)
    assert (rig.longest_pause, rig.accepted) == (20_000_000, ())
    assert "longer than usual once, at most for 20.000 s, until\n# 79.5 s of the log." in text


def test_a_pause_beyond_any_duration_is_accepted(catalogue, say, learn):
    """A clock that was set in the middle of a log: a year and more is no duration that a rig can have."""
    frames = in_order(*(statuses(say, 0x5E + n, n + 1, 200, 0.1 * n) for n in range(3)))
    later = [frame._replace(time=frame.time + 400 * 86_400 * SECOND_US) for frame in frames]
    _, rig = learn([*frames, *later])
    assert rig.longest_pause == 0
    assert "bus-quiet" in {one.flag for one in rig.accepted}
    assert flags_with([*frames, *later], catalogue, rig) == []


# Whatever a log holds.


def test_a_log_without_anybody_teaches_nothing(catalogue):
    """One clear line."""
    for frames in ([], [claim(1, 0xFE, 9)]):
        with pytest.raises(
            InputError, match=r"^x\.log: it has no frames of devices, so no rig can be learnt; name another"
        ):
            learn_rig(lambda frames=frames: frames, catalogue, "/a/x.log")  # type: ignore[misc]


@given(st.text(max_size=30))
def test_any_name_of_a_log_gives_a_sound_file(catalogue, learn, name):
    """Quotes, backslashes, line ends, signs that no terminal should see."""
    _, rig = learn([Frame(0, 0x19F80102, bytes(8))], name)
    assert rig.title.startswith("Learnt from ")


@pytest.mark.parametrize(
    ("given", "name", "title"),
    [
        ("-", "-", "Learnt from -"),
        ("", "a log", "Learnt from a log"),
        (" ", "a log", "Learnt from a log"),
        ("a/ .log", ".log", "Learnt from .log"),
        ("a\n[[device]]\x7f.log", "a?[[device]]?", "Learnt from a?[[device]]?.log"),
        ('b"\\.log', 'b"\\', 'Learnt from b"\\.log'),
    ],
)
def test_the_rig_is_named_after_the_log(learn, given, name, title):
    """Without folder and suffix, and without anything that is not safe to print."""
    _, rig = learn([Frame(0, 0x19F80102, bytes(8))], given)
    assert (rig.name, rig.title) == (name, title)


HEARD = st.lists(
    st.tuples(
        st.integers(0, 20 * SECOND_US),
        st.sampled_from([0x19FFE4, 0x19FF9C, 0x19FECA, 0x19FFFD, 0x19FFC7, 0x18EEFF, 0x18EAFF, 0x19FFE3, 0x09F801]),
        st.sampled_from([0x44, 0x4A, 0x5E, 0x91, 0xFE, 0xFF]),
        st.builds(
            lambda first, second, rest: bytes([first, second]) + rest,
            st.sampled_from([0, 1, 2, 251, 255]),
            st.sampled_from([68, 69, 94, 101, 255]),
            st.binary(min_size=6, max_size=6) | st.sampled_from([bytes(6), b"\xff" * 6]),
        )
        | st.binary(max_size=8),
    ),
    min_size=1,
    max_size=60,
)


@given(HEARD)
def test_any_log_raises_no_flag_with_its_rig(catalogue, learn, heard):
    """Whatever is said by whomever, or nobody is there to learn of."""
    time, frames = 0, []
    for step, dgn, source, data in heard:
        time += step
        frames.append(Frame(time, dgn << 8 | source, data))
    if all(frame.identifier & 0xFF >= 0xFE for frame in frames):
        with pytest.raises(InputError):
            learn_rig(lambda: frames, catalogue, "x")
        return
    _, rig = learn(frames)
    assert flags_with(frames, catalogue, rig) == []
    assert {one.address for one in rig.devices} <= {frame.identifier & 0xFF for frame in frames}
