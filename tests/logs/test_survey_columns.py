"""The survey of a log in columns finds exactly what the watch finds frame by frame."""

import json
import os
import random
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.faces.text.survey_json import as_json
from rvsim.logs import column_watch
from rvsim.logs.blocks import to_blocks
from rvsim.logs.read import open_log
from rvsim.logs.survey import WHOLE_LOG, SurveyedTime, Surveyor
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.shipped import scenario_folder
from rvsim.watch.detect import driven_values, drives
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import (
    Collided,
    ErrorFrame,
    ErrorState,
    JoinedMessage,
    ListeningResumed,
    LogEnded,
    Marked,
    NotAcknowledged,
    OtherFrame,
    OtherKind,
    StateChanged,
    TimeWentBack,
    Waited,
)

SCENARIOS = sorted(path.stem for path in scenario_folder().glob("*.toml"))
MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
DRIVEN_SEEDS = (4, 35)
MOVING = ("out of the battery", "into the battery", "ran for", "heated the water", "gave full heat", "dc current of")
MOVING_BY_RIG = ("sensor 4 moved",)
"""Parts of the texts for each sort of what moves a value."""
BLOCKS = (37, 200, 1000, 5000, 65_536)


class Logs(dict):
    """Logs by name, with a short text for the report of a failure."""

    def __repr__(self):
        return f"<{len(self)} logs>"


@pytest.fixture(scope="module")
def logs(record, recorded, energy_log, driven_log):
    """Return the frames of every shipped scenario, those of a recorded vessel, and readings that pass many limits."""
    made = {scenario: record(scenario)[0] for scenario in SCENARIOS}
    wandering = {f"energy {seed}": energy_log(seed, 600) for seed in range(3)}
    driven = {f"driven {seed}": driven_log(seed) for seed in DRIVEN_SEEDS}
    return Logs(
        {
            "marine": recorded["marine"],
            **wandering,
            **driven,
            **{scenario: frames for scenario, frames in made.items() if frames},
        }
    )


@pytest.fixture(scope="module")
def rigs(energy_rig, driven_rig):
    """Return the rigs that the logs are compared with."""
    return None, load_rig(scenario_folder() / "rigs" / "ottersby.toml"), energy_rig, driven_rig


@pytest.fixture(scope="module")
def surveys(catalogue, tmp_path_factory):
    """Survey entries frame by frame and in blocks: two values that must be the same, with the whole JSON of each."""
    log = open_log(MARINE)

    def go(entries, rig, most=65_536, part=WHOLE_LOG, any_size=True, impatient=False):
        with pytest.MonkeyPatch.context() as patch:
            if impatient:  # what takes hours is told after minutes
                patch.setattr(driven_values, "drives", impatient_drives)
                patch.setattr(driven_values, "MIN_REST_US", 60 * SECOND_US)
            by_frame = Surveyor(catalogue, rig, part, signals=True, frame_by_frame=True)
            for entry in entries:
                by_frame.observe(entry)
            in_columns = Surveyor(catalogue, rig, part, signals=True)
            if any_size:  # blocks that would be observed frame by frame, too
                patch.setattr(column_watch, "MIN_BLOCK_FRAMES", 0)
                patch.setattr(column_watch, "MIN_FRAMES_PER_TOPIC", 0)
            for _, block in to_blocks((("", entry) for entry in entries), most):
                in_columns.observe_block(block)
            return [_value(log, surveyor.finish(), catalogue) for surveyor in (by_frame, in_columns)]

    yield go
    log.close()


