"""Tests for the watch on a recorded vessel bus, without a rig: nobody is missed who is there."""

import itertools
from pathlib import Path

import pytest

from rvsim.watch.watch import Watch
from rvsim.wire.frame import Frame

SECOND = 1_000_000
RECORDED = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
# Whole-bus pauses of more than a second in the recorded log: its times, by a one-line subtraction outside the project.
PAUSES = (14.524352, 28.467986, 60.542907, 121.522552, 167.881957, 199.516234, 212.549773)


def recorded() -> list[Frame]:
    """The frames of the recorded vessel bus, from its first frame on."""
    frames = []
    for line in RECORDED.read_text(encoding="ascii").splitlines():
        stamp, _, sent = line.split()
        seconds, microseconds = stamp[1:-1].split(".")
        identifier, data = sent.split("#")
        frames.append(Frame(int(seconds) * SECOND + int(microseconds), int(identifier, 16), bytes.fromhex(data)))
    start = frames[0].time
    return [frame._replace(time=frame.time - start) for frame in frames]


@pytest.fixture(scope="module")
def marine(catalogue):
    """A watch that has heard the recorded bus, and its events."""
    watch, frames = Watch(catalogue), recorded()
    events = [event for frame in frames for event in watch.observe(frame)]
    return watch, events + watch.advance(frames[-1].time)


def test_a_recorded_bus_misses_nobody(marine):
    """Four sources, always present: no late message, no silent device."""
    watch, _ = marine
    assert [(record.device, record.state) for record in watch.roll_call] == [
        ("address 02 hex", "present"),
        ("address B0 hex", "present"),
        ("address 01 hex", "present"),
        ("address 11 hex", "present"),
    ]
    assert {flag.kind for flag in watch.all_flags} == {"unknown-message", "bus-quiet"}
    assert watch.statistics == (9883, 9882, 0, 4, 11, 0)


def test_a_recorded_bus_is_quiet_in_its_pauses_only(marine):
    """At most in the seven that it has, from a second after the last frame on; each is over with the next frame."""
    quiet = [flag for flag in marine[0].all_flags if flag.kind == "bus-quiet"]
    assert len(quiet) == 4
    for flag in quiet:
        begun = [pause for pause in PAUSES if pause + 1 <= flag.since / SECOND < pause + 2.55]
        assert len(begun) == 1
        assert flag.until is not None


def test_a_recorded_bus_is_unknown_message_by_message(marine):
    """One notice for each sender and DGN; its one address claim is read."""
    watch, _ = marine
    unknown = [(flag.subject, flag.text[4:9]) for flag in watch.all_flags if flag.kind == "unknown-message"]
    senders = {(f"address {f.identifier & 0xFF:02X} hex", f"{f.identifier >> 8 & 0x3FFFF:05X}") for f in recorded()}
    # 1EFFF is addressed to everyone: DGN 1EF00; 0EEFF is the address claim.
    expected = {(who, "1EF00" if dgn == "1EFFF" else dgn) for who, dgn in senders if dgn != "0EEFF"}
    assert sorted(unknown) == sorted(expected)
    assert len(unknown) == 10
    name = watch.roll_call[3].name
    assert (name.serial_number, name.manufacturer_code, name.compatibility_field_4) == (123456, 1774, 4)


def test_the_recorded_bus_has_the_pauses_that_are_claimed():
    """Seven silences of more than a second."""
    pairs = itertools.pairwise(recorded())
    assert tuple(a.time / SECOND for a, b in pairs if b.time - a.time > SECOND) == PAUSES
