"""The gaps of simulated nodes held against those of a recorded bus (`tests/data/marine_bus_2014.log`).

A gap is divided by the median of its message, and the distance is that of Kolmogorov and Smirnov: the largest
difference between the two shares of gaps up to a size. It is stated for each message, without a probability. The
timing of each node here was fitted to that recording.

The recorder counts time in steps of 1/32768 s, so each recorded time is spread over its step; eight pauses of the whole
bus, which the recorder missed, are left out; of a long message the first frame counts.
"""

import random
from bisect import bisect_right
from collections import defaultdict
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

LOG = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
LONG_MESSAGES = {0x0DF80502, 0x19FA0402, 0x19F212B0, 0x1DEFFF01}
STEP_S, COPIES, PAUSE_S = 1 / 32768, 5, 0.5
MAX_DISTANCE = 0.15
GPS_SECOND = {"loop": "50.45ms", "jitter": "2ms", "busy": "20ms", "busy_every": "66ms"}
NODES = {
    "0.1 s": {"jitter": "0.05ms", "busy": "50ms", "busy_every": "330ms"},
    "0.25 s": {"jitter": "0.4ms", "busy": "20ms", "busy_every": "100ms"},
    "1 s": GPS_SECOND,
    "1 s by turns": {"loop": "99ms", "clock_ppm": -11_516.0, "jitter": "0.15ms", "busy": "2ms", "busy_every": "15ms"},
    "1.5 s": {"jitter": "0.5ms", "busy": "4ms", "busy_every": "400ms"},
    "5 s": {"jitter": "0.09ms", "busy": "4.3ms", "busy_every": "172ms"},
}
"""A node for each period, by its timing."""
DISTANCES = {
    0x09F80102: ("0.1 s", 0.07),
    0x09F80202: ("0.25 s", 0.12),
    0x0DF01002: ("1 s", 0.11),
    0x19FA0302: ("1 s", 0.11),
    0x19FA0402: ("1 s", 0.11),
    0x0DF80502: ("1 s", 0.11),
    0x0DF50B11: ("1 s by turns", 0.12),
    0x19F212B0: ("1.5 s", 0.11),
    0x19F214B0: ("1.5 s", 0.11),
    0x1DEFFF01: ("5 s", 0.08),
}
"""Each periodic message of the recording: the node that is held against it, and the distance."""


def in_medians(times):
    """The gaps between times, divided by their median; None among the times is a pause."""
    gaps = [later - time for time, later in pairwise(times) if time is not None and later is not None]
    middle = median(gaps)
    return [gap / middle for gap in gaps]


def distance(some, others):
    """The largest difference between the two shares of gaps up to a size."""
    some, others = sorted(some), sorted(others)
    return max(
        abs(bisect_right(some, size) / len(some) - bisect_right(others, size) / len(others)) for size in some + others
    )


@pytest.fixture(scope="module")
def recorded():
    """The gaps of the recording in medians, by identifier."""
    times, last = defaultdict(list), 0.0
    for line in LOG.read_text(encoding="ascii").splitlines():
        stamp, _, frame = line.split()
        time, identifier, data = float(stamp.strip("()")), int(frame[:8], 16), bytes.fromhex(frame[9:])
        if last and time - last > PAUSE_S:
            for message in times.values():
                message.append(None)
        last = time
        if identifier not in LONG_MESSAGES or not data[0] & 0x1F:
            times[identifier].append(time)
    draw = random.Random(1).random
    return {
        identifier: [
            gap
            for _ in range(COPIES)
            for gap in in_medians([time if time is None else time + draw() * STEP_S for time in times[identifier]])
        ]
        for identifier in DISTANCES
    }


@pytest.fixture(scope="module")
def simulated(catalogue):
    """The gaps of the nodes in medians, by node: all on one pair, each with one message and its heartbeat."""
    rig = Rig.model_validate(
        {
            "schema": 1,
            "name": "nodes",
            "title": "Nodes",
            "device": [
                {
                    "name": name,
                    "kind": "own",
                    "address": 0x80 + number,
                    "functions": {"dc_load": number},
                    "settings": {"message": [{"message": "DC_LOAD_STATUS", "gap": f"{name.split()[0]}s"}]},
                    "timing": timing,
                }
                for number, (name, timing) in enumerate(NODES.items(), 1)
            ],
        },
        context={"kinds": settings_models()},
    )
    times = defaultdict(list)
    status = catalogue.by_name("DC_LOAD_STATUS").dgn

    def note(frame):
        if dgn_of(frame.identifier) == status:
            times[frame.identifier & 0x7F].append(frame.time)

    Bench(rig, catalogue, kinds_by_name(), on_frame=note).run_until(1500 * SECOND_US)
    return {name: in_medians(times[number]) for number, name in enumerate(NODES, 1)}


@pytest.mark.parametrize("identifier", DISTANCES, ids=lambda identifier: f"{identifier:08X}")
def test_the_gaps_of_a_fitted_node_are_those_of_the_recording(identifier, recorded, simulated):
    """For each message of like period, and the distance is the one that is stated."""
    node, stated = DISTANCES[identifier]
    found = distance(recorded[identifier], simulated[node])
    assert found <= MAX_DISTANCE
    assert found == pytest.approx(stated, abs=0.02)


def test_without_jitter_they_are_not(recorded):
    """The distance finds gaps that are all equal."""
    assert all(distance(gaps, [1.0] * 100) > 2 * MAX_DISTANCE for gaps in recorded.values())


def test_devices_of_a_rig_that_says_nothing_keep_time_like_the_recorded_message_of_their_period(recorded, catalogue):
    """Tanks and sensors of the shipped vehicle send each 5 s; their timing is drawn from the seed."""
    times = defaultdict(list)
    sensors = {0x48, 0x91, 0x92, 0x93, 0x94}
    rig = load_rig("ottersby", kinds=settings_models())

    def note(frame):
        if frame.identifier & 0xFF in sensors:
            times[frame.identifier].append(frame.time)

    Bench(rig, catalogue, kinds_by_name(), on_frame=note).run_until(3600 * SECOND_US)
    periodic = {identifier: in_medians(sent) for identifier, sent in times.items() if len(sent) > 100}
    assert len(periodic) == 2 * len(sensors)  # a status and a heartbeat each
    distances = [distance(recorded[0x1DEFFF01], gaps) for gaps in periodic.values()]
    assert max(distances) <= MAX_DISTANCE
    assert distance(recorded[0x1DEFFF01], [gap for gaps in periodic.values() for gap in gaps]) == pytest.approx(
        0.08, abs=0.02
    )
