"""What asks the program to end: Ctrl-C, SIGTERM and a terminal that goes away all end it with its closing words."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
from contextlib import contextmanager

import pytest

pytestmark = pytest.mark.paced

BENCH = ["bench", "--plain", "--record", "r.log", "--overwrite"]
TIMEOUT_S = 60
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@contextmanager
def running(args, **more):
    """Start a command; one that does not end is killed, or a test would hang."""
    with subprocess.Popen(args, **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more}) as process:
        try:
            yield process
        finally:
            process.kill()


@contextmanager
def started(options):
    """Start a bench and wait for its first line."""
    with running(**options, text=True) as process:
        assert "winter_evening" in process.stdout.readline()
        yield process


@pytest.mark.parametrize("number", SIGNALS, ids=[number.name for number in SIGNALS])
def test_a_bench_that_is_asked_to_end(number, tmp_path, monkeypatch, forked):
    """It sums up what was heard, its recording is whole, and the exit code is that of an interruption."""
    monkeypatch.chdir(tmp_path)
    with started(forked(*BENCH)) as process:
        while "is present" not in process.stdout.readline():
            assert process.poll() is None
        process.send_signal(number)
        out, err = process.communicate(timeout=TIMEOUT_S)
    assert process.returncode == 130
    assert err.endswith("rvsim: interrupted\n")
    assert "Traceback" not in err
    assert re.search(r"end: \d+ of 11 planned devices present", out.splitlines()[-1])
    recorded = (tmp_path / "r.log").read_text(encoding="utf-8")
    assert recorded.count("\n") > 0
    assert recorded.endswith("\n")


OWN_TERMINAL = (
    "import fcntl, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "from rvsim.__main__ import main; sys.argv = ['rvsim', *sys.argv[1:]]; main()"
)
"""Makes its input the terminal that belongs to it, so that it is told when that goes away."""


@pytest.mark.parametrize("form", ["--plain", "--json"])
def test_a_terminal_that_goes_away(form, tmp_path):
    """Its run ends as with Ctrl-C although nobody can be told any more, and the recording is whole."""
    terminal, end = pty.openpty()
    command = [sys.executable, "-c", OWN_TERMINAL, "bench", form, "--record", "r.log"]
    with running(command, stdin=end, stdout=end, stderr=end, start_new_session=True, cwd=tmp_path) as process:
        os.close(end)
        seen = b""
        while b"heater" not in seen:
            assert select.select([terminal], [], [], TIMEOUT_S)[0], seen
            seen += os.read(terminal, 65536)
        os.close(terminal)
        assert process.wait(TIMEOUT_S) == 130
    assert (tmp_path / "r.log").read_text(encoding="utf-8").endswith("\n")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP], ids=["SIGTERM", "SIGHUP"])
def test_a_signal_that_is_ignored_stays_ignored(number, tmp_path, monkeypatch, forked):
    """As under nohup: whoever started it meant it to go on."""
    monkeypatch.chdir(tmp_path)
    code = (
        f"import signal, sys; signal.signal({int(number)}, signal.SIG_IGN); "
        "from rvsim.__main__ import main; sys.argv = ['rvsim', *sys.argv[1:]]; main()"
    )
    with started(forked(*BENCH, "--seconds", "1", code=code)) as process:
        process.send_signal(number)
        _, err = process.communicate(timeout=TIMEOUT_S)
    assert (process.returncode, "interrupted" in err) == (0, False)


def test_sigterm_ends_what_a_script_started_behind_itself(tmp_path, monkeypatch):
    """A shell without a terminal has its background commands ignore SIGINT; they can be ended all the same."""
    monkeypatch.chdir(tmp_path)
    command = ["sh", "-c", '"$@" & echo $!; wait $!', "sh", sys.executable, "-m", "rvsim", *BENCH]
    with running(command, text=True) as process:
        number = int(process.stdout.readline())
        while "is present" not in process.stdout.readline():
            assert process.poll() is None
        os.kill(number, signal.SIGTERM)
        _, err = process.communicate(timeout=TIMEOUT_S)
    assert process.returncode == 130
    assert err.endswith("rvsim: interrupted\n")


def test_runs_side_by_side_end_with_sigterm(tmp_path, monkeypatch, side_by_side):
    """All their processes, at once and without a traceback."""
    monkeypatch.chdir(tmp_path)
    text = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "8000h"\n[[expect]]\nexpect = "seen"\n'
    (tmp_path / "t.toml").write_text(text + 'sight = { device = "heater" }\n', encoding="utf-8")
    with running(**side_by_side("t.toml"), start_new_session=True) as process:
        assert process.stderr.readline() == b"rvsim: 0 of 2 runs so far\n"
        process.terminate()
        out, err = process.communicate(timeout=TIMEOUT_S)
    assert (process.returncode, out, err) == (130, b"", b"rvsim: interrupted\n")


def test_a_recording_that_was_deleted_ends_the_run_with_its_code(tmp_path, monkeypatch, forked):
    """It is told while the run goes on, exit code 2, and not after hours."""
    monkeypatch.chdir(tmp_path)
    with started(forked(*BENCH)) as process:
        while "is present" not in process.stdout.readline():
            assert process.poll() is None
        (tmp_path / "r.log").unlink()
        _, err = process.communicate(timeout=TIMEOUT_S)
    assert process.returncode == 2
    assert "--record r.log: it was deleted or moved away while it was written" in err


def test_two_runs_never_write_one_recording(tmp_path, monkeypatch, forked):
    """The second is refused before it begins, exit code 2; the first goes on and its recording is whole."""
    monkeypatch.chdir(tmp_path)
    with started(forked(*BENCH, "--seconds", "600")) as first:
        second = subprocess.run(**forked(*BENCH), capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
        assert first.poll() is None
        first.terminate()
        first.communicate(timeout=TIMEOUT_S)
    assert (second.returncode, second.stdout) == (2, "")
    assert (
        second.stderr
        == "rvsim: --record r.log: another run is writing this file: name another file, or stop that run\n"
    )
    assert first.returncode == 130
