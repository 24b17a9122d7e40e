"""The situations of "which flag comes next" as frames: the watch raises the flag that the exercise takes for right.

The figures are read out of the exercise's own sentence, as a student reads them.
"""

import re
from random import Random

import pytest

from rvsim.faces.practice.flag_exercises import NO_FLAG, SITUATIONS

HEARTBEAT = {"dsa": 94, "operating_status_1": 1, "spn": 0x7FFFF, "fmi": 0x1F}
AMBIENT, FURNACE, FAN, TANK, DC = (
    "THERMOSTAT_AMBIENT_STATUS", "FURNACE_STATUS", "ROOF_FAN_STATUS_1", "TANK_STATUS", "DC_SOURCE_STATUS_1",
)  # fmt: skip
PERIODIC = (FURNACE, DC, "SOLAR_CONTROLLER_SOLAR_ARRAY_STATUS")
LAST = 100.0
"""When the last frame of the one who falls silent has come; a multiple of every gap."""


def beats(made, source, gap=5, first=0.0, off=()):
    """The heartbeat of a node."""
    return made.every(gap, "DM_RV", source, first, off, **HEARTBEAT)


def silence(bus, seen):
    """A planned heater with its heartbeat, a status, or both; two other devices go on."""
    seconds = int(re.search(r"from it for (\d+) s", seen)[1])
    for gaps in ((5,), (5, 1)) if "nothing slower" in seen else ((5,),):
        made = bus("heater", "roof fan", "monitor")
        off = ((LAST + 0.001, 999),)
        senders = [beats(made, 0x5E, gaps[0], off=off)]
        senders += [made.every(gap, FURNACE, 0x5E, 0.0, off, instance=1) for gap in gaps[1:]]
        others = [made.every(5, FAN, 0x90, 0.4, instance=1), made.every(0.5, DC, 0x46, 0.1)]
        yield made.run(LAST + seconds, *senders, *others)


def late(bus, seen):
    """One status stops, with the gap that the standard has for it; the heartbeat of its device goes on."""
    defined, seconds = int(re.search(r"gap of (\d+) ms", seen)[1]), float(re.search(r"for ([\d.]+) s\.", seen)[1])
    own = re.search(r"every (\d+) ms", seen)
    made = bus()
    message = next(name for name in PERIODIC if made.catalogue.by_name(name).gap_us == defined * 1000)
    gap = int(own[1]) if own is not None else defined
    status = made.every(gap / 1000, message, 0x5E, 0.0, ((LAST + 0.001, 999),), instance=1)
    yield made.run(LAST + seconds, status, beats(made, 0x5E, first=0.3), made.every(0.5, DC, 0x46, 0.1, instance=2))


def quiet(bus, seen):
    """Eight devices with 30 frames a second stop together."""
    seconds = int(re.search(r"For (\d+) s", seen)[1])
    made = bus()
    senders = [
        made.every(8 / 30, DC, 0x60 + number, number / 30, ((LAST, 999),), instance=number + 1) for number in range(8)
    ]
    yield made.run(LAST + seconds, *senders)


def instance(bus, seen):
    """Two tanks with one instance, each with its own NAME."""
    number = int(re.search(r"instance (\d)", seen)[1])
    made = bus().claim(0, 0x72, 5).claim(0, 0x73, 6)
    levels = [made.every(5, TANK, source, first, instance=number, relative_level=level, resolution=100)
              for source, first, level in ((0x72, 1, 60), (0x73, 3, 20))]  # fmt: skip
    yield made.run(60, *levels)


def address(bus, seen):
    """Two NAMEs on one address, and both go on."""
    source = int(re.search(r"address ([0-9A-F]{2})", seen)[1], 16)
    made = bus().claim(0, source, 5).claim(0.5, source, 6).claim(1, source, 5).claim(1.5, source, 6)
    yield made.run(20, beats(made, source, 2.5, 2))


