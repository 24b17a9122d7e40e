"""Switched outputs: a simulated day of four load centres with rules, and the time from a command to its status.

python tests/benchmarks/bench_switching.py [HOURS] [--quick] [--json]

By the clock is a row in which the vehicle is simulated in a second process.
The vehicle has 4 modules of 20 outputs each, 40 switches and keys (4 ladders of 5, 20 keys of a keypad) and a battery
monitor; each quarter of an hour every switch is pressed once, and half of the outputs are on always. The battery lasts
the day: with an empty one the modules would start again all the time, which is another question. The figure is
processor time, that of 24 h is computed where fewer hours ran: a quick one from 2 h, with the start of the devices,
which a day has once, counted twelve times. The time from a command to the status of the output is measured in a paced
run, as `bench_reply` does, with commands at least 6 ms apart; what is beyond the time that both frames take on the
pair is the bench's. Nothing else is switched meanwhile: a module sends of one output every 5 ms at most, and an answer
that waits for others of a scene is the module's own time.
"""

import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import can
from bench_reply import AIM_MS, BASELINE, BEGUN_S, echoed, in_turns, p99
from benchmark_results import Result, computed, interleaved, run

from rvsim.devices.registry import settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US
from rvsim.wire.timing import BIT_RATE, exact_bits

DAY_H, AIM_S = 24.0, 20.0
MODULES, OUTPUTS, RUNGS, KEYS = 4, 20, 5, 20
CAPACITY_AH = 2000.0
"""The outputs that are on always take some 50 A, 1,200 Ah a day."""
LOADS = (("led", 0.5), ("lamp", 0.9), ("motor", 1.5), ("pump", 2.5), ("socket", 1.0))
COMMAND_ID, STATUS_DGN, LOAD_INSTANCE = 0x19FFBC42, 0x1FFBD, 13
REPLIES, ROUNDS = 400, 3


def scenario_text() -> str:
    """Return the scenario with its rig."""
    lines = ['schema = 1', 'title = "Four load centres"', 'lasts = "24h"', "[rig]", "schema = 1", 'name = "four"',
             'title = "Four load centres"', "[rig.battery]", f"capacity_ah = {CAPACITY_AH}",
             "[[rig.device]]", 'name = "monitor"', 'kind = "battery_monitor"', "address = 0x45",
             "functions = { battery_monitor = 1, dc_source = 1 }"]  # fmt: skip
    keys = ", ".join(f"k{n} = {{ instance = {100 + n} }}" for n in range(1, KEYS + 1))
    commands = ", ".join(f'k{n} = {{ message = "load", instance = {n * 4} }}' for n in range(1, KEYS + 1))
    lines += ["[[rig.device]]", 'name = "pad"', 'kind = "keypad"', "address = 0x9C",
              f"functions = {{ dc_input = [{', '.join(str(100 + n) for n in range(1, KEYS + 1))}] }}",
              f"settings = {{ keys = {{ {keys} }}, commands = {{ {commands} }} }}"]  # fmt: skip
    presses = [f"pad.k{n}" for n in range(1, KEYS + 1)]
    for module in range(MODULES):
        lines += ["[[rig.device]]", f'name = "centre {module}"', 'kind = "load_centre"', f"address = {0x80 + module}",
                  "[[rig.module]]", f'name = "module {module}"', f'device = "centre {module}"',
                  "limit_amps = 80.0"]  # fmt: skip
        for place in range(OUTPUTS):
            load, amps = LOADS[place % len(LOADS)]
            number = module * OUTPUTS + place + 1
            lines += ["[[rig.output]]", f'name = "output {number}"', f'module = "module {module}"',
                      f"terminal = {place + 1}", f"instance = {number}", f'load = "{load}"', f"amps = {amps}",
                      'message = "load"' if number % 4 == 0 else "", "limit_amps = 10.0", f"priority = {place + 1}",
                      f'at_power = "{"on" if place % 2 else "off"}"']  # fmt: skip
        rungs = ", ".join(f"r{n} = {ohm}" for n, ohm in enumerate((0, 250, 670, 1500, 4000)))
        switched = ", ".join(f'r{n} = "output {module * OUTPUTS + 2 * n + 1}"' for n in range(RUNGS))
        lines += ["[[rig.input]]", f'name = "ladder {module}"', f'module = "module {module}"', "terminal = 1",
                  f"instance = {1 + module * RUNGS}", f"switches = {{ {switched} }}",
                  f"ladder = {{ pull_up_ohm = 1000, tolerance_percent = 1, rungs = {{ {rungs} }} }}"]  # fmt: skip
        presses += [f"ladder {module}.r{n}" for n in range(RUNGS)]
    for number, name in enumerate(presses):
        lines += ["[[step]]", 'every = "15min"', f'from = "{60 + 20 * number}s"', f'press = "{name}"']
    return "\n".join(line for line in lines if line) + "\n"


