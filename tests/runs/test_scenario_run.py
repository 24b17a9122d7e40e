"""Scenarios to their verdicts: evidence, recordings, processes, and the commands around them."""

import json
import multiprocessing
from pathlib import Path
from xml.etree import ElementTree

import pytest

from rvsim.errors import InputError, RvsimError
from rvsim.faces.cli.exits import say
from rvsim.logs.read import open_log
from rvsim.runs.many_runs import recording_path, run_all, run_job
from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.verdict import as_text

SILENT = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "20s"\n'
HEARD = '[[expect]]\nexpect = "every"\nsight = { device = "heater" }\ngap = "6s"\n'
NO_FLAG = '[[expect]]\nexpect = "flag"\nraised = false\n'
WARM = """[[expect]]
says = "the panel asks for a warm room"
expect = "seen"
sight = { message = "THERMOSTAT_STATUS_1", field = "set_point_temperature_heat", above = 30.0 }
"""


def test_a_passed_run(write):
    """Every expectation is met, and nothing is kept."""
    verdict = PreparedScenario(Job(write(HEARD + NO_FLAG), {})).run(keep=Path("kept.log"))
    assert verdict.passed
    assert (verdict.scenario, verdict.seed, verdict.seconds) == ("t", 1, 60.0)
    assert verdict.frames > 700
    assert not Path("kept.log").exists()


def test_a_verdict_before_the_end_says_so(write):
    """What is asked for early has been watched for a part of the time only, and the verdict's first line tells it."""
    session = VirtualScenarioRun(PreparedScenario(Job(write(HEARD + NO_FLAG), {})))
    session.until(15)
    early = session.verdict()
    assert (early.seconds, early.planned, early.passed) == (15.0, 60.0, True)
    assert next(as_text(early)).endswith("in 15 s of simulated time, judged early: the scenario lasts 60 s")
    whole = VirtualScenarioRun(session.prepared)
    whole.until(60)
    assert next(as_text(whole.verdict())).endswith("in 60 s of simulated time")


def test_a_run_that_is_not_passed_keeps_its_evidence(write):
    """What was found, the last frames of the device, the flags that stood, and the whole recording."""
    verdict = PreparedScenario(Job(write(SILENT + HEARD + NO_FLAG), {})).run(keep=Path("kept.log"))
    every, flag = verdict.outcomes
    assert not every.passed
    assert every.found.startswith("not seen for ")
    assert 20 < every.at < 27
    assert len(every.before) == 5
    assert all(" 19FF" in line or " 18FE" in line or "19FE" in line for line in every.before)
    assert flag.found.startswith("late-message of heater: ")
    assert flag.at == pytest.approx(30, abs=6)
    assert verdict.recording == "kept.log"
    with open_log(Path("kept.log")) as log:
        assert sum(1 for _ in log.frames()) == verdict.frames


def test_evidence_that_cannot_be_kept_costs_no_verdict(write, rvsim):
    """A file stands where the folder would be, or a folder where the file would: that is said, and the verdict too."""
    name = write(SILENT + HEARD)
    place = Path("rvsim-not-passed")

    def told():
        code, out, err = rvsim("shakedown", name)
        assert (code, "recorded" in out) == (1, False)
        assert out.startswith("t, seed 1: not passed, 0 of 1 expectations met")
        return err

    begun = "rvsim: t, seed 1: the frames could not be recorded ("
    place.write_text("", encoding="utf-8")
    assert told() == f"{begun}rvsim-not-passed: File exists); the verdict is not affected\n"
    place.unlink()
    (place / "t.log").mkdir(parents=True)
    assert told().startswith(f"{begun}--record {place / 't.log'}: cannot be written (Is a directory)")


def test_the_nearest_thing_is_told(write):
    """30 degrees were wanted, and something else was said."""
    (outcome,) = PreparedScenario(Job(write(WARM), {})).run().outcomes
    assert outcome.found == "not seen by 60.000 s"
    assert outcome.nearest.startswith("set point temperature heat 21.00 °C at ")
    assert outcome.look == "the message was seen, but its field had other values: check what sets that field"


COLD = """[[expect]]
expect = "world"
value = "coolant"
at_least = 14.9999
"""
WAITS = """[[step]]
when = { seen = { device = "heater", message = "CHARGER_STATUS" } }
send = { message = "REQUEST_FOR_DGN", fields = { desired_dgn = 0 } }
"""


