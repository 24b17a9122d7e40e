"""Two logs compared, as a person and as a program get it."""

import gzip
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rvsim.faces.cli import survey_command
from rvsim.faces.cli.commands import app
from rvsim.faces.text.compare_text import TITLES
from rvsim.logs.compare import THRESHOLDS, Aspect
from rvsim.runs import processes


@pytest.fixture(scope="module", autouse=True)
def folder(tmp_path_factory):
    """The folder of all tests here: a healthy vehicle, and one whose heater went quiet for a while."""
    where = tmp_path_factory.mktemp("compare")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(where / "cache"))
        patch.chdir(where)
        for scenario, name in (("winter_evening", "good.log"), ("heater_goes_quiet", "bad.jsonl")):
            run("bench", scenario, "--seconds", "90", "--speed", "max", "--json", "--record", name)
        Path("empty.log").write_text("")
        lines = Path("good.log").read_text().splitlines()
        channel = lines[0].split()[1]
        doubled = [one for line in lines for one in (line, line.replace(channel, "can7", 1))]
        Path("two.log").write_text("\n".join(doubled) + "\n")
        yield where


def run(*arguments, **more):
    """Run a command: (exit code, stdout, stderr)."""
    done = CliRunner().invoke(app, arguments, **more)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout, done.stderr


def test_the_same_log_twice():
    """Exit code 0, and every threshold is said; the format does not matter, nor whether it is packed."""
    Path("good.log.gz").write_bytes(gzip.compress(Path("good.log").read_bytes()))
    code, out, err = run("compare", "good.log", "good.log.gz")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert re.fullmatch(r"before: good\.log: \d+ frames in 89\.\d s from 11 devices\.", lines[0])
    assert re.fullmatch(r"after:  good\.log\.gz: \d+ frames in 89\.\d s from 11 devices\.", lines[1])
    assert lines[2] == "Nothing differs by these thresholds."
    assert lines[4:] == ["What counts as a difference", *(f"  {aspect}: {rule}" for aspect, rule in THRESHOLDS.items())]


def test_a_log_of_another_format():
    """What is different stands under its rule, in both directions; exit code 1."""
    code, out, err = run("compare", "good.log", "bad.jsonl", "--rig", "ottersby")
    assert (code, err) == (1, "")
    lines = out.splitlines()
    assert re.fullmatch(r"\d+ differences: \d+ new, \d+ changed\.", lines[2])
    gaps = lines.index(f"Longest gaps (what counts: {THRESHOLDS[Aspect.LONGEST_GAP]})")
    assert lines[gaps + 1].startswith("  changed  heater: DM_RV of the water heater; ")
    assert lines[gaps + 1].endswith(" and 1 more: at most 5.00 s before, at most 45.00 s after")
    assert any(line.startswith("  new      heater: fault, silent-device: silent for 15.0 s") for line in lines)
    assert "What counts as a difference" not in out
    back = run("compare", "bad.jsonl", "good.log", "--rig", "ottersby")[1]
    assert "  gone     heater: fault, silent-device: silent for 15.0 s" in back


def test_a_comparison_as_json():
    """Each difference by itself with its rule; which devices are in both, and by what they are known."""
    code, out, _ = run("compare", "good.log", "bad.jsonl", "--rig", "ottersby", "--json")
    found = json.loads(out)
    assert code == 1
    assert (found["schema"], found["same"], found["before"]["log"]) == (1, False, "good.log")
    assert set(found) == {
        "schema", "before", "after", "same", "differences", "not_judged", "not_compared", "devices", "thresholds",
    }  # fmt: skip
    silent = next(one for one in found["differences"] if one["aspect"] == "trouble" and one["device"] == "heater")
    assert (silent["sort"], silent["before"], silent["threshold"]) == ("new", None, THRESHOLDS[Aspect.TROUBLE])
    assert silent["after"].startswith("fault, silent-device: ")
    late = [one for one in found["differences"] if one["aspect"] == "longest gap"]
    assert {(one["before"], one["after"]) for one in late} == {("at most 5.00 s", "at most 45.00 s")}
    assert {device["known_by"] for device in found["devices"]} == {"the rig"}
    assert set(found["thresholds"]) == {str(aspect) for aspect in Aspect} == {str(aspect) for aspect in TITLES}
    code, out, _ = run("compare", "good.log", "good.log", "--json")
    assert (code, json.loads(out)["same"], json.loads(out)["differences"]) == (0, True, [])


