"""The answer of a survey where a log is not what it seems: what the one paragraph says."""

from pathlib import Path

import pytest


@pytest.fixture
def brief(rvsim):
    """The paragraph of a log, given by its frames: seconds, identifier and data in hex."""

    def of(frames, *options, name="a.log"):
        Path(name).write_text("".join(f"({time:.6f}) can0 {frame}\n" for time, frame in frames))
        code, out, err = rvsim("survey", name, "--brief", *options)
        assert (code, err) == (0, "")
        return " ".join(out.split())

    return of


TANK, FURNACE = "19FFB748#00FF0A32FFFFFFFF", "19FFE45E#01FFFFFFFFFFFFFF"


def test_a_log_without_times_is_not_called_short(brief):
    """Twenty frames at one moment have no times; nineteen may be a short log."""
    text = brief([(5, TANK)] * 20)
    assert "All 20 frames have the same time: nothing that needs times was judged." in text
    assert "too short" not in text
    assert "too short to judge" in brief([(5, TANK)] * 19)


def test_a_log_of_another_network_is_not_called_sound(brief):
    """Claims and requests are those of any network; one message that is defined is enough to be this one."""
    other = [(n / 2, "0DF01123#0102030405060708") for n in range(1, 60)]
    claim = (0.0, "18EEFF23#D3B11B0000000000")
    text = brief([claim, *other])
    assert "None of its messages is defined" in text
    assert "check that it is the right bus" in text
    assert "No rule found anything wrong" in brief([*other, (31, TANK)])


def test_what_was_not_decoded_is_said_where_nothing_was(brief):
    """A log of short identifiers alone."""
    text = brief([(n / 2, "123#01") for n in range(60)])
    assert "no frames of this network. Not decoded: 60 11-bit. Next step" in text


def test_one_address_alone_is_doubted(brief):
    """Others may be missing, or filtered out."""
    doubt = "Only one address sent frames: whether others are missing, or were filtered out, is not known."
    frames = [(n, TANK) for n in range(20)]
    assert doubt in brief(frames)
    assert doubt not in brief([*frames, (20, FURNACE)])


def test_an_address_is_explained_by_its_functions_once(brief):
    """By the first two; a reader without the rest of the survey knows no addresses."""
    frames = [(n * 5, TANK) for n in range(20)] + [(n * 5 + 1, FURNACE) for n in range(30)]
    text = brief(sorted(frames))
    assert "address 48 hex (tank 0) stopped sending" in text
    assert text.count("(tank 0)") == 1


def test_another_instance_is_named_beside_the_missing_one(brief):
    """The device sends the same message as furnace 2 since the one of furnace 1 is missing."""
    one, other = "19FFE45E#01FFFFFFFFFFFFFF", "19FFE45E#02FFFFFFFFFFFFFF"
    tank = [(n * 5 + 1, TANK) for n in range(40)]
    frames = [(n * 5, one if n < 20 else other) for n in range(40)]
    text = brief(sorted(tank + frames))
    assert "FURNACE_STATUS, instance 1: not received for" in text
    assert "; instance 2 of it has come since 100.0 s from the same address" in text
    assert "Next step: set its instance as it was" in text
    both = brief(sorted([*tank, *frames[:20], *((n * 5 + 2, other) for n in range(40))]))
    assert "has come since" not in both


def test_a_function_that_is_commanded_and_missing_is_named(brief):
    """Its commander does not fail to follow commands."""
    frames = [(n * 5, TANK) for n in range(20)] + [(n * 5 + 1, "19FFE344#01FCC8C8FFFFFFFF") for n in range(20)]
    text = brief(sorted(frames))
    assert "commands furnace 1, but no furnace 1 was ever heard. Evidence" in text
    assert "does not follow its commands" not in text


def test_devices_that_the_rig_does_not_name_are_doubted(brief):
    """Their silence is not judged, and they are counted in one sentence."""
    Path("part.toml").write_text(
        'schema = 1\nname = "part"\ntitle = "part"\n\n[[device]]\nname = "tank"\nkind = "tank"\naddress = 0x48\n'
        "functions = { tank = 0 }\n"
    )
    frames = [(n * 5.0, TANK) for n in range(20)]
    frames += [(n * 5 + 0.1 * k, f"19FF9C{0x90 + k:02X}#{k:02X}FFFFFFFFFFFFFF") for n in range(20) for k in range(1, 9)]
    text = brief(sorted(frames), "--rig", "part.toml")
    assert "and 3 more: each is not as planned" in text
    assert "8 addresses are not in the rig: whether one of them fell silent is not judged." in text


def test_a_device_that_stops_at_the_end_is_not_a_setting(brief):
    """Twelve seconds are too short to call it silent; all its messages ended at one moment."""
    fast = [(n / 2, "19FFFD45#0178FFFFFFFFFFFF") for n in range(177)]
    tank = [(n * 5.0, TANK) for n in range(21)]
    text = brief(sorted([*fast, *tank]))
    assert "did not send in time" in text
    assert "; nothing else has come from it since" in text
    assert "Next step: check its power and fuse first" in text
    other = [(n / 2 + 0.1, "19FFFC45#01FFFFFFFFFFFFFF") for n in range(201)]
    text = brief(sorted([*fast, *tank, *other]))
    assert "nothing else has come" not in text
    assert "Next step: check its firmware and its setting" in text


def test_devices_that_kept_their_power_point_to_the_cable(brief):
    """They went and came back together, without a claim afterwards."""
    frames = []
    for n, address in enumerate((0x91, 0x92, 0x93)):
        frames.append((0.01 * n, f"18EEFF{address:02X}#0{n}B11B0000000000"))
        frames += [
            (5.0 * k + 0.1 * n, f"19FF9C{address:02X}#{n + 1:02X}FFFFFFFFFFFFFF")
            for k in range(1, 40)
            if not 10 <= k <= 16
        ]
    tank = [(n * 2.0 + 1, TANK) for n in range(100)]
    text = brief(sorted([*frames, *tank]))
    assert "back without an address claim, so without a restart. Next step: look for a part of the bus cable" in text


def test_an_address_that_sends_most_frames_is_named(brief):
    """Three quarters of all, among eight addresses or more: half of them is usual for a battery monitor."""
    tanks = [(n * 2.0 + 0.1 * k, f"19FFB7{0x48 + k:02X}#{k:02X}FF0A32FFFFFFFF") for n in range(20) for k in range(7)]
    loud = [(n / 12 + 0.05, "19FFFD45#0178FFFFFFFFFFFF") for n in range(420)]
    assert "75 % of all frames came from address 45 hex" in brief(sorted([*tanks, *loud]))
    assert "of all frames came from" not in brief(sorted([*tanks, *loud[:410]]))
    without = [one for one in tanks if "19FFB748" not in one[1]]
    assert "of all frames came from" not in brief(sorted([*without, *loud]))