def impatient_drives(rig):
    """Yield what moves values, with limits that are a tenth of the real ones."""
    for rule in drives.drives(rig):
        if isinstance(rule, drives.Movement):
            yield rule._replace(min_us=rule.min_us // 10)
        else:
            yield rule._replace(needed=partial(_tenth, rule.needed))


def _tenth(needed, record):
    full = needed(record)
    return None if full is None else full // 10


def _value(log, survey, catalogue):
    """Return all of a survey that can be compared."""
    found = json.loads(as_json(log, survey, catalogue))
    gaps = [(source.address, list(source.messages.items())) for source in survey.sources]
    load = survey.load
    exact = (load.frames, load.bits, dict(load.by_user), load.peak, load.average_percent)
    return found, gaps, survey.flags, survey.causes, survey.sources, survey.errors, exact, survey.unseen_devices


WHOLE = int(os.environ.get("RVSIM_SEEDED_SECONDS", "0")) >= 3600
"""Each log is surveyed with a rig and without, else one after the other in turns; the recorded vessel in both ways."""
WAYS = [
    (with_rig, scenario)
    for with_rig in (False, True)
    for place, scenario in enumerate(SCENARIOS)
    if WHOLE or place % 2 == with_rig
]


@pytest.mark.parametrize(("with_rig", "scenario"), [(False, "marine"), (True, "marine"), *WAYS])
def test_a_log_is_surveyed_the_same_in_columns(logs, rigs, surveys, scenario, with_rig):
    """Every shipped scenario, and a recorded vessel: the same flags, texts, causes, devices, medians and load."""
    frames = logs.get(scenario, [])
    entries = [*frames, LogEnded(frames[-1].time if frames else 0)]
    by_frame, in_columns = surveys(entries, rigs[with_rig], 65_536 if with_rig else 500)
    assert in_columns == by_frame


@pytest.mark.parametrize("with_rig", [False, True])
@pytest.mark.parametrize("seed", range(2))
def test_readings_that_pass_many_limits_are_surveyed_the_same_in_columns(
    surveys, energy_log, energy_rig, seed, with_rig
):
    """Voltages, temperatures, levels and charge: the same flags; each kind that they can raise is among them."""
    frames = energy_log(seed)
    by_frame, in_columns = surveys([*frames, LogEnded(frames[-1].time)], energy_rig if with_rig else None, 2000)
    assert in_columns == by_frame
    assert {"low-voltage", "freeze-risk", "bad-value"} <= {str(flag.kind) for flag in by_frame[2]}


@pytest.mark.parametrize("with_rig", [False, True])
def test_what_is_no_measurement_is_surveyed_the_same_in_columns(logs, rigs, surveys, catalogue, with_rig):
    """The value of a sensor before its first measurement, at the start, once, twice, from near it, and to the end."""
    ambient = catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
    values, count, frames = {0: 11456, 7: 11456, 12: 11456, 13: 11456, 17: 11455, 18: 11456, 20: 11456}, -1, []
    for frame in logs["winter_evening"]:
        if frame.identifier & 0x3FFFFFF == ambient.identifier(0x91) & 0x3FFFFFF:
            count += 1
            raw = values.get(min(count, 20), 10656 - count)  # else from 60 °C down, where no other limit is passed
            frame = frame._replace(data=ambient.pack(instance=1, ambient_temperature=raw))
        frames.append(frame)
    by_frame, in_columns = surveys([*frames, LogEnded(frames[-1].time)], rigs[with_rig], 65_536)
    assert in_columns == by_frame
    assert sum("no measurement" in flag.text for flag in by_frame[2]) == 3


@pytest.mark.parametrize("with_rig", [False, True])
def test_a_battery_that_goes_dark_is_surveyed_the_same_in_columns(logs, rigs, surveys, catalogue, with_rig):
    """No voltage for five seconds, and again to the end."""
    source, frames = catalogue.by_name("DC_SOURCE_STATUS_1"), []
    for frame in logs["winter_evening"]:
        seconds, own = frame.time / SECOND_US, source.identifier(0x45) & 0x3FFFFFF
        if frame.identifier & 0x3FFFFFF == own and (30 < seconds < 35 or seconds > 70):
            frame = frame._replace(data=frame.data[:2] + bytes(2) + frame.data[4:])
        frames.append(frame)
    by_frame, in_columns = surveys([*frames, LogEnded(frames[-1].time)], rigs[with_rig], 65_536)
    assert in_columns == by_frame
    assert [flag.until is None for flag in by_frame[2] if "disconnected" in flag.text] == [False, True]


@pytest.mark.parametrize("with_rig", [False, True])
def test_values_that_something_moves_are_surveyed_the_same_in_columns(surveys, driven_log, driven_rig, with_rig):
    """Charge, voltage, level, water and air that follow what moves them, or rest: the same flags, of each kind."""
    told = ""
    for seed in DRIVEN_SEEDS:
        frames = driven_log(seed)
        rig = driven_rig if with_rig else None
        by_frame, in_columns = surveys([*frames, LogEnded(frames[-1].time)], rig, 2000, impatient=True)
        assert in_columns == by_frame
        told += "".join(flag.text for flag in by_frame[2] if flag.kind == "stuck-value")
    wanted = (
        "out of the battery",
        "into the battery",
        "ran for",
        "heated the water",
        "gave full heat",
        "dc current of",
    )
    assert [text for text in (*wanted, *("sensor 4 moved",)[: 2 * with_rig]) if text not in told] == []


@pytest.mark.parametrize("seed", range(3))
def test_motions_and_their_interlocks_are_surveyed_the_same_in_columns(surveys, catalogue, seed):
    """Outputs and inputs at random, with pauses and a gap in listening: the same flags, some of which have ended."""
    frames = motion_frames(catalogue, random.Random(seed))
    place = 500 * (seed + 3) % 4000
    gap = ListeningResumed(frames[place].time, frames[place - 1].time, "a gap")
    entries = [*frames[:place], gap, *frames[place:], LogEnded(frames[-1].time)]
    by_frame, in_columns = surveys(entries, motion_rig(), 700)
    assert in_columns == by_frame
    found = [flag for flag in by_frame[2] if flag.kind == "motion-without-interlock"]
    assert any(flag.until is not None for flag in found)


def motion_rig():
    """Return a rig with an awning and a step, whose inputs are on another device."""
    modules = [{"name": name, "device": name} for name in ("centre", "dash")]
    names = ("awning out", "awning in", "step out", "step in")
    outputs = [
        {"name": name, "module": "centre", "terminal": place, "instance": place, "load": "motor"}
        for place, name in enumerate(names, 1)
    ]
    inputs = [
        {"name": name, "module": "dash", "terminal": place, "instance": place}
        for place, name in enumerate(("ignition", "brake"), 1)
    ]
    motions = [
        {"name": what, "what": what, "extend": f"{what} out", "retract": f"{what} in", "must_hold": must_hold}
        for what, must_hold in (("awning", {"ignition": "off", "brake": "on"}), ("step", {"brake": "on"}))
    ]
    devices = [
        {"name": "centre", "address": 0x90, "functions": {"dc_load": [1, 2, 3, 4]}},
        {"name": "dash", "address": 0x91, "functions": {"dc_input": [1, 2]}},
    ]
    tables = {"module": modules, "output": outputs, "input": inputs, "motion": motions}
    return Rig.model_validate({"schema": 1, "name": "r", "title": "T", "device": devices, **tables})


def motion_frames(catalogue, rng):
    """Return frames of a load centre and a dashboard: four outputs each second and now and then an input."""
    load, entry = catalogue.by_name("DC_LOAD_STATUS"), catalogue.by_name("DIGITAL_INPUT_STATUS")
    levels, frames, time = [0, 0, 0, 0], [], 0
    while len(frames) < 4000:
        time += rng.choice((40_000, 40_000, 300_000, 2_000_000)) if rng.random() < 0.02 else 20_000
        if rng.random() < 0.006:
            levels[rng.randrange(4)] = rng.choice((0, 0, 100, 200, 255))
        place = rng.randrange(4)
        amps = rng.choice((32_000, 32_100))  # data that change and mean nothing
        status = load.pack(instance=place + 1, operating_status=levels[place], present_current=amps)
        frames.append(Frame(time, load.identifier(0x90), status))
        if rng.random() < 0.008 and not 40_000_000 < time < 60_000_000:
            position = entry.pack(instance=rng.choice((1, 2)), switch_position=rng.choice((0, 1, 1, 255)))
            frames.append(Frame(time + 5_000, entry.identifier(0x91), position))
    return frames


@pytest.mark.timeout(3600)  # --hypothesis-profile=many takes several minutes
@given(seed=st.integers(0, 2**32))
def test_a_mutated_log_is_surveyed_the_same_in_columns(logs, rigs, surveys, seed):
    """Cut, doubled, shifted, spoilt, reordered, shortened, readdressed, with errors: still the same."""
    rng = random.Random(seed)
    name = rng.choice([*logs, "marine", "marine", "energy 0", "energy 1", "energy 2", "driven 4"])
    frames = logs[name]
    first = rng.choice((0, rng.randrange(len(frames))))
    frames = frames[first : first + rng.choice((500, 1500, 3000))]
    entries = mutated([frame._replace(time=frame.time - frames[0].time) for frame in frames], rng)
    end = entries[-1].time if entries else 0
    part = rng.choice([WHOLE_LOG] * 4 + [SurveyedTime(rng.randrange(end + 1), rng.choice((None, end)))])
    own = {"energy": rigs[2:3], "driven": rigs[3:]}.get(name.partition(" ")[0], ())
    rig, most = rng.choice((*rigs[:2], *own)), rng.choice(BLOCKS)
    by_frame, in_columns = surveys(entries, rig, most, part, any_size=rng.random() < 0.8, impatient=rng.random() < 0.5)
    assert in_columns == by_frame


def mutated(entries, rng):
    """Return a log with one to four mutations; times still never go back."""
    for _ in range(rng.randint(1, 4)):
        if len(entries) < 30:
            break
        first = rng.randrange(len(entries))
        end = min(len(entries), first + rng.choice((1, 5, 50, 500, 3000)))
        rng.choice(MUTATIONS)(entries, first, end, rng)
    ordered, now = [], 0
    for entry in entries:
        if entry.time < now:
            if rng.random() < 0.3:
                ordered.append(TimeWentBack(now, now - entry.time, "line 1"))
            entry = entry._replace(time=now)
        now = entry.time
        ordered.append(entry)
    return ordered


def _cut(entries, first, end, rng):
    del entries[first:end]


def _double(entries, first, end, rng):
    entries[first:first] = entries[first:end]


def _shift(entries, first, end, rng):
    step = rng.choice((100, 50_000, 1_500_000, 20_000_000, 100_000_000))
    entries[first:] = [entry._replace(time=entry.time + step) for entry in entries[first:]]


def _hurry(entries, first, end, rng):
    """Have some seconds of the log pass within a few hundredths of one."""
    start = entries[first].time
    for place in range(first, end):
        entries[place] = entries[place]._replace(time=start + (entries[place].time - start) // 60)


def _spoil(entries, first, end, rng):
    for place in range(first, end):
        entry = entries[place]
        if isinstance(entry, Frame) and entry.data and rng.random() < 0.3:
            data = bytearray(entry.data)
            data[rng.randrange(len(data))] = rng.choice((0, 255, 254, 251, rng.randrange(256)))
            entries[place] = entry._replace(data=bytes(data))


def _shorten(entries, first, end, rng):
    for place in range(first, end):
        entry = entries[place]
        if isinstance(entry, Frame) and rng.random() < 0.2:
            entries[place] = entry._replace(data=entry.data[: rng.randrange(8)])


def _silence(entries, first, end, rng):
    source = _source_of(entries, rng)
    keep = [
        not (first <= place < first + 2000 and isinstance(entry, Frame) and entry.identifier & 0xFF == source)
        for place, entry in enumerate(entries)
    ]
    entries[:] = [entry for entry, kept in zip(entries, keep, strict=True) if kept]


def _readdress(entries, first, end, rng):
    source, other = _source_of(entries, rng), rng.randrange(256)
    for place in range(first, len(entries)):
        entry = entries[place]
        if isinstance(entry, Frame) and entry.identifier & 0xFF == source and rng.random() < 0.7:
            entries[place] = entry._replace(identifier=entry.identifier & ~0xFF | other)


def _reorder(entries, first, end, rng):
    part = entries[first:end]
    rng.shuffle(part)
    entries[first:end] = part


def _add_frames(entries, first, end, rng):
    for place in range(first, min(end, first + 50)):
        entry = entries[place]
        if isinstance(entry, Frame):
            known = entry.identifier ^ rng.randrange(8) << 26
            identifier = rng.choice((known, rng.getrandbits(29)))
            entries.insert(place, Frame(entry.time, identifier, rng.randbytes(8)))


def _add_events(entries, first, end, rng):
    for place in range(first, end, max(1, (end - first) // 3)):
        time = entries[place].time
        events = (
            ErrorFrame(time, "a bit"),
            OtherFrame(time, OtherKind.REMOTE, 100),
            StateChanged(time, "an adapter", ErrorState.PASSIVE, None, None),
            JoinedMessage(time, 0x18FECAFF & ~0xFF | _source_of(entries, rng), bytes(12)),
            ListeningResumed(time + 3_000_000, time, "an adapter was lost"),
            Marked(time, "pressed"),
        )
        entries.insert(place, rng.choice(events))


def _add_waits(entries, first, end, rng):
    """Have many frames wait, a few of them long, and some for an acknowledgement, or after a collision."""
    waits = []
    for place in range(first, end):
        entry = entries[place]
        if not isinstance(entry, Frame) or rng.random() < 0.5:
            waits.append(entry)
            continue
        since = max(0, entry.time - rng.choice((700, 700, 5_000, 2_000_000)))
        if rng.random() < 0.02:
            waits.append(NotAcknowledged(since, "a", entry.identifier))
        if rng.random() < 0.01:
            waits.append(Collided(since, entry.identifier, ("a", "b")))
        late = rng.choice((0,) * 8 + (1, 3_000))
        waits += [Waited(entry.time - late, "a", entry.identifier, since), entry]
    entries[first:end] = sorted(waits, key=lambda entry: entry.time) if rng.random() < 0.5 else waits


MUTATIONS = (
    _cut, _double, _shift, _hurry, _spoil, _shorten, _silence, _readdress, _reorder, _add_frames, _add_events,
    _add_waits,
)  # fmt: skip


def _source_of(entries, rng):
    return rng.choice([entry.identifier & 0xFF for entry in entries if isinstance(entry, Frame)] or [0])
