"""What many tests need: the shipped message definitions, commands as they are typed, and scenarios for them."""

import atexit
import gc
import io
import os
import signal
import sys
import threading
import traceback
from functools import partial, wraps
from pathlib import Path

import pytest
from hypothesis import settings
from typer.testing import CliRunner

from rvsim.faces.cli.commands import app
from rvsim.wire.database import load_catalogue

settings.register_profile("rvsim", deadline=None, max_examples=15)
settings.register_profile("many", deadline=None, max_examples=1000)  # pytest --hypothesis-profile=many
settings.load_profile("rvsim")  # no test asserts a time
LONG_FILES = {
    "test_app.py", "test_bench.py", "test_commands_ended.py", "test_console.py", "test_database_mutants.py",
    "test_exports.py", "test_import_weight.py", "test_plugin.py", "test_proofs.py", "test_readme.py",
    "test_scenario_run.py", "test_scenarios.py", "test_served_run_clients.py", "test_shakedown.py", "test_shipped.py",
    "test_strength_run.py", "test_survey_columns.py", "test_survey_command.py", "test_survey_seeded.py",
    "test_survey_seeded_commands.py", "test_survey_seeded_identity.py", "test_survey_seeded_wires.py",
    "test_vary.py", "test_watch_random.py",
}  # fmt: skip


def pytest_collection_modifyitems(items):
    """Run the files that take longest first: then two processes end at about the same time."""
    items.sort(key=lambda item: item.path.name not in LONG_FILES)


def pytest_configure(config):
    """Search for no garbage while the tests are collected, which makes none: a third faster.

    Files are handed to processes in the order above, and not those with most tests first, as pytest-xdist would.
    """
    gc.disable()
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_finish():
    """Leave what lives as long as the tests out of every search for garbage, and search less often: a tenth faster."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 20, 100)
    gc.enable()


@pytest.fixture(scope="session", autouse=True)
def definition_cache(tmp_path_factory):
    """Give the tests and their processes one cache folder, not the user's: filled once, not in each of 600 tests."""
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as session:
        session.setenv("XDG_CACHE_HOME", str(folder))
        yield folder


@pytest.fixture(scope="session")
def catalogue(definition_cache):
    """Load the shipped message definitions."""
    return load_catalogue()


@pytest.fixture
def make_unit():
    """Make a unit of the other J1939 stack (can-j1939), not connected yet: ``make_unit(**options)``.

    Its own threads change one table of transfers without a lock and can then fail; here one waits for the other.
    """
    import j1939

    def make(**options):
        unit = j1939.ElectronicControlUnit(**options)
        transfers, lock = unit.j1939_dll, threading.RLock()
        for name in ("async_job_thread", "notify", "send_pgn"):
            setattr(transfers, name, _one_at_a_time(lock, getattr(transfers, name)))
        return unit

    return make


def _one_at_a_time(lock, call):
    @wraps(call)
    def locked(*arguments, **options):
        with lock:
            return call(*arguments, **options)

    return locked


@pytest.fixture
def rvsim(monkeypatch, tmp_path):
    """Run a command in a folder of its own: (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def go(*arguments, **more):
        done = CliRunner().invoke(app, arguments, **more)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.stdout, done.stderr

    return go


MAIN = "import sys; from rvsim.__main__ import main; sys.argv = ['rvsim', *sys.argv[1:]]; main()"


@pytest.fixture(scope="session")
def forked(definition_cache):
    """Return what `subprocess` starts the command with as a copy of this process: ``Popen(**forked("bench"))``.

    The copy has streams, signals and an exit code of its own, and spares a second of Python's start and imports. What
    is about that start, as with ``python -m rvsim`` or closed streams, is left to tests that start such a process.
    """

    def options(*arguments, code=MAIN):
        start = {"args": [sys.executable, "-c", code, *arguments]}
        return start if sys.platform == "win32" else {**start, "preexec_fn": partial(_become_program, code, arguments)}

    CliRunner().invoke(app, ["bench", "--plain", "--seconds", "1", "--speed", "max"])  # whose imports all copies have
    return options


def _become_program(code, arguments):
    """Run a program as the main program of a process that was forked and has its first three files, then end it."""
    status: object = 1
    try:
        os.closerange(3, 4096)  # those of the tests, and the pipe by which the parent waits for the start
        gc.freeze()
        atexit._clear()
        for number in signal.valid_signals():
            if callable(signal.getsignal(number)):
                signal.signal(number, signal.SIG_DFL)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
        if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        files = [io.FileIO(number, "w" if number else "r", closefd=False) for number in range(3)]
        sys.stdin = io.TextIOWrapper(io.BufferedReader(files[0]), "utf-8")
        sys.stdout = io.TextIOWrapper(io.BufferedWriter(files[1]), "utf-8", line_buffering=files[1].isatty())
        sys.stderr = io.TextIOWrapper(io.BufferedWriter(files[2]), "utf-8", "backslashreplace", line_buffering=True)
        sys.argv = ["-c", *arguments]
        exec(code, {"__name__": "__main__"})
        status = 0
    except SystemExit as wanted:
        status = wanted.code or 0
    except BaseException:
        traceback.print_exc()
    finally:
        if sys.stdout is not None:
            sys.stdout.flush()
        os._exit(status if isinstance(status, int) else 1)


@pytest.fixture
def write(tmp_path, monkeypatch):
    """Write a scenario into the folder in which everything runs; returns its name."""
    monkeypatch.chdir(tmp_path)

    def go(text, name="t.toml", lasts="60s"):
        head = f'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "{lasts}"\n'
        Path(name).parent.mkdir(exist_ok=True)
        Path(name).write_text(head + text, encoding="utf-8")
        return name

    return go
