"""A survey of one channel, of a part of a log, of some devices or messages; recordings that are not overwritten."""

import json
from pathlib import Path

import pytest

HEATER, PUMP = "19FFE45E", "1FFFF0AA"


@pytest.fixture
def quiet(rvsim):
    """A recording of a heater that goes quiet at about 30 s."""
    rvsim("bench", "heater_goes_quiet", "--seconds", "90", "--speed", "max", "--record", "q.log")
    return "q.log"


def two_channels(name="two.log"):
    """Write a log of two channels, the second with half the frames."""
    lines = []
    for step in range(200):
        lines.append(f"({1_700_000_000 + step / 10:.6f}) can0 19FFE45E#0100C864FFFFFFFF\n")
        if step % 2:
            lines.append(f"({1_700_000_000 + step / 10:.6f}) vcan1 19FFE45F#0100C864FFFFFFFF\n")
    Path(name).write_text("".join(lines))
    return name


def test_each_channel_has_an_answer_of_its_own(rvsim):
    """In words a section each; as JSON an object each, with its channel."""
    log = two_channels()
    code, out, _ = rvsim("survey", log)
    assert code == 0
    assert "two.log, channel can0, candump text: 200 frames in 19.9 s from 1 address" in out
    assert "two.log, channel vcan1, candump text: 100 frames in 19.8 s from 1 address" in out
    found = [json.loads(line) for line in rvsim("survey", log, "--json")[1].splitlines()]
    assert [(one["channel"], one["frames"]) for one in found] == [("can0", 200), ("vcan1", 100)]


def test_one_channel_is_chosen(rvsim):
    """By its name; an unknown one is one clear line that names those that are there, exit code 2."""
    log = two_channels()
    found = json.loads(rvsim("survey", log, "--json", "--channel", "vcan1")[1])
    assert (found["channel"], found["frames"], [one["source"] for one in found["devices"]]) == ("vcan1", 100, [0x5F])
    code, out, err = rvsim("survey", log, "--channel", "can9")
    assert (code, out) == (2, "")
    assert err == "rvsim: --channel can9: not in two.log: the log has can0, vcan1\n"


@pytest.mark.parametrize("command", [("replay", "--speed", "max", "--plain"), ("survey", "--draft-rig", "new.toml")])
def test_replay_and_a_drafted_rig_need_a_channel_where_there_are_several(rvsim, command):
    """They say which there are, and write nothing; with one they go on."""
    name, *options = command
    log = two_channels()
    code, out, err = rvsim(name, log, *options)
    assert (code, out) == (2, "")
    assert "the log has the channels can0, vcan1, each a separate bus: choose one with --channel can0" in err
    assert not Path("new.toml").exists()
    assert rvsim(name, log, *options, "--channel", "vcan1")[0] == 0


def test_a_part_of_a_log(rvsim, quiet):
    """Counts, gaps and load are of the part; a flag that ended before it, or began behind it, is not told."""
    whole = json.loads(rvsim("survey", quiet, "--rig", "ottersby", "--json")[1])
    early = json.loads(rvsim("survey", quiet, "--rig", "ottersby", "--json", "--to", "20")[1])
    late = json.loads(rvsim("survey", quiet, "--rig", "ottersby", "--json", "--from", "20")[1])
    assert early["flags"] == []
    assert [flag["kind"] for flag in late["flags"]] == [flag["kind"] for flag in whole["flags"]] != []
    assert early["frames"] < whole["frames"]
    assert early["frames"] + late["frames"] == whole["frames"]  # none at 20 s itself
    assert early["seconds"] == pytest.approx(20, abs=0.5)
    assert whole["part"] == {"from": 0, "to": None, "devices": [], "messages": []}
    text = rvsim("survey", quiet, "--rig", "ottersby", "--from", "20", "--to", "30")[1]
    assert "Shown: from 20 s to 30 s of the log. The rules judged everything up to 30 s, with all devices" in text