def no_data(bus, seen):
    """A sensor's temperature turns to all ones; its other field goes on."""
    assert "two bytes of a field for an hour" in seen
    raw = round((21.4 + 273) * 32)
    made = bus("sensor")
    made.run(3600, made.every(5, AMBIENT, 0x91, 0, instance=1, ambient_temperature=raw))
    yield made.run(3630, made.every(5, AMBIENT, 0x91, 0, instance=1, ambient_temperature=0xFFFF), begin=3600)


def bad_value(bus, seen):
    """A sensor with limits of its own, and one frame beyond them."""
    low, high, value = map(int, re.search(r"from (-?\d+) to (\d+) °C\. .* (\d+) °C", seen).groups())
    planned = {"name": "sensor", "kind": "ambient", "address": 0x91, "functions": {"ambient_sensor": 1},
               "limits": {"ambient_temperature": [low, high]}}  # fmt: skip
    made = bus(planned)
    made.run(60, made.every(5, AMBIENT, 0x91, 0, instance=1, ambient_temperature=(20 + 273) * 32))
    yield made.run(
        61, made.every(5, AMBIENT, 0x91, 0, instance=1, ambient_temperature=(value + 273) * 32), begin=60
    ).until(70)


def commanders(bus, seen):
    """Two panels in turn; the heater obeys each at once."""
    assert "two seconds later" in seen
    assert "three times" in seen
    made = bus("heater", "panel", "panel 2")
    frames = made.frames(22, *panels(made))
    for turn in range(6):
        raws = {"instance": 1, "operating_mode": 1, "heat_output_level": 200 * (turn % 2)}
        frames.append(made.frame(10 + 2 * turn, "FURNACE_COMMAND", 0x44 + turn % 2, **raws))
        frames.append(made.frame(10.5 + 2 * turn, FURNACE, 0x5E, **raws))
    for frame in sorted(frames, key=lambda one: one.time):
        made.observe(frame)
    yield made.until(22)


def one_change(bus, seen):
    """One command of each panel, and the heater obeys; both panels are heard."""
    seconds = int(re.search(r"and (\d+) s later", seen)[1])
    made = bus("heater", "panel", "panel 2")
    frames = made.frames(90, *panels(made), made.every(5, FURNACE, 0x5E, 0.2, ((9, 99),), instance=1))
    for at, on in ((10, 0), (10 + seconds, 1)):
        raws = {"instance": 1, "operating_mode": 1, "heat_output_level": 200 * on}
        frames.append(made.frame(at, "FURNACE_COMMAND", 0x44 + on, **raws))
        end = 10 + seconds if not on else 90
        frames += [made.frame(at + 0.5 + step, FURNACE, 0x5E, **raws) for step in range(0, end - at, 5)]
    for frame in sorted(frames, key=lambda one: one.time):
        made.observe(frame)
    yield made.until(90)


def panels(made):
    """The heartbeats of both panels."""
    return [made.every(5, "DM_RV", source, 0.1 * number, **{**HEARTBEAT, "dsa": 68})
            for number, source in enumerate((0x44, 0x45))]  # fmt: skip


def unplanned(bus, seen):
    """A second roof fan from an address that the rig does not have."""
    source = int(re.search(r"address ([0-9A-F]{2})", seen)[1], 16)
    made = bus("roof fan")
    yield made.run(30, made.every(5, FAN, 0x90, 0), made.every(5, FAN, source, 1, instance=2))


PLAYED = {
    "_silence": silence, "_short_silence": silence, "_late": late, "_quiet": quiet, "_instance": instance,
    "_address": address, "_no_data": no_data, "_bad_value": bad_value, "_commanders": commanders,
    "_fast_late": late, "_one_change": one_change, "_unplanned": unplanned,
}  # fmt: skip


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda one: one.__name__)
def test_the_watch_raises_the_flag_of_the_answer(bus, situation):
    """That flag, and no other that could be meant; where the answer is no flag, none."""
    for seed in range(4):
        seen, kind, why = situation(Random(seed), "heater")
        assert why
        for made in PLAYED[situation.__name__](bus, seen):
            raised = {flag for _, what, flag, _ in made.flags if what == "raised"}
            assert raised == (set() if kind == NO_FLAG else {str(kind)}), (seen, made.flags)
