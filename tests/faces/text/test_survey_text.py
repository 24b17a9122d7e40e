"""A survey as a person and as a program get it."""

import json
import re
from pathlib import Path

import pytest

from rvsim.faces.text.noticed import SHORT_TEXTS
from rvsim.rig.flag_kinds import PLAN_KINDS
from rvsim.watch.flag import FlagKind

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"


def test_a_recording_surveyed_in_words(rvsim, longest_gap):
    """Who was there by their planned names, how often they spoke, and the flags with times and what to try next."""
    rvsim("bench", "heater_goes_quiet", "--seconds", "120", "--speed", "max", "--record", "q.log")
    code, out, err = rvsim("survey", "q.log", "--rig", "ottersby")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert re.fullmatch(r"q\.log, candump text: \d+ frames in 119\.\d s from 11 addresses\.", lines[0])
    (load,) = (line for line in lines if line.startswith("Bus load"))
    assert re.match(r"Bus load 0\.\d % on average, \d\.\d % in the worst second, from 3\.2 s on: ", load)
    assert re.search(r"; room for 1\d\d\d more frames in that second\.$", load)
    assert "  11 of 11 planned devices sent frames." in lines
    assert "  [4] fault: heater stopped sending; this explains <1> to <3>." in lines
    assert not any("did not send in time" in line for line in lines)
    assert any(
        line.startswith(
            "  address 5E hex: heater; function: water heater 1, furnace 1; product: rvsim bench, simulated"
        )
        for line in lines
    )
    assert any(
        re.fullmatch(r" {4}FURNACE_STATUS, instance 1 \* +\d+ times, every 5\.00 s, longest gap 45\.00 s", line)
        for line in lines
    )
    at = lines.index("  [4] fault, silent-device")
    assert lines[at + 1].startswith("      heater: silent for 15.0 s, due every 5 s")
    start, last, back = longest_gap("q.log", "5E")
    assert lines[at + 1].endswith(
        f"until {back - start:.1f} s, silent for {back - last:.2f} s in all); this explains <1> to <3>, late-message"
    )
    assert lines[at + 2] == "      Try next: check its power and fuse first, then its data plug, then its drop"
    assert lines.index("  [4] fault, silent-device") < lines.index("  <5> warning, bad-value")


def test_a_recorded_bus_reads_well(rvsim):
    """Bursts are told from steady messages, notices of one kind stand together, and no rig is said to be known."""
    code, out, err = rvsim("survey", str(MARINE))
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert any(
        re.fullmatch(r" +DGN 1F801 hex, not defined +2040 times, every 100 ms, longest gap 2\.57 s", x) for x in lines
    )
    assert any("1FA04 hex, not defined" in x and "4517 times, in bursts, on average one each 47 ms" in x for x in lines)
    assert "  address 11 hex: NAME: manufacturer code 1774, serial number 123456" in lines
    assert (
        "  cause, warning: the recorder paused, or the bus did: no frame for 1.5 s up to 30.015 s, then all devices "
        "continue as before, and 3 more of this kind; this explains [11] to [14]." in lines
    )
    assert "  (1) to (10) notice, unknown-message" in lines
    assert "      and 2 more of this kind" in lines
    assert any(line.startswith("  No rig was given") for line in lines)


def test_a_healthy_recording_says_so(rvsim):
    """With its rig: everyone heard, nothing wrong."""
    rvsim("bench", "--seconds", "60", "--speed", "max", "--record", "h.jsonl")
    code, out, _ = rvsim("survey", "h.jsonl", "--rig", "ottersby")
    assert (
        "Computed from the plan, not measured: bus load at most 15.3 %; every periodic message gets through within"
        in out
    )
    assert code == 0
    assert "  No rule found anything wrong." in out.splitlines()
    assert out.splitlines()[-1] == "No flags."


def test_planned_devices_that_never_spoke(rvsim):
    """They are named at the top."""
    rvsim("bench", "--seconds", "60", "--speed", "max", "--record", "h.log")
    kept = [line for line in Path("h.log").read_text().splitlines() if "93#" not in line]
    Path("h.log").write_text("\n".join(kept) + "\n")
    _, out, _ = rvsim("survey", "h.log", "--rig", "ottersby")
    assert "  10 of 11 planned devices sent frames; no frames from: grey tank." in out.splitlines()