def test_a_part_of_both_logs():
    """Before the heater went quiet nothing was different."""
    assert run("compare", "good.log", "bad.jsonl", "--rig", "ottersby", "--to", "15")[0] == 0
    assert run("compare", "good.log", "bad.jsonl", "--rig", "ottersby", "--from", "15")[0] == 1


def test_other_units():
    """Values convert; JSON stays metric."""
    Path("warm.log").write_text("".join(f"({n}.0) can0 19FF9C91#010025FFFFFFFFFF\n" for n in range(20)))
    Path("cold.log").write_text("".join(f"({n}.0) can0 19FF9C91#010024FFFFFFFFFF\n" for n in range(20)))
    line = "ambient temperature: 23.00 °C before, 15.00 °C after"
    assert line in run("compare", "warm.log", "cold.log")[1]
    assert (
        "ambient temperature: 73.4 °F before, 59.0 °F after"
        in run("compare", "warm.log", "cold.log", "--units", "us")[1]
    )
    assert '"before": "23.00 \\u00b0C"' in run("compare", "warm.log", "cold.log", "--units", "us", "--json")[1]


def test_an_empty_log():
    """It is said, and nothing is called gone."""
    code, out, _ = run("compare", "good.log", "empty.log")
    assert code == 1
    assert "Not compared: no frames of this network in empty.log: nothing can be compared." in out
    assert "gone" not in out
    assert run("compare", "empty.log", "empty.log")[0] == 0


def test_channels():
    """One for both logs, or one of each; two channels of one log can be compared."""
    channel = Path("good.log").read_text().split()[1]
    code, out, _ = run("compare", "two.log", "two.log", "--channel", "can7", "--channel", channel)
    names = re.findall(r"two\.log, channel (\w+)", out)
    assert (code, names) == (0, ["can7", channel])
    assert run("compare", "two.log", "two.log", "--channel", "can7")[0] == 0


def test_a_log_from_a_pipe():
    """Stdin is one of the two."""
    code, out, _ = run("compare", "-", "good.log", input=Path("good.log").read_bytes())
    assert (code, out.splitlines()[2]) == (0, "Nothing differs by these thresholds.")


def test_large_logs_are_read_at_the_same_time(monkeypatch):
    """In two processes; the result is the same."""
    expected = run("compare", "good.log", "bad.jsonl")
    asked = []

    def in_processes(jobs, work, processes):
        asked.append(processes)
        return map(work, jobs)

    monkeypatch.setattr("rvsim.faces.cli.compare_command.in_processes", in_processes)
    monkeypatch.setattr(processes, "usable_processors", lambda: 2)
    monkeypatch.setattr(survey_command, "MIN_BYTES_FOR_PROCESSES", 10_000)
    assert run("compare", "good.log", "bad.jsonl") == expected
    assert asked == [None]


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("good.log", "nix.log"), "nix.log: no such file: check the name"),
        (("good.log", "."), ".: a folder: name a log in it"),
        (("-", "-"), "-: stdin can be read once: name a file for one of the logs"),
        (("two.log", "good.log"), "two.log: the log has the channels "),
        (("good.log", "two.log", "--channel", "x"), "--channel x: not in good.log: the log has "),
        (
            ("two.log", "two.log", "--channel", "a", "--channel", "b", "--channel", "c"),
            "--channel is given 3 times: give one for both logs, or one for each",
        ),
        (("good.log", "good.log", "--from", "500"), "--from 500: good.log ends 89."),
        (("good.log", "good.log", "--rig", "otterby"), 'no rig is called "otterby"'),
    ],
)
def test_what_cannot_be_compared(options, why):
    """Exit code 2 and nothing on stdout; a line for each log that cannot be used."""
    code, out, err = run("compare", *options)
    assert (code, out) == (2, "")
    assert err.startswith(f"rvsim: {why}")
    assert len(err.splitlines()) == (2 if "x" in options else 1)