def test_evidence_is_of_the_moment_however_much_is_heard_in_one_go(write):
    """A value of the vehicle is found wrong at a second: the frames before it are the last ones before that second.

    A step that waits for a frame has each frame heard by itself; the evidence is the same.
    """
    (alone,) = PreparedScenario(Job(write(COLD), {"weather.outdoor_c": -20})).run().outcomes
    (other, _) = PreparedScenario(Job(write(COLD + WAITS), {"weather.outdoor_c": -20})).run().outcomes
    assert alone == other
    last = float(alone.before[-1].split()[0])
    assert alone.at - 1 < last <= alone.at


def test_who_should_have_sent_it(write):
    """Nobody sent it, or somebody else did."""
    nobody = '[[expect]]\nexpect = "seen"\nsight = { message = "AWNING_COMMAND" }\n'
    other = '[[expect]]\nexpect = "seen"\nsight = { device = "charger", message = "TANK_STATUS" }\n'
    first, second = PreparedScenario(Job(write(nobody + other), {})).run().outcomes
    assert first.look == "no device sent AWNING_COMMAND"
    assert second.look.startswith("TANK_STATUS was sent by fresh tank")
    assert second.look.endswith("not by charger")


def test_who_should_have_sent_it_is_told_of_each_sight_by_itself(write):
    """That the heater is named for one sight says nothing about who should have sent the other."""
    text = """[[expect]]
expect = "only_after"
sight = { message = "FURNACE_COMMAND" }
after = { device = "heater", message = "FURNACE_STATUS", field = "heat_output_level", above = 99 }
"""
    (outcome,) = PreparedScenario(Job(write(text), {})).run().outcomes
    assert outcome.found.startswith("seen too early at ")
    assert "not from" not in outcome.look


def test_a_device_that_was_never_heard(write):
    """It is said so, or the flag says it, once it stands: no sooner."""
    text = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "0s"\n'
    once = HEARD.replace('"every"', '"seen"').replace('gap = "6s"\n', "")
    every, seen = PreparedScenario(Job(write(text + HEARD + once), {})).run().outcomes
    assert (every.at, every.look) == (6.0, "no frame of heater was seen: is it in this run, at its planned address?")
    assert seen.look.startswith(
        "flag [1], silent-device of heater, was active at that time: not heard since the start, for 60.0 s"
    )


def test_a_step_that_never_came_is_not_passed(write):
    """Else a scenario could be passed in which nothing was tried."""
    step = '[[step]]\nwhen = { value = "cabin", above = 50.0 }\nsend = { identifier = "1", bytes = "" }\n'
    verdict = PreparedScenario(Job(write(step + HEARD), {})).run()
    assert not verdict.passed
    assert verdict.outcomes[-1].expected == "step 1: when cabin is above 50: 1 is sent"
    assert verdict.outcomes[-1].found == "it never happened in 60 s"


def test_steps_that_wait_work_in_a_run(write):
    """The panel's first command to the furnace starts the fault, seen by the watch's name for the panel."""
    text = (
        '[[fault]]\nname = "gone"\nfault = "silent"\ndevice = "heater"\n'
        '[[step]]\nwhen = { seen = { device = "control panel", message = "FURNACE_COMMAND" } }\nwait = "10s"\n'
        'start = "gone"\n[[step]]\nwhen = { value = "cabin", below = 40.0 }\n'
        'send = { identifier = "18FF00F9", bytes = "01" }\n'
    )
    never = '[[expect]]\nexpect = "never"\nsight = { device = "heater" }\nfrom = "14s"\n'
    sent = '[[expect]]\nexpect = "seen"\nsight = { identifier = "18FF00F9" }\n'
    assert PreparedScenario(Job(write(text + never + sent), {})).run().passed


def test_one_seed_one_verdict_in_any_process(write):
    """Two processes or one: the same verdicts in the same order."""
    write(SILENT + HEARD)
    jobs = [Job("t.toml", {}, seed) for seed in range(1, 5)]
    together, alone = (list(run_all(jobs, (), processes, say, keep=None)) for processes in (2, 1))
    assert together == alone
    assert [verdict.seed for verdict in together] == [1, 2, 3, 4]