def test_a_clock_that_was_set_back(rvsim):
    """The line and by how much; the silence before it stands under it, nothing is judged by times."""
    rvsim("bench", "heater_goes_quiet", "--seconds", "120", "--speed", "max", "--record", "q.log")
    lines = []
    for line in Path("q.log").read_text().splitlines():
        stamp, rest = line[1:].split(")", 1)
        time = float(stamp) + (10_000 if float(stamp) < 50 else 6_400)
        lines.append(f"({time:.6f}){rest}")
    Path("set.log").write_text("\n".join(lines) + "\n")
    _, out, _ = rvsim("survey", "set.log", "--rig", "ottersby")
    assert re.search(r"line \d+: the clock was set back by 3599\.\d s; gaps across this step are not known", out)
    lines = out.splitlines()
    assert "  The times of the log are not plausible: gaps, silence and bus load are not judged." in lines[:10]
    assert (
        "The times of the log are not plausible (see below): bus load and gaps between messages are left out." in lines
    )
    assert "  <5> warning: the log has times that are not plausible; this explains <1> to [4]." in lines
    assert not any("stopped sending" in line for line in lines)
    assert any(re.fullmatch(r" {4}FURNACE_STATUS, instance 1 \* +\d+ times", line) for line in lines)
    assert any("reported an impossible value" in line for line in lines)  # what has no time in it is still told
    _, out, _ = rvsim("survey", "set.log", "--json")
    found = json.loads(out)
    assert (found["damage"]["clock_sets"], found["times_in_order"]) == (1, False)
    assert (found["bus_load"]["judged"], found["bus_load"]["average_percent"]) == (False, None)
    assert {message["worst_gap_ms"] for device in found["devices"] for message in device["messages"]} == {None}


def test_a_log_of_nothing_but_error_frames(rvsim):
    """It is not an empty one: the errors are told, the bit rate first."""
    Path("err.log").write_text("".join(f"({n}.0) can0 20000080#0000000000000000\n" for n in range(30)))
    code, out, _ = rvsim("survey", "err.log")
    assert code == 0
    assert "has no frames of this network" not in out
    assert "bus: 30 error frames from 0.000 s to 29.000 s, 10 of them within 10 s, no valid frame" in out
    assert "Try next: check the bit rate first" in out
    assert "Devices and their messages" not in out


def test_a_load_that_cannot_be_is_said_and_not_judged(rvsim):
    """4000 full frames in a second: the figure as it was computed, in words and as JSON, and doubt."""
    Path("fast.log").write_text(
        "".join(f"({n / 4000 + n // 4000 * 2:.6f}) can0 18EBFF5E#01A00FA6603BD140\n" for n in range(9000))
    )
    _, out, _ = rvsim("survey", "fast.log")
    assert "Computed bus load 222.4 % in the second from 0.0 s on, 74.1 % on average: more than 250000 bit/s can" in out
    assert "the bus load is not judged" in out
    assert "room for" not in out
    _, out, _ = rvsim("survey", "fast.log", "--json")
    load = json.loads(out)["bus_load"]
    assert (load["judged"], load["worst_second_percent"], load["room_percent"]) == (False, 222.4, 0)


def test_a_log_that_is_shorter_than_a_second(rvsim):
    """It has an average and no worst second."""
    Path("short.log").write_text("".join(f"({n / 400:.6f}) can0 18EBFF5E#01A00FA6603BD140\n" for n in range(90)))
    _, out, _ = rvsim("survey", "short.log")
    assert "Bus load 22.4 % on average; the log is too short for a worst second." in out.splitlines()
    _, out, _ = rvsim("survey", "short.log", "--json")
    load = json.loads(out)["bus_load"]
    assert (load["judged"], load["worst_second_percent"], load["worst_second"], load["room_percent"]) == (
        True, None, None, None,
    )  # fmt: skip


def test_other_frames_are_named_among_those_who_use_the_pair(rvsim):
    """11-bit frames take room too."""
    lines = [f"({n / 500:.6f}) can0 123#01A00FA6603BD140\n" for n in range(1000)]
    Path("mixed.log").write_text("".join([*lines, "(2.0) can0 18EBFF5E#01A00FA6603BD140\n"]))
    _, out, _ = rvsim("survey", "mixed.log")
    assert re.search(r"in the worst second, from 1\.0 s on: 2\d\.\d % 11-bit frames, 0\.1 % address 5E hex; room", out)
    _, out, _ = rvsim("survey", "mixed.log", "--json")
    assert set(json.loads(out)["bus_load"]["worst_second_by_source"]) == {"11-bit", "94"}


def test_an_empty_log(rvsim):
    """It is a log without frames, and no error."""
    Path("empty.log").write_text("")
    code, out, _ = rvsim("survey", "empty.log")
    assert code == 0
    assert "0 frames" in out
    assert "The log has no frames of this network. Check that it is the right log" in out


