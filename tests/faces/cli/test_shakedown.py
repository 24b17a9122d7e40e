"""Many runs: how far they are, where recordings go, what is shown, and which are refused."""

import concurrent.futures
import json
import multiprocessing
import os
import re
import signal
import subprocess
import sys
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import pytest

from rvsim.faces.cli.exits import say
from rvsim.faces.cli.shakedown import prepare_scenarios
from rvsim.runs import many_runs
from rvsim.runs import processes as pool
from rvsim.runs.many_runs import recording_path, run_all
from rvsim.runs.progress import REPORT_INTERVAL_S
from rvsim.runs.strength_run import measure_strength
from rvsim.shakedown.jobs import Job
from rvsim.shakedown.scenario_keys import render_keys

pytestmark = pytest.mark.paced

SEEN = '[[expect]]\nexpect = "seen"\nsight = { device = "heater" }\n'
NEVER = SEEN.replace("seen", "never")


class Clock:
    """A clock that goes on by so much each time it is asked."""

    def __init__(self, step):
        self.now, self._step = 0.0, step

    def __call__(self):
        """Ask it."""
        self.now += self._step
        return self.now


@pytest.mark.parametrize(
    ("step", "told"), [(REPORT_INTERVAL_S, ["1 of 3", "2 of 3"]), (REPORT_INTERVAL_S / 2, ["2 of 3"]), (0.0, [])]
)
def test_how_many_runs_are_done_is_told_every_few_seconds(write, capsys, step, told):
    """Not more often, and not at the end, where the verdicts say it."""
    jobs = [Job(write(SEEN, lasts="2s"), {}, seed) for seed in range(3)]
    assert len(list(run_all(jobs, (), 1, say, keep=None, clock=Clock(step)))) == 3
    assert capsys.readouterr().err.splitlines() == [f"rvsim: {done} runs so far" for done in told]


@pytest.mark.parametrize(("step", "told"), [(REPORT_INTERVAL_S, {"1 of 3", "2 of 3"}), (0.0, set())])
def test_it_is_told_of_processes_too(write, capsys, step, told):
    """Also while none has ended: a slow machine repeats a line."""
    jobs = [Job(write(SEEN, lasts="2s"), {}, seed) for seed in range(3)]
    assert len(list(run_all(jobs, (), 2, say, keep=None, clock=Clock(step)))) == 3
    lines = capsys.readouterr().err.splitlines()
    assert lines == sorted(lines)
    assert {*lines} - {"rvsim: 0 of 3 runs so far"} == {f"rvsim: {done} runs so far" for done in told}


def test_how_far_one_long_run_has_come_is_told(write, capsys):
    """Each ten simulated minutes there is a look whether it is time to."""
    (verdict,) = run_all([Job(write(SEEN, lasts="30min"), {})], (), 1, say, keep=None, clock=Clock(REPORT_INTERVAL_S))
    assert verdict.passed
    assert capsys.readouterr().err.splitlines() == [
        f"rvsim: t: {seconds} of 1800 s of simulated time so far" for seconds in (600, 1200)
    ]


def test_verdicts_come_in_the_order_of_their_runs(write):
    """More runs than are handed out at once, some of them longer than others: each has its verdict, once."""
    write(SEEN, lasts="2s")
    jobs = [Job("t.toml", {"lasts": f"{20 if seed % 5 == 0 else 2}s"}, seed) for seed in range(20)]
    verdicts = list(run_all(jobs, (), 2, say, keep=None))
    assert [verdict.seed for verdict in verdicts] == list(range(20))
    assert all(verdict.passed for verdict in verdicts)


@pytest.mark.parametrize("processes", [1, 2])
def test_runs_that_are_not_passed_are_kept(write, processes):
    """Each in a file of its own in the folder that is made for them; without a folder none is."""
    jobs = [Job(write(NEVER, lasts="2s"), {}, seed) for seed in (1, 2)]
    assert [verdict.recording for verdict in run_all(jobs, (), processes, say, keep=Path("kept"))] == [
        str(Path("kept/t-seed-1.log")),
        str(Path("kept/t-seed-2.log")),
    ]
    assert sorted(path.name for path in Path("kept").iterdir()) == ["t-seed-1.log", "t-seed-2.log"]
    assert [verdict.recording for verdict in run_all(jobs, (), processes, say, keep=None)] == ["", ""]


def test_a_place_is_no_longer_than_a_file_system_takes():
    """255 bytes are common (ext4, NTFS, APFS); what is too long is cut, and the ending stays."""
    place = recording_path(Job("x" * 300 + ".toml", {}, 7), Path("k"))
    assert (place.parent, place.suffix) == (Path("k"), ".log")
    assert len(place.name) == 154


