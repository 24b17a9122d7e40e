"""A survey's first lines, its paragraph, its tables, and many logs at once."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rvsim.faces.cli import survey_command
from rvsim.faces.cli.commands import app
from rvsim.runs import processes

MARINE = str(Path(__file__).parents[2] / "data" / "marine_bus_2014.log")
LOGS = {"quiet": "heater_goes_quiet", "healthy": "winter_evening", "lockout": "heater_lockout"}


@pytest.fixture(scope="module", autouse=True)
def folder(tmp_path_factory):
    """The folder of all tests here, with one log of each scenario, a minute and a half long."""
    where = tmp_path_factory.mktemp("survey")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(where / "cache"))
        patch.chdir(where)
        for name, scenario in LOGS.items():
            run("bench", scenario, "--seconds", "90", "--speed", "max", "--json", "--record", f"{name}.log")
        Path("empty.log").write_text("")
        Path("nothing.txt").write_text("# no log\n")
        commands = ((time, number) for time in range(0, 60, 5) for number in range(1, 13))
        lines = (f"({time}.{number:06d}) can0 19FFE344#{number:02X}FCC8C8FFFFFFFF\n" for time, number in commands)
        Path("missing.log").write_text("".join(lines))
        yield where


def run(*arguments, **more):
    """Run a command: (exit code, stdout, stderr)."""
    done = CliRunner().invoke(app, arguments, **more)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout, done.stderr


def survey(*arguments):
    """Return what a survey prints; it says nothing else."""
    code, out, err = run("survey", *arguments)
    assert (code, err) == (0, "")
    return out


def first_lines(*arguments):
    """Return the lines above the first blank one."""
    return survey(*arguments).split("\n\n")[0].splitlines()


# The first lines.


def test_the_first_lines_say_what_is_wrong(longest_gap):
    """The worst trouble first, with its evidence and its next step; then the others and the devices."""
    lines = first_lines("quiet.log", "--rig", "ottersby")
    assert re.fullmatch(r"quiet\.log, candump text: \d+ frames in 89\.\d s from 11 addresses\.", lines[0])
    assert lines[1] == "Summary"
    assert lines[2] == "  [4] fault: heater stopped sending; this explains <1> to <3>."
    times = re.fullmatch(
        r"      silent for 15\.0 s, due every 5 s; last frame at (\d+\.\d{3}) s \(from (\d+\.\d) s until (\d+\.\d) s, "
        r"silent for (\d+\.\d\d) s in all\); back without an address claim, so without a restart",
        lines[3],
    )
    assert times
    start, last, back = longest_gap("quiet.log", "5E")
    assert float(times[1]) == pytest.approx(last - start, abs=0.0011)
    assert float(times[2]) == pytest.approx(last + 15 - start, abs=0.06)
    assert float(times[3]) == pytest.approx(back - start, abs=0.06)
    assert float(times[4]) == pytest.approx(back - last, abs=0.006)
    assert (
        lines[4] == "      Try next: check its data plug first, then its drop: it did not restart, so it kept its power"
    )
    assert lines[-1] == "  11 of 11 planned devices sent frames."


@pytest.mark.parametrize("log", [MARINE, "quiet.log", "healthy.log", "lockout.log", "missing.log"])
@pytest.mark.parametrize("rig", [(), ("--rig", "ottersby")])
def test_there_are_never_more_than_ten(log, rig):
    """However much is wrong: twelve furnaces are commanded and never heard, each a trouble of its own."""
    lines = first_lines(log, *rig)
    assert len(lines) <= 10
    if log == "missing.log":
        assert any(re.fullmatch(r"  and \d+ more kinds? of trouble, below\.", line) for line in lines)


def test_a_healthy_log_says_so_first():
    """And nothing is to be tried."""
    lines = first_lines("healthy.log", "--rig", "ottersby")
    assert lines[2:] == ["  No rule found anything wrong.", "  11 of 11 planned devices sent frames."]


def test_a_notice_is_not_what_is_wrong():
    """It stands behind the sentence that nothing was found, and a paragraph does not name it."""
    frames = "".join(f"({number}.0) can0 19FFE45E#0100C864\n" for number in range(30))
    Path("short.log").write_text(frames)
    lines = first_lines("short.log")
    assert lines[2] == "  No rule found anything wrong."
    assert lines[3] == "  (1) notice: address 5E hex sent frames of the wrong length."
    out = survey("short.log", "--brief")
    assert "No rule found anything wrong. 1 address sent frames." in out
    assert "wrong length" not in out


def test_a_log_that_is_too_short_says_so():
    """Nobody is called missing, although most have not sent yet."""
    lines = first_lines("healthy.log", "--rig", "ottersby", "--to", "0.4")
    assert "  Nothing wrong was found in a log that is too short to judge." in lines
    assert "  Less than 15 s: too short to tell which devices are missing." in lines


# The paragraph.


def test_a_paragraph_for_a_mail(longest_gap):
    """One line: the log, the cause with its evidence, the next step, what else there is, and what is not certain."""
    out = survey("quiet.log", "--rig", "ottersby", "--brief")
    assert len(out.splitlines()) == 1
    parts = (
        r"quiet\.log: \d+ frames in 89\.\d s\. ",
        r"Most likely cause \(fault\): heater stopped sending\. ",
        r"Evidence: silent for 15\.0 s, due every 5 s; last frame at (?P<last>\d+\.\d{3}) s \(.*\); "
        r"back without an address claim, so without a restart; it explains 3 more flags\. ",
        r"Next step: check its data plug first, then its drop: it did not restart, so it kept its power\. ",
        r"(Also: .*\. )?11 of 11 planned devices sent frames\. ",
        r"Not certain: A log does not show whether the data plug, the drop or the device itself failed\..*",
    )
    found = re.fullmatch("".join(parts) + "\n", out)
    assert found
    start, last, _ = longest_gap("quiet.log", "5E")
    assert float(found["last"]) == pytest.approx(last - start, abs=0.0011)


def test_a_paragraph_of_a_healthy_log():
    """It says that nothing was found, and what to do if the trouble is still there."""
    out = survey("healthy.log", "--rig", "ottersby", "--brief")
    assert "No rule found anything wrong. 11 of 11 planned devices sent frames. Next step: record a log while" in out
    assert "Not certain" not in out
    out = survey("healthy.log", "--brief")
    assert "Not certain: No rig was given: the planned devices are not known, so a device that never sent" in out


def test_a_paragraph_of_an_empty_log():
    """It claims nothing."""
    out = survey("empty.log", "--brief")
    assert out == (
        "empty.log: 0 frames in 0.0 s. The log has no frames of this network. Next step: check that it is the right "
        "log, bus and filter.\n"
    )


def test_a_paragraph_of_a_cause_and_of_undefined_messages():
    """A recorder that paused is outside the vehicle; what is not defined is not judged; the log has a date."""
    out = survey(MARINE, "--brief")
    assert "started 2014-09-14 17:14:42 UTC." in out
    assert "Most likely cause (warning): the recorder paused, or the bus did: no frame for 1.5 s" in out
    assert "10 of 11 messages are not defined: their values are not judged." in out
    assert out.endswith("The cause may be the recorder, not the vehicle.\n")


def test_a_paragraph_of_flags_without_a_common_cause():
    """The worst one leads, at most three others are named, and the doubt is said."""
    out = survey(MARINE, "--rig", "ottersby", "--brief")
    assert "Most likely cause (fault): 11 of 11 planned devices sent nothing at all" in out
    assert "No single cause explains all" in out
    out = survey("missing.log", "--brief")
    assert re.search(r" Also: [^.]*; and \d+ more\. ", out)
    out = survey("quiet.log", "--brief", "--to", "10")
    assert "Only a part of the log was asked for." in out
    assert "The log has less than 15 s: too short to tell which devices are missing." in out


def test_a_supply_that_failed_is_told_from_a_plug_that_did():
    """By the address claim of a node that starts; one that never claimed, or is still silent, tells nothing."""
    run("bench", "low_voltage", "--seconds", "90", "--speed", "max", "--json", "--record", "supply.log")
    out = survey("supply.log", "--rig", "ottersby", "--brief")
    assert "circulation pump and heater became silent at one moment" in out
    assert "; back with an address claim, so without power meanwhile, or restarted." in out
    assert "Next step: look for a shared supply: " in out
    assert out.endswith("A log does not show whether the fuse, the wire, the ground or the device itself failed.\n")
    lines = Path("quiet.log").read_text().splitlines()
    Path("unclaimed.log").write_text("\n".join(line for line in lines if " 18EEFF5E#" not in line) + "\n")
    Path("gone.log").write_text("\n".join(lines[: len(lines) // 2]) + "\n")
    for log in ("unclaimed.log", "gone.log"):
        out = survey(log, "--rig", "ottersby", "--brief")
        assert "Most likely cause (fault): heater stopped sending" in out
        assert "address claim" not in out
        assert "Next step: check its power and fuse first" in out
        assert "A log does not show whether the supply, the plug or the device itself failed." in out


def test_times_that_cannot_be_trusted_are_a_doubt():
    """It comes first, because it limits all the rest."""
    lines = Path("quiet.log").read_text().splitlines()
    late = [re.sub(r"^\((\d+)", lambda time: f"({int(time[1]) + 5000}", line) for line in lines[:300]]
    Path("set.log").write_text("\n".join([*late, *lines[300:]]) + "\n")
    out = survey("set.log", "--brief", "--rig", "ottersby")
    assert "Not certain: The times of the log are not plausible: gaps, silence and bus load are not judged." in out
    found = json.loads(survey("set.log", "--json", "--rig", "ottersby"))
    assert found["presence"] == []
    assert "Presence." not in survey("set.log", "--rig", "ottersby")


def test_the_json_form_has_the_same_parts():
    """Each by itself, in metric units."""
    found = json.loads(survey("quiet.log", "--rig", "ottersby", "--json"))["answer"]
    assert (found["severity"], found["cause"]) == ("fault", "heater stopped sending.")
    assert found["next_step"].startswith("check its data plug first, then its drop")
    assert found["doubts"][0].startswith("A log does not show")
    healthy = json.loads(survey("healthy.log", "--rig", "ottersby", "--json"))["answer"]
    assert (healthy["severity"], healthy["others"], healthy["doubts"]) == (None, [], [])


# Details.


def test_presence_over_time():
    """A row for each device of one width, in signs that plain ASCII can replace one by one."""
    out = survey("quiet.log", "--rig", "ottersby")
    rows = out.split("Presence.")[1].split("\n\n")[0].splitlines()[1:]
    assert len(rows) == 12
    heater = next(row for row in rows if row.startswith("  heater"))
    assert re.fullmatch(r"  heater {12}═+▒?·{10,20}═+", heater)
    assert len({len(row) for row in rows}) == 1
    plain = survey("quiet.log", "--rig", "ottersby", "--ascii")
    assert re.search(r"^  heater {12}=+:?\.{10,20}=+$", plain, re.MULTILINE)
    assert plain.isascii()
    spans = json.loads(survey("quiet.log", "--rig", "ottersby", "--json"))["presence"]
    (heater,) = (one for one in spans if one["device"] == "heater")
    assert [span["state"] for span in heater["spans"]] == ["present", "late", "silent", "present"]
    only = json.loads(survey("quiet.log", "--rig", "ottersby", "--json", "--device", "heater"))["presence"]
    assert only == [heater]


def test_faults_that_devices_report():
    """Who, which number, when first and last."""
    out = survey("lockout.log", "--rig", "ottersby")
    line = re.search(
        r"^  heater: furnace function reports SPN 2130, FMI 7 \(mechanical fault\), red lamp on \(fault; first (.*?) s",
        out,
        re.MULTILINE,
    )
    assert line
    (found,) = json.loads(survey("lockout.log", "--json"))["reported_faults"]
    assert (found["spn"], found["fmi"], found["times"], found["severity"]) == (2130, 7, 1, "fault")
    assert found["first"] == pytest.approx(30, abs=0.1)
    assert float(line[1]) == pytest.approx(found["first"], abs=0.06)


def test_what_each_field_did():
    """Asked for, or where a device or a message is chosen; always in JSON."""
    assert "Signals" not in survey("quiet.log", "--rig", "ottersby")
    whole = survey("quiet.log", "--rig", "ottersby", "--signals")
    assert re.search(r"^  battery monitor: DC_SOURCE_STATUS_1, instance 1$", whole, re.MULTILINE)
    chosen = survey("quiet.log", "--rig", "ottersby", "--device", "heater", "--message", "FURNACE_STATUS")
    table = chosen.split("Signals")[1].split("\n\n")[0]
    assert table.count("\n  heater: ") == 1
    assert re.search(r"    heat output level \* +0 % +\d+ % +\d+ % +\d+ +\d+\.\d s\n", table)
    assert "    always no data: dead band **, second stage dead band **" in table
    signals = json.loads(survey("quiet.log", "--json"))["signals"]
    level = next(one for one in signals if (one["source"], one["field"]) == (0x5E, "heat_output_level"))
    assert (level["message"], level["instance"], level["unit"], level["lowest"]) == ("FURNACE_STATUS", 1, "%", 0)
    assert level["frames"] == level["with_value"] > 5
    some = json.loads(survey("quiet.log", "--json", "--message", "FURNACE_STATUS", "--device", "5E"))["signals"]
    assert {(one["source"], one["message"]) for one in some} == {(0x5E, "FURNACE_STATUS")}


def test_fields_in_other_units():
    """The table converts; JSON stays metric."""
    options = ("quiet.log", "--message", "THERMOSTAT_AMBIENT_STATUS", "--units", "us")
    assert re.search(r"ambient temperature \* +\d+\.\d °F", survey(*options))
    assert '"unit": "\\u00b0C"' in survey(*options, "--json")


def test_clock_times_where_the_log_has_a_date(longest_gap):
    """In flags, presence and fields; not where the clock was set meanwhile."""
    lines = [
        re.sub(r"^\((\d+)\.", lambda time: f"({1_700_000_000 + int(time[1])}.", line)
        for line in Path("quiet.log").read_text().splitlines()
    ]
    Path("dated.log").write_text("\n".join(lines) + "\n")
    out = survey("dated.log", "--rig", "ottersby", "--signals")
    start, last, back = longest_gap("dated.log", "5E")
    assert f"{datetime.fromtimestamp(start, UTC):%H:%M:%S}" == "22:13:20"
    since, until = (f"{datetime.fromtimestamp(time, UTC):%H:%M:%S}" for time in (last + 15, back))
    assert f"(from {last + 15 - start:.1f} s until {back - start:.1f} s, {since} to {until} UTC, silent for" in out
    assert re.search(r"^ +2023-11-14 22:13:20 +2023-11-14 22:14:\d\d UTC$", out, re.MULTILINE)
    assert re.search(r"heat output level .* s, 22:1\d:\d\d UTC$", out, re.MULTILINE)
    assert "UTC" not in survey("quiet.log", "--rig", "ottersby", "--signals")
    set_back = [line.replace("(17", "(16", 1) if number > 200 else line for number, line in enumerate(lines)]
    Path("back.log").write_text("\n".join(set_back) + "\n")
    assert " UTC" not in survey("back.log", "--rig", "ottersby").split("Summary")[1]


# Filters.


def test_filters_together():
    """A period, a device and a message of one channel; each limits what the others leave."""
    two = Path("two.log")
    lines = Path("quiet.log").read_text().splitlines()
    channel = lines[0].split()[1]
    doubled = [one for line in lines for one in (line, line.replace(channel, "can7", 1))]
    two.write_text("\n".join(doubled) + "\n")
    found = json.loads(
        survey(
            "two.log", "--json", "--channel", "can7", "--from", "62", "--to", "80", "--device", "5E", "--message",
            "FURNACE_STATUS", "--rig", "ottersby",
        )
    )  # fmt: skip
    assert (found["channel"], found["part"]["from"], found["part"]["to"]) == ("can7", 62, 80)
    ((device,),) = (found["devices"],)
    assert [message["message"] for message in device["messages"]] == ["FURNACE_STATUS"]
    assert 2 <= device["messages"][0]["count"] <= 5
    assert {signal["message"] for signal in found["signals"]} == {"FURNACE_STATUS"}
    assert all(signal["unchanged_since"] >= 62 for signal in found["signals"])
    assert [one["device"] for one in found["presence"]] == ["heater"]
    assert found["flags"] == []  # the silence ended before


def test_what_is_not_in_the_log_is_said():
    """A device that sent nothing is no error."""
    out = survey("healthy.log", "--device", "33")
    assert "  Nothing that was asked for is in the log." in out.splitlines()


# Many logs.


def test_many_logs_have_an_answer_together(monkeypatch):
    """After one each: what is wrong in how many of them, and what is not in all."""
    out = survey("quiet.log", "healthy.log", "lockout.log", "--rig", "ottersby", "--processes", "1")
    together = out[out.index("All 3 together") :].splitlines()
    assert re.fullmatch(r"All 3 together: \d+ frames in 4 min 29 s from 11 devices\.", together[0])
    assert "  fault: heater stopped sending, in 1 of 3: quiet.log." in together
    assert "  fault: heater reports a fault, in 1 of 3: lockout.log." in together
    assert "  No rule found anything wrong in healthy.log." in together
    assert out == survey("quiet.log", "healthy.log", "lockout.log", "--rig", "ottersby", "--processes", "2")
    brief = survey("quiet.log", "healthy.log", "--rig", "ottersby", "--brief").split("\n\n")
    assert [text.split(":")[0] for text in brief] == ["quiet.log", "healthy.log", "All 2 together"]
    assert "In 1 of 2: heater stopped sending (fault; quiet.log)." in brief[2]
    together = survey(MARINE, MARINE).split("All 2 together")[1]
    assert ("recorder did" in together, "notice" in together) == (True, False)
    kept = [line for line in Path("healthy.log").read_text().splitlines() if "90#" not in line]
    Path("fanless.log").write_text("\n".join(kept) + "\n")
    assert "  roof fan is in 1 of 2." in survey("healthy.log", "fanless.log", "--rig", "ottersby").splitlines()


def test_times_that_no_bus_can_have_are_said_first():
    """Milliseconds written where seconds belong, a thousandth of them: not a log that is too short."""
    lines = Path("healthy.log").read_text().splitlines()
    short = [re.sub(r"^\((\d+\.\d+)\)", lambda at: f"({float(at[1]) / 1000:.6f})", line) for line in lines]
    Path("ms.log").write_text("\n".join(short) + "\n")
    brief = survey("ms.log", "--brief")
    assert "The times of the log, or its bit rate, are wrong: they give a bus load of" in brief
    assert "Next step: export the log again with the times in seconds" in brief


def test_files_of_one_recording_and_two_recorders_are_known_by_their_clocks():
    """In any order; the first line of the answer together says it, with the next step; the JSON form has the names."""
    lines = Path("healthy.log").read_text().splitlines()
    dated = [re.sub(r"^\((\d+)\.", lambda at: f"({1_700_000_000 + int(at[1])}.", line) for line in lines]
    half = len(dated) // 2
    for name, part in (("1.log", dated[:half]), ("2.log", dated[half:]), ("whole.log", dated), ("copy.log", dated[9:])):
        Path(name).write_text("\n".join(part) + "\n")
    brief = survey("2.log", "1.log", "--brief").split("\n\n")[-1]
    assert "1.log and 2.log are one recording in this order: what goes on" in brief
    assert "rvsim export --frames 1.log 2.log --output whole.log" in brief
    found = json.loads(survey("whole.log", "copy.log", "--json", "--together").splitlines()[-1])
    assert (found["same_time"], found["one_recording"]) == ([["whole.log", "copy.log"]], [])
    assert found["recorded_seconds"] < found["seconds"] / 1.9
    assert "have the same devices at the same time" in survey("whole.log", "copy.log", "--brief")


def test_many_logs_as_json():
    """An object each, and one for all only where it is asked for."""
    lines = survey("quiet.log", "healthy.log", "--json").splitlines()
    assert [json.loads(line)["log"] for line in lines] == ["quiet.log", "healthy.log"]
    found = json.loads(survey("quiet.log", "healthy.log", "--json", "--together").splitlines()[-1])
    assert (found["schema"], found["together"], found["not_read"]) == (1, ["quiet.log", "healthy.log"], [])
    assert found["frames"] == sum(json.loads(line)["frames"] for line in lines)
    assert {device["logs"] for device in found["devices"]} == {2}
    (silent,) = (one for one in found["troubles"] if one["kind"] == "silent-device")
    assert (silent["subject"], silent["logs"]) == ("address 5E hex", ["quiet.log"])


@pytest.mark.parametrize("processes", ["1", "2"])
def test_one_bad_log_does_not_stop_the_others(processes):
    """It is told at the end, with exit code 2, and in the answer together."""
    code, out, err = run("survey", "quiet.log", "nix.log", "nothing.txt", "healthy.log", "--processes", processes)
    assert code == 2
    assert re.findall(r"^(\w+\.log), candump", out, re.MULTILINE) == ["quiet.log", "healthy.log"]
    assert "  Not read: nix.log, nothing.txt." in out.splitlines()
    assert [line.split(":")[1] for line in err.splitlines()] == [" nix.log", " nothing.txt"]


def test_a_rig_is_read_for_each_survey():
    """One that was changed meanwhile is not the old one."""
    run("survey", "healthy.log", "--draft-rig", "mine.toml")
    assert run("survey", "healthy.log", "--rig", "mine.toml", "--brief")[0] == 0
    Path("mine.toml").write_text("schema = 2\n")
    assert run("survey", "healthy.log", "--rig", "mine.toml", "--brief")[0] == 2


def test_a_filter_that_fits_one_log_only():
    """The other one is told at the end; what fits is shown."""
    lines = Path("quiet.log").read_text().splitlines()
    channel = lines[0].split()[1]
    Path("other.log").write_text("\n".join(line.replace(channel, "can3", 1) for line in lines[:200]) + "\n")
    code, out, err = run("survey", "quiet.log", "other.log", "--channel", "can3", "--brief")
    assert (code, out.split(":")[0]) == (2, "other.log")
    assert err.startswith("rvsim: --channel can3: not in quiet.log: the log has ")
    code, out, err = run("survey", "quiet.log", "other.log", "--from", "60", "--brief")
    assert (code, out.split(":")[0]) == (2, "quiet.log")
    assert err.startswith("rvsim: --from 60: other.log ends ")


def test_large_logs_are_read_in_processes(monkeypatch):
    """Small ones are not: starting a process takes about as long as reading one."""
    asked = []

    def in_processes(names, work, processes, report):
        asked.append((list(names), processes))
        return map(work, names)

    monkeypatch.setattr(survey_command, "in_processes", in_processes)
    monkeypatch.setattr(processes, "usable_processors", lambda: 2)
    survey("quiet.log", "healthy.log")
    assert asked == []
    monkeypatch.setattr(survey_command, "MIN_BYTES_FOR_PROCESSES", 10_000)
    survey("quiet.log", "healthy.log")
    survey("quiet.log", "healthy.log", "--processes", "1")
    survey("quiet.log")
    run("survey", "quiet.log", "-", input=Path("healthy.log").read_text())
    assert asked == [(["quiet.log", "healthy.log"], None)]


def test_a_pattern_that_no_shell_has_replaced():
    """As in the terminal of Windows: the files that match, by name; a file that has such a name is that file."""
    assert survey_command.named_logs(["h*.log", "-"]) == ["healthy.log", "-"]
    Path("odd[1].log").write_text("")
    assert survey_command.named_logs(["odd[1].log", "nix.log"]) == ["odd[1].log", "nix.log"]


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("quiet.log", "--brief", "--json"), '--brief and --json cannot go together: the JSON form has the same parts'),
        (("quiet.log", "--brief", "--signals"), "--brief and --signals cannot go together: a paragraph has no table"),
        (("quiet.log", "--together"), "--together goes with --json: the text has all logs together at its end"),
        (("quiet.log", "--processes", "0"), "--processes 0: give a number above 0"),
        (("x*.log",), "x*.log: no file matches this pattern: check the name"),
        (("-", "-"), "-: stdin can be read once: name it once"),
        ((".",), ".: a folder: name a log in it"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_for(options, why):
    """One clear line each, exit code 2, nothing on stdout."""
    code, out, err = run("survey", *options)
    assert (code, out) == (2, "")
    assert err.startswith(f"rvsim: {why}")
    assert len(err.splitlines()) == 1
