"""Commands, stuck values, contradictions and alarming codes seeded into copies of healthy logs: hits and false alarms.

The healthy logs are recordings of the bench. Beside each seed that must be told there are some just inside its limit,
of which nothing may be told. The table of both is printed whenever the tests run.
"""

import importlib.util
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rvsim.logs.survey import survey
from rvsim.rig.functions import by_command
from rvsim.rig.load import load_rig
from rvsim.watch.detect.answers import answering_field, is_zero_percent
from rvsim.wire.fields import Reading, State
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of


def _beside(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


seeded = _beside("test_survey_seeded")
FROM, TO = seeded.FROM, seeded.TO
Tally, called, written = seeded.Tally, seeded.called, seeded.written
Seed: Any = seeded.Seed
PANEL, STRANGER = 0x44, 0x9C
COMMANDS = ("FURNACE_COMMAND", "WATERHEATER_COMMAND", "ROOF_FAN_COMMAND_1", "CIRCULATION_PUMP_COMMAND")
STEP_S = 3
HELD_FROM = 200 * SECOND_US
"""A held value stands from here on; by then the bench has begun to heat and to charge."""


def with_frames(frames, *more: Frame) -> list[Frame]:
    """Put frames in at their times."""
    return sorted([*frames, *more], key=lambda frame: frame.time)


def latest(frames, catalogue, message: str, instance: int | None = None) -> Frame:
    """The last frame of a message before the seeds begin."""
    spec = catalogue.by_name(message)
    those = (f for f in frames if f.time < FROM and dgn_of(f.identifier) == spec.dgn)
    return [f for f in those if instance is None or f.data[0] == instance][-1]


def otherwise(catalogue, command: Frame, status: Frame) -> Iterator[tuple[str, bytes]]:
    """Each field of a command that its status answers, with the command for another state than there is.

    From rest only what does not start slowly: a furnace may take three minutes, which the log has not.
    """
    spec, said = (catalogue.by_dgn(dgn_of(frame.identifier)) for frame in (command, status))
    for field in spec.fields[1:]:
        answer = answering_field(field, said)
        raw = None if answer is None else answer.raw_in(status.data)
        if raw is None or answer.state(raw) is not State.VALUE:
            continue
        slow = spec.name == "FURNACE_COMMAND" and is_zero_percent(Reading(answer, raw, State.VALUE))
        other = next((code for code in field.labels if code != raw and field.state(code) is State.VALUE), raw // 2)
        if other != raw and not slow:
            yield field.name, spec.encode({spec.fields[0].name: command.data[0], field.name: other})


# Seeds that must be told.


def commander_seeds(frames, catalogue, rig) -> Iterator[Seed]:
    """A second source commands otherwise than the panel, four commands in turn."""
    for message in COMMANDS:
        command, status = latest(frames, catalogue, message), latest(frames, catalogue, by_command(message).statuses[0])
        ignoring = called(status.identifier & 0xFF, rig)
        also = {("ignored-command", ignoring), ("unplanned-device", called(STRANGER, rig))}
        fields = catalogue.by_name(message).by_name
        for name, data in otherwise(catalogue, command, status):
            if fields[name].state(fields[name].raw_in(command.data)) is not State.VALUE:
                continue  # the panel leaves it as it is
            turns = in_turn(command, data, 4, STEP_S)
            yield Seed(f"{message} {name} by two", with_frames(frames, *turns), "two-commanders",
                       frozenset({called(PANEL, rig)}), frozenset(also))  # fmt: skip


def in_turn(command: Frame, other: bytes, count: int, gap: float) -> list[Frame]:
    """The panel's command and another source's one in turn."""
    stranger = command.identifier & ~0xFF | STRANGER
    return [
        Frame(FROM + round(n * gap * SECOND_US), *((stranger, other) if n % 2 else (command.identifier, command.data)))
        for n in range(count)
    ]


def ignored_seeds(frames, catalogue, rig) -> Iterator[Seed]:
    """The panel commands what nobody does, or a function that nobody is."""
    for message in COMMANDS:
        command, status = latest(frames, catalogue, message), latest(frames, catalogue, by_command(message).statuses[0])
        who = frozenset({called(status.identifier & 0xFF, rig)})
        for name, data in otherwise(catalogue, command, status):
            seed = with_frames(frames, Frame(FROM, command.identifier, data))
            yield Seed(f"{message} {name} ignored", seed, "ignored-command", who)
        nobody = Frame(FROM, command.identifier, bytes([9]) + command.data[1:])
        yield Seed(f"{message} to instance 9", with_frames(frames, nobody), "ignored-command",
                   frozenset({called(PANEL, rig)}))  # fmt: skip


def held(frames, catalogue, topic, name: str, until: float | None = None) -> list[Frame]:
    """A field that repeats its value from some moment on."""
    field, is_it, value = catalogue.by_name(topic.message).by_name[name], seeded.belongs(catalogue, topic), None
    kept = []
    for frame in frames:
        if frame.time >= HELD_FROM and (until is None or frame.time < until * SECOND_US) and is_it(frame):
            value = field.raw_in(frame.data) if value is None else value
            frame = frame._replace(data=written(field, value)(frame.data))
        kept.append(frame)
    return kept


def stuck_topics(frames, catalogue) -> Iterator[tuple]:
    """The fields with a neighbour that moves by ten steps while they are held."""
    topics = seeded.topics([frame for frame in frames if frame.time > HELD_FROM + 60 * SECOND_US], catalogue)
    for topic in topics:
        spec = catalogue.by_name(topic.message) if topic.message else None
        for field in spec.fields if spec else ():
            ways = [way(own, catalogue, other, name) for name in field.moves_with for other, own in topics.items()
                    if other.message == name.partition(".")[0] and other.instance == topic.instance]  # fmt: skip
            if max(ways, default=0) >= 20:
                yield topic, field.name


def way(frames, catalogue, topic, name: str) -> int:
    """How many steps a field goes."""
    field = catalogue.by_name(topic.message).by_name[name.partition(".")[2]]
    raws = [raw for frame in frames if field.state(raw := field.raw_in(frame.data)) is State.VALUE]
    return max(raws) - min(raws) if raws else 0


def stuck_seeds(frames, catalogue, rig) -> Iterator[Seed]:
    """Each of them held to the end of the log."""
    for topic, name in stuck_topics(frames, catalogue):
        who = frozenset({called(topic.source, rig)})
        yield Seed(f"{topic} {name} of {who} held", held(frames, catalogue, topic, name), "stuck-value", who)


def beside_seeds(frames, catalogue, rig) -> Iterator[Seed]:
    """Levels above their resolution; a charger three volts from its battery."""
    for topic, own in seeded.topics(frames, catalogue).items():
        who, is_it = frozenset({called(topic.source, rig)}), seeded.belongs(catalogue, topic)
        if topic.message == "TANK_STATUS":
            fields = catalogue.by_name("TANK_STATUS").by_name
            above = fields["resolution"].raw_in(own[-1].data) + 1
            level = seeded.spoilt(frames, is_it, written(fields["relative_level"], above))
            yield Seed(f"{topic} above its resolution", level, "bad-value", who)
        if topic.message == "CHARGER_STATUS_2":
            yield Seed("a charger three volts away", apart(frames, catalogue, is_it, 3.0), "bad-value", who)


def apart(frames, catalogue, is_it, volts: float, seconds: float = 60) -> list[Frame]:
    """A charger's voltage moved by some volts for a while."""
    field = catalogue.by_name("CHARGER_STATUS_2").by_name["charging_voltage"]

    def moved(data: bytes) -> bytes:
        return written(field, field.raw_in(data) + round(volts * 20))(data)

    end = FROM + round(seconds * SECOND_US)
    return [f._replace(data=moved(f.data)) if FROM <= f.time < end and is_it(f) else f for f in frames]


def alarm_seeds(frames, catalogue, rig) -> Iterator[Seed]:
    """Every alarming code in every message that is no protocol."""
    for topic, own in seeded.topics(frames, catalogue).items():
        spec, who = catalogue.by_dgn(topic.dgn), called(topic.source, rig)
        for field in () if spec is None or spec.is_protocol or own[-1].time < TO else spec.fields:
            for raw in field.alarms:
                frames_ = seeded.spoilt(frames, seeded.belongs(catalogue, topic), written(field, raw))
                # A field that the bench leaves as no data turns to no data again.
                also = frozenset({("no-data", who)})
                yield Seed(f"{topic} {field.name} {raw}", frames_, "reported-fault", frozenset({who}), also)


# Just inside a limit: nothing may be told.


def near_misses(frames, catalogue) -> Iterator[tuple[str, list[Frame]]]:
    """What looks like it and is not."""
    charger = next(t for t in seeded.topics(frames, catalogue) if t.message == "CHARGER_STATUS_2")
    is_charger = seeded.belongs(catalogue, charger)
    yield "two volts apart", apart(frames, catalogue, is_charger, 1.9)
    yield "three volts for nine seconds", apart(frames, catalogue, is_charger, 3.0, 9)
    for message in COMMANDS:
        command, status = latest(frames, catalogue, message), latest(frames, catalogue, by_command(message).statuses[0])
        yield f"{message} again", with_frames(frames, *(command._replace(time=FROM + n * SECOND_US) for n in range(60)))
        spec, said = (catalogue.by_dgn(dgn_of(frame.identifier)) for frame in (command, status))
        so = {f.name: raw for f in spec.fields if (a := answering_field(f, said)) is not None
              and (raw := a.raw_in(status.data)) is not None and a.state(raw) is State.VALUE}  # fmt: skip
        yield f"{message} for what is so", with_frames(frames, Frame(FROM, command.identifier, spec.encode(so)))


def conversations(frames, catalogue) -> Iterator[tuple[str, list[Frame]]]:
    """Two sources that do not command against each other."""
    for message in COMMANDS:
        command, status = latest(frames, catalogue, message), latest(frames, catalogue, by_command(message).statuses[0])
        for name, data in otherwise(catalogue, command, status):
            yield f"{message} {name}: once and back", with_frames(frames, *in_turn(command, data, 3, STEP_S))
            yield f"{message} {name}: twelve seconds apart", with_frames(frames, *in_turn(command, data, 10, 12))
        yield f"{message}: agreement", with_frames(frames, *in_turn(command, command.data, 20, STEP_S))


# What is asserted.


@pytest.mark.parametrize("with_rig", [True, False], ids=["with the rig", "without a rig"])
def test_what_is_seeded_is_told_and_nothing_else(catalogue, healthy, record, shown, with_rig):
    """Commands against each other, ignored and for nobody; values held; impossible beside others; alarming codes."""
    rig, tally = (load_rig("ottersby") if with_rig else None), Tally()
    frames = list(healthy)
    long, other = (record("winter_evening", 1800, seed)[0] for seed in (1, 2))
    for seeds, log in ((commander_seeds, frames), (ignored_seeds, frames), (beside_seeds, frames),
                       (alarm_seeds, frames), (stuck_seeds, long), (stuck_seeds, other)):  # fmt: skip
        for seed in seeds(log, catalogue, rig):
            tally.count(seed, survey(seed.frames, catalogue, rig).flags)
    shown(tally.table(f"Commands and values, {'with the rig' if rig else 'no rig'}"))
    assert tally.missed == []
    assert tally.wrong == []
    assert all(tally.seeded[kind] >= 3 for kind in ("two-commanders", "ignored-command", "bad-value", "stuck-value"))


@pytest.mark.parametrize("with_rig", [True, False], ids=["with the rig", "without a rig"])
def test_what_is_just_inside_a_limit_is_not_told(catalogue, healthy, record, shown, with_rig):
    """Agreement, corrections, repetitions, small differences, short ones; a value held for nine minutes."""
    rig = load_rig("ottersby") if with_rig else None
    frames, long = list(healthy), record("winter_evening", 1800)[0]
    told, count = [], 0
    for what, log in near_misses(frames, catalogue):
        told += [f"{what}: {flag.kind} {flag.text}" for flag in survey(log, catalogue, rig).flags]
        count += 1
    for what, log in conversations(frames, catalogue):
        told += [f"{what}: {f.text}" for f in survey(log, catalogue, rig).flags if f.kind == "two-commanders"]
        count += 1
    for topic, name in stuck_topics(long, catalogue):
        log = held(long, catalogue, topic, name, until=HELD_FROM / SECOND_US + 540)
        told += [f"{topic} {name}: {flag.text}" for flag in survey(log, catalogue, rig).flags]
        count += 1
    shown(f"\nJust inside a limit, {'with the rig' if rig else 'no rig'}: {count} logs, {len(told)} flags")
    assert told == []