def test_a_process_that_is_ended_from_outside(write):
    """One clear line, and no more verdicts: nobody knows what became of the runs."""
    verdicts = run_all([Job(write(HEARD), {}, seed) for seed in range(30)], (), 2, say, keep=None)
    assert next(verdicts).passed
    for process in multiprocessing.active_children():
        process.kill()
    with pytest.raises(RvsimError, match="ended from outside"):
        list(verdicts)


def test_values_that_cannot_be_used_are_that_runs_error(write):
    """The others go on; nothing is raised."""
    name = write(HEARD)
    data = run_job(Job(name, {"seed": "many"}))
    assert not data["passed"]
    assert "seed" in data["error"]
    assert (data["seed"], data["frames"], data["t"]) == (0, 0, 0.0)  # no seed is known, and nothing was run
    assert run_job(Job(name, {"lasts": "long"}, 7))["seed"] == 7


def test_where_recordings_are_kept():
    """A name that every file system takes, with what is otherwise in the run."""
    place = recording_path(Job("a/b c.toml", {"weather.outdoor_c": -20.5}, 7), Path("k"))
    assert place == Path("k/b_c-seed-7-weather.outdoor_c=-20.5.log")


# The commands.


def test_shakedown_as_text(write, rvsim):
    """ExitCode code 1 and the evidence; 0 and a line where all is met."""
    write(SILENT + HEARD)
    write(HEARD, "good.toml")
    code, out, _ = rvsim("shakedown", "t.toml", "good.toml", "--processes", "1")
    lines = out.splitlines()
    assert code == 1
    assert lines[0] == "t, seed 1: not passed, 0 of 1 expectations met in 60 s of simulated time"
    assert lines[1] == "  not met  any frame of heater is seen at least every 6 s"
    assert "  recorded: rvsim-not-passed/t.log" in lines
    assert lines[-2:] == [
        "good, seed 1: passed, 1 of 1 expectations met in 60 s of simulated time",
        "1 of 2 runs passed",
    ]
    assert rvsim("shakedown", "good.toml")[0] == 0


def test_shakedown_as_json_and_junit(write, rvsim):
    """A line for each verdict, and a file for other programs."""
    write(SILENT + HEARD)
    code, out, _ = rvsim("shakedown", "t.toml", "--repeat", "2", "--json", "--junit", "v.xml", "--processes", "1")
    assert code == 1
    assert [(json.loads(line)["seed"], json.loads(line)["passed"]) for line in out.splitlines()] == [
        (1, False),
        (2, False),
    ]
    assert len(ElementTree.parse("v.xml").getroot().findall("testsuite")) == 2


def test_what_cannot_be_run_is_told_before_anything_runs(write, rvsim):
    """All mistakes of all scenarios at once, exit code 2."""
    write(HEARD.replace("heater", "heatr"))
    write("", "empty.toml")
    write('[[expect]]\nexpect = "seen"\nsight = { message = "NO_SUCH" }\nfrom = "99s"\n', "late.toml")
    code, out, err = rvsim("shakedown", "t.toml", "empty.toml", "late.toml", "none.toml")
    assert (code, out) == (2, "")
    assert 'did you mean "heater"' in err
    assert "empty.toml: the scenario has no expectations" in err
    assert "late.toml, line 8, expect 1 (seen): it starts at 99 s, and the run lasts 60 s" in err
    assert "late.toml, line 7, expect 1 (seen): sight: no message is called NO_SUCH" in err
    assert "none.toml" in err


