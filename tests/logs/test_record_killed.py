"""A recording of a process that is killed: all but the last second is there, in every format."""

import subprocess
import sys

import pytest

from rvsim.logs.read import open_log
from rvsim.logs.record import RECORDING_SUFFIXES

pytestmark = pytest.mark.paced

RECORDER = """
import sys, time
from pathlib import Path
from rvsim.logs.record import RECORDING_SUFFIXES, Recorder
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import Frame

catalogue = load_catalogue(cache=Path("cache"))
files = [
    Recorder(Path(f"x{suffix}"), catalogue, start="", channel="can0", sent=False) for suffix in RECORDING_SUFFIXES
]
started = time.monotonic_ns()
while True:
    now = (time.monotonic_ns() - started) // 1000
    for file in files:
        file.write(Frame(now, 0x19FFE45E, now.to_bytes(8, "little")))
        file.flush()
    print(now, flush=True)
    time.sleep(0.01)
"""
RECORDED_US = 1_600_000


def test_all_but_the_last_second_survives_a_kill(tmp_path):
    """A frame every 10 ms, flushed as a run does; killed without warning after 1.6 s."""
    command = [sys.executable, "-c", RECORDER]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        last = 0
        while last < RECORDED_US:
            last = int(process.stdout.readline())
        process.kill()
        rest = process.stdout.read().split()
    last = max([last, *map(int, rest)])
    for suffix in RECORDING_SUFFIXES:
        with open_log(tmp_path / f"x{suffix}") as log:
            times = [int.from_bytes(frame.data, "little") for frame in log.frames()]
        assert last - 1_000_000 <= times[-1], suffix
        assert len(times) > 30
        assert log.statistics.unreadable_count <= 1  # the line in which the process was killed