def test_several_logs_each_for_itself(rvsim):
    """In words one after the other; as JSON one object a line, in the order given."""
    rvsim("bench", "--seconds", "20", "--speed", "max", "--record", "one.log")
    rvsim("bench", "--seconds", "40", "--speed", "max", "--record", "two.log")
    _, out, _ = rvsim("survey", "one.log", "two.log", "--json")
    assert [json.loads(line)["log"] for line in out.splitlines()] == ["one.log", "two.log"]
    _, out, _ = rvsim("survey", "two.log", "one.log")
    assert re.findall(r"^(\w+\.log), candump text", out, re.MULTILINE) == ["two.log", "one.log"]


def test_every_kind_of_flag_can_be_said_in_short():
    """But for messages without a name, which are counted."""
    assert set(SHORT_TEXTS) == set(FlagKind) - PLAN_KINDS - {FlagKind.UNKNOWN_MESSAGE}


def test_one_log_that_cannot_be_read_does_not_keep_the_others(rvsim):
    """The others are surveyed all the same; what is wrong with the one is told at the end, with exit code 2."""
    rvsim("bench", "--seconds", "20", "--speed", "max", "--record", "one.log")
    code, out, err = rvsim("survey", "nix.log", "one.log", "--json")
    assert code == 2
    assert [json.loads(line)["log"] for line in out.splitlines()] == ["one.log"]
    assert err == "rvsim: nix.log: no such file: check the name\n"


def test_what_a_rig_accepts_is_named_and_an_absent_device_is_never_accepted(rvsim):
    """The heater was quiet for a while when the rig was drafted; in a log without it, it is missed all the same."""
    rvsim("bench", "heater_goes_quiet", "--seconds", "120", "--speed", "max", "--record", "q.log")
    rvsim("survey", "q.log", "--draft-rig", "learnt.toml")
    _, out, _ = rvsim("survey", "q.log", "--rig", "learnt.toml")
    (accepted,) = (line for line in out.splitlines() if line.startswith("  Not flagged, because the rig accepts it: "))
    assert "silent-device furnace 1" in accepted
    assert "No rule found anything wrong" not in out
    kept = [line for line in Path("q.log").read_text().splitlines() if "5E#" not in line]
    Path("noheat.log").write_text("\n".join(kept) + "\n")
    _, out, _ = rvsim("survey", "noheat.log", "--rig", "learnt.toml")
    assert any(line.endswith("fault: furnace 1 sent nothing at all.") for line in out.splitlines())


def test_a_short_log_is_not_judged(rvsim):
    """Below fifteen seconds nobody can be missed."""
    rvsim("bench", "--seconds", "10", "--speed", "max", "--record", "short.log")
    _, out, _ = rvsim("survey", "short.log", "--rig", "ottersby")
    assert "  Less than 15 s: too short to tell which devices are missing." in out.splitlines()
    assert "No rule found anything wrong" not in out


# Drafted rigs.


@pytest.mark.parametrize("log", [str(MARINE), "-"])
def test_a_survey_with_a_rig_drafted_from_the_log_raises_nothing(rvsim, log):
    """From a file and from stdin; the second survey has no flag, and the file says what it accepts."""
    piped = {"input": MARINE.read_bytes()} if log == "-" else {}
    code, _, err = rvsim("survey", log, "--draft-rig", "drafted.toml", **piped)
    assert code == 0
    assert err == (
        "rvsim: a rig learnt from the log is in drafted.toml; read its comments, then compare logs with it: "
        "--rig drafted.toml\n"
        "rvsim: the flags of this log are listed there as accepted, in 10 entries\n"
    )
    code, out, _ = rvsim("survey", str(MARINE), "--rig", "drafted.toml", "--json")
    assert (code, json.loads(out)["flags"]) == (0, [])
    assert "[[accepted]]" in Path("drafted.toml").read_text()
    _, out, _ = rvsim("survey", str(MARINE), "--rig", "drafted.toml")
    assert "No flags that the rig does not accept." in out
    assert "No rule found anything wrong" not in out
    (accepted,) = (line for line in out.splitlines() if line.startswith("  Not flagged, because the rig accepts it: "))
    assert "unknown-message address 02 hex, 6 times" in accepted


def test_a_draft_destroys_nothing(rvsim):
    """A file that is there stays as it is; the name has to be a rig's; and only one log can be learnt from."""
    Path("mine.toml").write_text("# mine")
    code, _, err = rvsim("survey", str(MARINE), "--draft-rig", "mine.toml")
    assert (code, Path("mine.toml").read_text()) == (2, "# mine")
    assert err == "rvsim: --draft-rig mine.toml: the file exists; name another one, or move it away\n"
    code, _, err = rvsim("survey", str(MARINE), "--draft-rig", "mine.txt")
    assert (code, "a name that ends in .toml" in err) == (2, True)
    code, _, err = rvsim("survey", str(MARINE), str(MARINE), "--draft-rig", "new.toml")
    assert (code, "learns from one log" in err) == (2, True)
    code, _, err = rvsim("survey", str(MARINE), "--draft-rig", "none/new.toml")
    assert (code, "cannot be written" in err) == (2, True)