def test_each_scenario_is_loaded_once(write):
    """However many runs of it there are; in the order in which they are named."""
    first, second = write(SEEN), write(SEEN, "u.toml")
    jobs = [Job(name, {}, seed) for seed in (1, 2, 3) for name in (second, first)]
    assert [trial.loaded.name for trial in prepare_scenarios(jobs, ())] == ["u", "t"]


def test_what_is_met_is_named_if_asked_for(write, rvsim):
    """And a single run has no line that counts runs."""
    write(SEEN, lasts="2s")
    assert len(rvsim("shakedown", "t.toml")[1].splitlines()) == 1
    assert rvsim("shakedown", "t.toml", "--every")[1].splitlines()[1:] == [
        "  met      any frame of heater is seen at least once"
    ]


def test_runs_that_repeat_have_seeds_from_the_first_on(write, rvsim):
    """From 1 where none is given; a single run has the scenario's own."""
    Path(write("seed = 40\n" + SEEN, lasts="2s"))

    def seeds(*more):
        out = rvsim("shakedown", "t.toml", "--json", "--processes", "1", *more)[1]
        return [json.loads(line)["seed"] for line in out.splitlines()]

    assert seeds() == [40]
    assert seeds("--seed", "0") == [0]
    assert seeds("--repeat", "3") == [1, 2, 3]
    assert seeds("--repeat", "2", "--seed", "7") == [7, 8]
    most = rvsim("shakedown", "t.toml", "--repeat", "10000", "--record", "r.log")[2]
    assert most == "rvsim: --record goes with one run: name one scenario, without --repeat\n"


def test_a_run_that_is_recorded_is_shown_as_any(write, rvsim):
    """With the place of its recording; a passed one is kept as well."""
    write(SEEN, lasts="2s")
    code, out, _ = rvsim("shakedown", "t.toml", "--record", "r.log", "--json", "--junit", "v.xml")
    said = json.loads(out)
    assert (code, said["passed"], said["recording"]) == (0, True, "r.log")
    assert Path("r.log").read_text(encoding="utf-8").count("\n") >= said["frames"] > 5
    assert 'value="r.log"' in Path("v.xml").read_text(encoding="utf-8")
    write(NEVER, lasts="2s")
    assert rvsim("shakedown", "t.toml", "--record", "r.log", "--overwrite")[0] == 1
    assert not Path("rvsim-not-passed").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no signals, to one process or to a group")
@pytest.mark.parametrize("send", ["kill", "killpg"], ids=["one", "all"])
def test_interrupting_runs_side_by_side_ends_all_of_them(write, side_by_side, send):
    """At once and without a traceback, whether the terminal tells all processes, as with Ctrl-C, or only the first."""
    name = write(SEEN, lasts="8000h")
    with subprocess.Popen(
        **side_by_side(name), stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
    ) as process:
        assert process.stderr.readline() == b"rvsim: 0 of 2 runs so far\n"
        getattr(os, send)(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (130, b"", b"rvsim: interrupted\n")
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)


@pytest.mark.parametrize(("system", "processors", "asked", "started"), [
    ("win32", 128, None, 61), ("win32", 128, 100, 61), ("win32", 4, None, 4), ("linux", 128, None, 128),
    ("linux", 1, None, 1), ("darwin", 4, 100, 100),
])  # fmt: skip
def test_no_more_processes_than_the_system_can_wait_for(monkeypatch, write, system, processors, asked, started):
    """Windows can wait for 61, with more the executor refuses to start (Python, concurrent.futures)."""
    asked_for = []

    class AtOnce:
        """An executor without processes."""

        def __init__(self, processes, initializer):
            asked_for.append(processes)

        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

        def submit(self, work, job):
            future = Future()
            future.set_result(replace(verdict, seed=job.seed))
            return future

    name = write(SEEN, lasts="1s")
    verdict = many_runs.run_one(Job(name, {}))
    monkeypatch.setattr(pool, "ProcessPoolExecutor", AtOnce)
    monkeypatch.setattr(pool.sys, "platform", system)  # type: ignore[attr-defined]
    monkeypatch.setattr(pool, "usable_processors", lambda: processors)
    verdicts = list(run_all([Job(name, {}, seed) for seed in range(300)], (), asked, say, keep=None))
    assert [one.seed for one in verdicts] == list(range(300))
    assert asked_for == [started]


PROGRESS = re.compile(r"rvsim: \d+ of \d+ runs so far")
"""What a slow machine says besides."""
STARTED = """
import multiprocessing, os, signal, sys
if __name__ == "__mp_main__" and {hit}:
    os.killpg(0, signal.SIGINT)
if __name__ == "__main__":
    multiprocessing.set_start_method({method!r})
    if {method!r} == "fork" and {hit}:
        os.register_at_fork(after_in_child=lambda: os.killpg(0, signal.SIGINT))
    from rvsim.__main__ import main
    main()
"""
"""The command with one way to start processes; where told to, each process has Ctrl-C pressed while it starts."""