QUIET = """
schema = 1
title = "A vehicle in which nothing is switched"
rig = "brackenlow"
lasts = "1h"
"""


def commanded(scenario: Path, count: int) -> tuple[dict[str, list[float]], list[float]]:
    """Return the sorted milliseconds from a command to the status under each load, and the seconds of both frames."""
    draw = random.Random(1)

    def take() -> list[float]:
        times = []
        for number in range(count):
            time.sleep(draw.uniform(0.006, 0.012))  # a module sends of one output every 5 ms at most
            while bus.recv(0) is not None:
                pass
            level = 0 if number % 2 else 200  # it is off at first: a command that changes nothing is not answered
            data = bytes([LOAD_INSTANCE, 0xFF, level, 0xFF, 0, 0, 0xFF, 0xFF])
            start = time.perf_counter()
            bus.send(can.Message(arbitration_id=COMMAND_ID, data=data))
            while not is_status(message := bus.recv(5), level):
                pass
            times.append((time.perf_counter() - start) * 1000)
            answers.append(message)
        return times

    answers: list[can.Message] = []
    with can.Bus(interface="rvsim", channel=str(scenario), paced=True) as bus:
        while bus.recv(5).timestamp < BEGUN_S:
            pass
        each = in_turns(take)
    frames = ((COMMAND_ID, bytes([LOAD_INSTANCE, 0xFF, 200, 0xFF, 0, 0, 0xFF, 0xFF])),
              (answers[-1].arbitration_id, bytes(answers[-1].data)))  # fmt: skip
    return each, [exact_bits(*frame) / BIT_RATE for frame in frames]


def is_status(message: can.Message | None, level: int) -> bool:
    """Tell whether a frame is the status of the load at a level."""
    return (
        message is not None
        and message.arbitration_id >> 8 & 0x1FFFF == STATUS_DGN
        and message.data[0] == LOAD_INSTANCE
        and message.data[2] == level
    )


def by_the_clock(day: Callable[..., None], size: float) -> Result:
    """Return the seconds of a day that is simulated in a second process, beside those of one process."""
    ways = {"one": day, "two": partial(day, apart=True)}
    one, two = interleaved(1 if size >= DAY_H else ROUNDS, ways, time.perf_counter).values()
    what = f"24 h of {MODULES} load centres, by the clock, two processes{computed(size)}"
    return Result(what, two * DAY_H / size, "s", "one process", one * DAY_H / size, AIM_S)


def measure(size: float) -> Iterator[Result]:
    """Yield the time from a command to the status beyond the pair's own, and the seconds of a day.

    Commands come first: after days of frames a process is larger than one that only answers.
    """
    catalogue = load_catalogue()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "four.toml"
        path.write_text(scenario_text(), encoding="utf-8")
        loaded = load_scenario(path, kinds=settings_models())

    def day(*, apart: bool = False) -> None:
        VirtualBenchRun(loaded, catalogue, NullSink(), seed=1).run(round(size * 3600 * SECOND_US), apart=apart)

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "quiet.toml"
        path.write_text(QUIET, encoding="utf-8")
        times, waits_s = commanded(path, REPLIES if size >= DAY_H else REPLIES // 4)
    base = in_turns(lambda: echoed(REPLIES // 4, waits_s))
    pair = sum(waits_s) * 1000
    for load, each in times.items():
        print(f"command to status{load}: p50 {statistics.median(each) - pair:.2f} ms, p99 {p99(each) - pair:.2f} ms")
        work = f"command to status of a switched output beyond the pair itself, paced, p99{load}"
        yield Result(work, p99(each) - pair, "ms", BASELINE, p99(base[load]) - pair, AIM_MS)
    yield by_the_clock(day, size)
    seconds = interleaved(1 if size >= DAY_H else ROUNDS, {"day": day})["day"] * DAY_H / size
    what = f"24 h of {MODULES} load centres of {OUTPUTS} outputs, 40 switches, with rules{computed(size)}"
    yield Result(what, seconds, "s", aim=AIM_S)


if __name__ == "__main__":
    run(measure, full=24, quick=2)