def test_some_devices(rvsim, quiet):
    """By name in the rig or by address: its messages and its flags, nobody else's; what is told is said."""
    for name in ("heater", "5E", "0x5e", "address 5E hex"):
        found = json.loads(rvsim("survey", quiet, "--rig", "ottersby", "--json", "--device", name)[1])
        assert [one["source"] for one in found["devices"]] == [0x5E], name
        assert {flag["subject"] for flag in found["flags"]} == {"heater"}, name
    pump = json.loads(rvsim("survey", quiet, "--rig", "ottersby", "--json", "--device", "circulation pump")[1])
    assert pump["flags"] == []
    both = rvsim("survey", quiet, "--rig", "ottersby", "--device", "heater", "--device", "circulation pump")[1]
    assert "Shown: devices heater, circulation pump. The rules judged the whole log" in both


def test_figures_of_the_whole_log(rvsim, quiet):
    """With some devices or messages left out, the first lines and the planned devices are still those of all."""
    options = ("survey", quiet, "--rig", "ottersby")
    whole, fan = rvsim(*options)[1].splitlines(), rvsim(*options, "--device", "roof fan")[1].splitlines()
    status = rvsim(*options, "--message", "FURNACE_STATUS")[1].splitlines()
    assert fan[0] == status[0] == whole[0]
    (load,) = (line for line in whole if line.startswith("Bus load"))
    assert (load in fan, load in status, "% battery monitor, " in load) == (True, True, True)
    assert "  11 of 11 planned devices sent frames." in fan
    assert "  No rule found anything wrong in what is shown." in fan


def test_some_messages(rvsim, quiet):
    """By name or by DGN: only these are listed."""
    for name in ("FURNACE_STATUS", "furnace_status", "1FFE4"):
        found = json.loads(rvsim("survey", quiet, "--json", "--message", name)[1])
        assert {one["message"] for device in found["devices"] for one in device["messages"]} == {"FURNACE_STATUS"}


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--device", "nobody"), "--device nobody: give a device of a rig given by --rig, or an address in hex"),
        (
            ("--device", "nobody", "--rig", "ottersby"),
            "--device nobody: give a device of the rig (control panel, heater, ",
        ),
        (("--message", "NO_SUCH"), "--message NO_SUCH: not defined: give a name such as DC_SOURCE_STATUS_1, or a DGN"),
        (("--from", "500"), "--from 500: q.log ends 89.7 s after its first frame"),
        (("--from", "5", "--to", "5"), "--to 5: give more than 5, the start of the part"),
    ],
)
def test_what_cannot_be_asked_for(rvsim, quiet, options, why):
    """One clear line each, exit code 2, nothing on stdout."""
    code, out, err = rvsim("survey", quiet, *options)
    assert (code, out) == (2, "")
    assert why in err


RUN = ("bench", "--seconds", "1", "--speed", "max", "--plain", "--record")


@pytest.mark.parametrize("command", [RUN, ("shakedown", "winter_evening", "--record")])
def test_a_recording_is_never_replaced_unasked(rvsim, command):
    """The file that is there is whole, exit code 2; with --overwrite it is replaced."""
    Path("r.log").write_text("mine\n")
    code, out, err = rvsim(*command, "r.log")
    assert (code, out, Path("r.log").read_text()) == (2, "", "mine\n")
    assert err == "rvsim: --record r.log: the file exists: name another one, or replace it with --overwrite\n"
    if command is RUN:
        assert rvsim(*command, "r.log", "--overwrite")[0] == 0
        assert "mine" not in Path("r.log").read_text()


def test_a_run_that_cannot_begin_leaves_no_recording(rvsim):
    """A scenario that is none, a device that is not there, a bus that cannot be opened."""
    assert rvsim("bench", "no_such", "--record", "r.log")[0] == 2
    assert rvsim("bench", "--except", "nobody", "--record", "r.log")[0] == 2
    assert rvsim("listen", "--interface", "no_such", "--record", "r.log")[0] in (2, 3)
    assert not Path("r.log").exists()
    assert rvsim("bench", "--overwrite")[2] == (
        "rvsim: --overwrite goes with --record FILE: add it, or leave --overwrite out\n"
    )


def test_a_device_can_be_recorded_to(rvsim):
    """What is no file holds nothing that could be lost."""
    Path("r.log").symlink_to("/dev/null")
    assert rvsim(*RUN, "r.log")[0] == 0