def started(tmp_path, method, hit, *arguments):
    """Run the command with a way to start processes: (exit code, stdout, stderr without how many runs are done)."""
    (tmp_path / "started.py").write_text(STARTED.format(method=method, hit=hit), encoding="utf-8")
    command = [sys.executable, "started.py", *arguments]
    done = subprocess.run(
        command, cwd=tmp_path, capture_output=True, encoding="utf-8", check=False, start_new_session=True, timeout=120,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    told = "".join(line for line in done.stderr.splitlines(True) if not PROGRESS.fullmatch(line.rstrip("\n")))
    return done.returncode, done.stdout, told


@pytest.mark.parametrize("method", multiprocessing.get_all_start_methods())
def test_processes_start_in_every_way(rvsim, write, tmp_path, method):
    """Windows and macOS start a new Python for each; verdicts are those of runs in one process."""
    name = write(SEEN, lasts="2s")
    options = ("shakedown", name, "--repeat", "3", "--json", "--processes")
    found = started(tmp_path, method, False, *options, "2")
    assert found == (*rvsim(*options, "1")[:2], "")
    assert (found[0], len(found[1].splitlines()), found[2]) == (0, 3, "")
    if method == "spawn":  # where all that a process needs is sent to it
        varied = started(tmp_path, method, False, "vary", name, "weather.outdoor_c=1,2", "--processes", "2")
        assert varied == (0, "2 of 2 runs passed\n", "")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no signals to a group of processes")
@pytest.mark.parametrize("method", multiprocessing.get_all_start_methods())
def test_ctrl_c_while_processes_start_is_one_line(write, tmp_path, method):
    """The first process tells of it; those that are just starting end without a word."""
    name = write(SEEN, lasts="8000h")
    found = started(tmp_path, method, True, "shakedown", name, "--repeat", "2", "--processes", "2")
    assert found == (130, "", "rvsim: interrupted\n")


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="this system cannot keep signals back")
def test_ctrl_c_is_kept_back_only_while_a_process_starts(monkeypatch, write):
    """A process that has started ends by it at once, even where the first one is no longer there to end it."""
    masks = []

    class InThisProcess(concurrent.futures.Executor):
        """An executor that begins as its processes do."""

        def __init__(self, processes, initializer):
            self.initializer = initializer

        def submit(self, work, *arguments, **options):  # type: ignore[override]
            masks.append(signal.pthread_sigmask(signal.SIG_BLOCK, ()))
            self.initializer()
            masks.append((signal.pthread_sigmask(signal.SIG_BLOCK, ()), signal.getsignal(signal.SIGINT)))  # type: ignore[arg-type]
            future = Future()
            future.set_result(work(*arguments, **options))
            return future

    before = signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(pool, "ProcessPoolExecutor", InThisProcess)
    name = write(SEEN, lasts="1s")
    try:
        assert len(list(run_all([Job(name, {}, seed) for seed in (1, 2)], (), 2, say, keep=None))) == 2
    finally:
        signal.signal(signal.SIGINT, before)
    assert masks == [{signal.SIGINT}, (set(), signal.SIG_DFL)] * 2
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_every_key_of_a_scenario_is_told(rvsim):
    """Nothing is run; who names no scenario is told where to look."""
    code, out, err = rvsim("shakedown", "--keys")
    assert (code, out.splitlines(), err) == (0, list(render_keys()), "")
    code, out, err = rvsim("shakedown")
    assert (code, out) == (2, "")
    assert "--keys lists all keys" in err


def test_strength(run_here, tmp_path, monkeypatch):
    """Wrong controllers: exit code 1 and their lines where one is let pass; with what it cannot go."""
    measured = {}

    def once(job, dbc, controllers, *more):
        key = tuple(controllers)
        measured[key] = measured.get(key) or measure_strength(job, dbc, controllers, *more)
        return measured[key]

    monkeypatch.setattr("rvsim.faces.cli.strength.measure_strength", once)
    head = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "3s"\n'
    (tmp_path / "weak.toml").write_text(head + SEEN, encoding="utf-8")
    code, out, _ = run_here("shakedown", "weak.toml", "--strength", "--processes", "1", folder=tmp_path)
    assert code == 1
    assert b"34 wrong controllers in the place of control panel" in out
    code, out, _ = run_here("shakedown", "weak.toml", "--strength", "--processes", "1", "--json", folder=tmp_path)
    assert (code, json.loads(out)["strong"]) == (1, False)
    for more, what in (
        (["--strength", "--junit", "v.xml"], b"leave out --serve, --interface, --record and --junit"),
        (["--controller", "heater"], b"--controller goes with --strength"),
        (["--strength", "--controller", "heatr"], b'did you mean "heater"'),
    ):
        code, out, err = run_here("shakedown", "weak.toml", *more, folder=tmp_path)
        assert (code, out) == (2, b"")
        assert what in err