def test_a_survey_as_json(rvsim):
    """The keys of the contract, on a recorded bus."""
    code, out, _ = rvsim("survey", str(MARINE), "--json")
    found = json.loads(out)
    assert code == 0
    assert set(found) == {
        "schema",
        "log",
        "channel",
        "started",
        "part",
        "errors",
        "frames",
        "seconds",
        "unreadable",
        "bus_load",
        "times_in_order",
        "damage",
        "listening_gaps",
        "markers",
        "accepted",
        "answer",
        "presence",
        "reported_faults",
        "signals",
        "devices",
        "causes",
        "flags",
    }
    claimed = next(device for device in found["devices"] if device["source"] == 0x11)
    assert (claimed["name"]["manufacturer_code"], claimed["name"]["serial_number"]) == (1774, 123456)
    message = claimed["messages"][-1]
    load = found["bus_load"]
    assert load.keys() == {
        "judged", "average_percent", "worst_second_percent", "worst_second", "worst_second_by_source", "room_percent",
        "plan",
    }  # fmt: skip
    assert (found["times_in_order"], load["judged"]) == (True, True)
    assert load["plan"] is None  # no rig was given
    assert 2.4 < load["average_percent"] < 2.9  # the bounds of its frames without and with all stuff bits
    assert load["worst_second_percent"] + load["room_percent"] == pytest.approx(100)
    assert sum(load["worst_second_by_source"].values()) == pytest.approx(load["worst_second_percent"], abs=0.01)
    assert set(message) == {"dgn", "message", "instance", "count", "median_gap_ms", "worst_gap_ms"}
    assert all({"kind", "subject", "since", "until"} <= set(flag) for flag in found["flags"])


def test_a_log_from_a_pipe_with_odd_lines(rvsim):
    """Stdin is read like a file, and what could not be read is told by line."""
    lines = MARINE.read_text().splitlines()[:200]
    lines.insert(3, "garbage in between")
    code, out, _ = rvsim("survey", "-", input="\n".join(lines) + "\n")
    assert code == 0
    assert "200 frames" in out
    assert "line 4 could not be read" in out


@pytest.mark.parametrize(("name", "problem"), [("none.log", "none.log"), ("README.md", "README.md")])
def test_what_is_no_log_is_one_clear_line(rvsim, tmp_path, name, problem):
    """A missing file, or one that is no log, is one line and exit code 2."""
    (tmp_path / "README.md").write_text("# not a log\n")
    code, out, err = rvsim("survey", name)
    assert (code, out) == (2, "")
    assert problem in err
    assert len(err.splitlines()) == 1


def test_times_in_which_nobody_listened_are_told(rvsim):
    """From when to when and why; of many the first ones, with the sum; as JSON all of them."""
    start = {"type": "start", "schema": 1}
    frames = [
        {"t": second, "type": "frame", "identifier": f"19FFFD{source}", "bytes": "01FF"}
        for second in (*range(30), *range(100, 130))
        for source in ("46", "47")
    ]
    frames.sort(key=lambda frame: float(str(frame["t"])))
    gap = {"t": 99.5, "type": "gap", "since": 29.5, "about": "pulled out", "channel": None}
    Path("x.jsonl").write_text("".join(json.dumps(line) + "\n" for line in (start, *frames[:60], gap, *frames[60:])))
    code, out, _ = rvsim("survey", "x.jsonl")
    assert code == 0
    (line,) = (line for line in out.splitlines() if "nobody listened" in line)
    assert line == (
        "  nobody listened from 29.500 s to 99.500 s (pulled out): what happened meanwhile is not known, and nothing "
        "is judged by it"
    )
    assert not re.search("bus-quiet|silent-device|late-message", out)
    found = json.loads(rvsim("survey", "x.jsonl", "--json")[1])
    assert found["listening_gaps"] == [{"since": 29.5, "until": 99.5, "about": "pulled out"}]
    gaps = [{"t": 200 + n, "type": "gap", "since": 199.5 + n} for n in range(7)]
    Path("y.jsonl").write_text("".join(json.dumps(line) + "\n" for line in (start, *frames, *gaps)))
    _, out, _ = rvsim("survey", "y.jsonl")
    assert out.count("nobody listened from") == 5
    assert "  2 more such gaps; all together 3.5 s" in out
    _, out, _ = rvsim("survey", "y.jsonl", "--to", "150")
    assert "nobody listened" not in out