def test_a_recording_goes_with_one_run(write, rvsim):
    """A second would replace the first."""
    write(HEARD)
    code, _, err = rvsim("shakedown", "t.toml", "--repeat", "2", "--record", "x.log")
    assert (code, "--record goes with one run" in err) == (2, True)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("t.toml", "--repeat", "0"), "--repeat 0: give a number from 1 to 10000"),
        (("t.toml", "--repeat", "10001"), "--repeat 10001: give a number from 1 to 10000"),
        (("t.toml", "--processes", "0"), "--processes 0: give a number above 0"),
        (("t.toml", "--repeat", "2", "--processes", "-1"), "--processes -1: give a number above 0"),
        (("t.toml", "--junit", "."), "--junit .: this is a folder; name a file in it"),
        (("t.toml", "--junit", "no/such/v.xml"), "--junit no/such/v.xml: there is no folder no/such; make it, or name"),
        (("t.toml", "--record", "."), "--record .: the name decides the format and has to end in .jsonl, .log, "),
        (("t.toml", "--record", "no/r.log"), "--record no/r.log: cannot be written (No such file or directory): name"),
        (("t.toml", "--except", "heater"), "--except goes with --interface or --serve: in virtual time"),
        (("t.toml", "--channel", "c"), "--channel goes with --interface: name one, or leave --channel out"),
        (("t.toml", "--adapter-option", "a=b"), "--adapter-option goes with --interface: name one, or leave --adapter"),
        (("t.toml", "t.toml"), "t.toml: named twice; name it once, and add --repeat N for N runs of it"),
        (("t.toml", "other/t.toml"), "t.toml and other/t.toml: their verdicts would have one name; rename one of the"),
        (("t.toml", "--repeat", "2", "--interface", "virtual"), "--interface goes with one run: name one scenario"),
    ],
)
def test_what_a_shakedown_cannot_be_asked(write, rvsim, options, said):
    """One clear line, exit code 2, and nothing is run: what would be lost at the end is refused at the beginning."""
    write(HEARD)
    write(HEARD, "other/t.toml")
    code, out, err = rvsim("shakedown", *options)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert err.startswith(f"rvsim: {said}")


def test_a_recording_of_any_run(write, rvsim):
    """--record writes it whether it is passed or not."""
    write(HEARD)
    assert rvsim("shakedown", "t.toml", "--record", "r.jsonl")[0] == 0
    assert Path("r.jsonl").stat().st_size > 10_000


def test_explain(write, rvsim):
    """A scenario read back, and nothing run; its mistakes are told all the same."""
    write(SILENT + HEARD)
    code, out, _ = rvsim("shakedown", "--explain", "t.toml")
    assert code == 0
    assert "  1. heater is silent, from 20 s on" in out.splitlines()
    write(HEARD.replace("device =", 'message = "NO_SUCH", device ='), "bad.toml")
    assert rvsim("shakedown", "--explain", "bad.toml")[0] == 2


def test_the_last_frames_are_those_before_the_end_of_its_part(write):
    """Not those at the end of the run: what was on the bus when it was known."""
    late = HEARD.replace('expect = "every"', 'expect = "seen"').replace('gap = "6s"', 'until = "10s"')
    quiet = SILENT.replace("20s", "0s")
    (outcome,) = PreparedScenario(Job(write(quiet + late), {})).run().outcomes
    assert outcome.at == 10
    times = [float(line.split()[0]) for line in outcome.before]
    assert 8 < min(times) <= max(times) < 10


def test_a_session_goes_as_far_as_it_is_told(write):
    """To the microsecond, never back; its verdict is of then, and what comes later changes it no more."""
    late = HEARD.replace('expect = "every"', 'expect = "seen"').replace('gap = "6s"', 'from = "20s"')
    heard = []
    session = VirtualScenarioRun(PreparedScenario(Job(write(HEARD + late), {})), tap=heard.append)
    assert (session.seconds, session.run.time) == (0.0, 0)
    session.until(12.345678)
    assert (session.seconds, session.run.time) == (12.345678, 12_345_678)
    session.until(3.0)
    assert session.seconds == 12.345678
    assert 0 < max(frame.time for frame in heard) <= 12_345_678
    verdict = session.verdict()
    assert (verdict.seconds, verdict.frames) == (12.345678, len(heard))
    assert [outcome.found for outcome in verdict.outcomes] == [
        "",
        "it applies from 20.000 s, and the run was judged at 12.345 s",
    ]
    session.until(40.0)
    assert session.verdict() is verdict
    assert session.seconds == 40.0


def test_a_session_leaves_out_no_device_that_is_not_there(write):
    """A line for each, with a suggestion; those that are planned are left out."""
    trial = PreparedScenario(Job(write(HEARD), {}))
    with pytest.raises(InputError) as refused:
        VirtualScenarioRun(trial, ["roof fn", "heater", "x"])
    assert [problem.partition("; its devices are ")[0] for problem in refused.value.problems] == [
        '"roof fn" is not in the rig (did you mean "roof fan"?)',
        '"x" is not in the rig',
    ]
    session = VirtualScenarioRun(trial, ["heater"])
    session.until(10)
    assert not session.verdict().passed
