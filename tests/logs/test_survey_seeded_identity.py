"""Who speaks from where, seeded into copies of a healthy recording: restarts, twins, replaced units, no addresses.

Beside each seed that must be told stand some just inside its limit, of which nothing may be told: their subject is
"nobody". The table of hits and false alarms is printed whenever the tests run.
"""

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest

from rvsim.devices.registry import settings_models
from rvsim.logs.survey import survey
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.faults.fault_plans import BrownOutPlan, RestartPlan
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.name import Name


def _beside(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


seeded = _beside("test_survey_seeded")
FROM, Seed, Tally, called, source = seeded.FROM, seeded.Seed, seeded.Tally, seeded.called, seeded.source
CLAIM, NULL, GLOBAL, FREE, TOOL = 0xEE00, 0xFE, 0xFF, 0x9D, 0xF9
NOBODY = "nobody"
"""The subject of a seed of which nothing may be told."""


def with_frames(frames, *more: Frame) -> list[Frame]:
    """Put frames in at their times."""
    return sorted([*frames, *more], key=lambda frame: frame.time)


def own(frames, address: int) -> list[Frame]:
    """The frames of one address."""
    return [frame for frame in frames if source(frame) == address]


def at(frame: Frame, address: int, shift: int = 0) -> Frame:
    """The same frame from another address, at another time."""
    return Frame(frame.time + shift, frame.identifier & ~0xFF | address, frame.data)


def claim(time: int, address: int, name: Name) -> Frame:
    """A claim."""
    return Frame(time, 0x18EEFF00 | address, name.to_bytes())


def request(time: int, to: int = GLOBAL) -> Frame:
    """A request for claims."""
    return Frame(time, 0x18EA0000 | to << 8 | TOOL, bytes.fromhex("00 EE 00"))


def names(frames) -> dict[int, Name]:
    """The NAME of each address."""
    return {source(f): Name.from_bytes(f.data) for f in frames if dgn_of(f.identifier) == CLAIM and source(f) < NULL}


def other(name: Name) -> Name:
    """A unit of the same maker with the next serial number."""
    return Name.from_bytes((int(name) ^ 1).to_bytes(8, "little"))


def claims_and_restarts(frames, rig) -> Iterator:
    """Each device claims again: one, two and three times; asked, contested and at its start: nothing."""
    tool = frozenset({("unplanned-device", f"address {TOOL:02X} hex")})
    for address, name in names(frames).items():
        who = called(address, rig)
        for times in (1, 2, 3):
            again = (claim(FROM + number * 11 * SECOND_US, address, name) for number in range(times))
            yield Seed(f"{who} restarts {times} times", with_frames(frames, *again), "restarted", frozenset({who}))
        asked = with_frames(frames, request(FROM), claim(FROM + 1_900_000, address, name))
        yield Seed(f"{who} is asked", asked, "restarted", frozenset({NOBODY}), tool)
        defended = (claim(FROM, address, other(name)), claim(FROM + 900, address, name))
        gone = (*defended, claim(FROM + 90_000, NULL, other(name)))
        loser = frozenset({("cannot-claim", f"NAME {int(other(name)):016X} hex")})
        yield Seed(f"{who} defends its address", with_frames(frames, *gone), "restarted", frozenset({NOBODY}), loser)
        started = with_frames(frames, claim(own(frames, address)[0].time + 1000, address, name))
        yield Seed(f"{who} claims twice at its start", started, "restarted", frozenset({NOBODY}))


def start_sequences(frames, rig) -> Iterator:
    """A device's first second again, without a claim and out of its rhythm; and in its rhythm: nothing."""
    for address in names(frames):
        first = [frame for frame in own(frames, address) if dgn_of(frame.identifier) != CLAIM]
        begun = first[0].time
        topics = {frame.identifier: frame for frame in first if frame.time - begun <= SECOND_US}
        if len(topics) < 3 or not any(dgn_of(one) == 0x1FECA for one in topics):
            continue
        for shift, told in ((101_700_000, True), (100_000_000, False)):
            away = FROM - 4 * SECOND_US, begun + shift
            rest = [f for f in frames if source(f) != address or not away[0] <= f.time < away[1]]
            anew = [frame._replace(time=frame.time + shift) for frame in first if frame.time < begun + 60 * SECOND_US]
            log = [f for f in rest if source(f) != address or f.time < away[0]] + anew
            log = [f for f in log if f.time < begun + shift + 50 * SECOND_US]
            who = called(address, rig) if told else NOBODY
            late = frozenset({("late-message", called(address, rig))})  # what comes twice a second, after four seconds
            yield Seed(f"{called(address, rig)} begins anew", with_frames(log), "restarted", frozenset({who}), late)


def shared_names(frames, rig) -> Iterator:
    """Each NAME from a second address that speaks; from one that its unit has left: nothing."""
    for address, name in names(frames).items():
        copied = [at(f, FREE, 40_000) for f in own(frames, address) if f.time >= FROM and dgn_of(f.identifier) != CLAIM]
        both = with_frames(frames, claim(FROM, FREE, name), *copied)
        who = frozenset({called(address, rig), f"address {FREE:02X} hex"})
        twin = frozenset((kind, one) for kind in ("shared-instance", "unplanned-device") for one in who)
        yield Seed(f"the NAME of {called(address, rig)} twice", both, "shared-name", who, twin)
        left = [f for f in frames if source(f) != address or f.time < FROM]
        moved = with_frames(left, claim(FROM, FREE, name), *(at(f, FREE, SECOND_US) for f in copied))
        yield Seed(f"{called(address, rig)} moves", moved, "shared-name", frozenset({NOBODY}))


def without_address(frames, rig) -> Iterator:
    """Each message from the null and the global address; claims and requests for claims: nothing."""
    for address, name in names(frames).items():
        lost = with_frames([f for f in frames if source(f) != address or f.time < FROM], claim(FROM, NULL, name))
        who = called(address, rig)
        gone = frozenset({("silent-device", who), ("late-message", who)})
        yield Seed(f"{who} cannot claim", lost, "cannot-claim", frozenset({who}), gone)
    statuses = {frame.identifier & ~0xFF: frame for frame in frames if dgn_of(frame.identifier) != CLAIM}
    for frame in statuses.values():
        for nobody in (NULL, GLOBAL):
            said = with_frames(frames, at(frame, nobody)._replace(time=FROM))
            yield Seed(f"{frame} of nobody", said, "no-address", frozenset({f"address {nobody:02X} hex"}))
    asks = with_frames(frames, *(at(request(FROM + number * SECOND_US), NULL) for number in range(3)))
    yield Seed("a node without an address asks", asks, "no-address", frozenset({NOBODY}))


def instances(frames, catalogue, rig) -> Iterator:
    """Each status from a second address, beside the first one and instead of it; and as its own instance: nothing."""
    for topic, said in seeded.topics(frames, catalogue).items():
        if not seeded._is_one_devices(topic) or len(said) < 20:
            continue
        who, free = called(topic.source, rig), f"address {FREE:02X} hex"
        copied = [at(frame, FREE, 30_000) for frame in said if frame.time >= FROM]
        subjects = frozenset({who, free})
        yield Seed(f"{topic} twice", with_frames(frames, *copied), "shared-instance", subjects)
        rest = [frame for frame in frames if source(frame) != topic.source or frame.time < FROM]
        late = frozenset({("late-message", who), ("late-message", free)})
        if len({one for one in seeded.topics(frames, catalogue) if one.source == topic.source
                and seeded._is_one_devices(one)}) == 1:  # fmt: skip
            yield Seed(f"{topic} from elsewhere", with_frames(rest, *copied), "replaced-device", subjects, late)
        spare = [frame._replace(data=bytes([211]) + frame.data[1:]) for frame in copied]
        strange = frozenset({("unplanned-device", free)} if rig else ())
        yield Seed(f"{topic} as 211", with_frames(frames, *spare), "shared-instance", frozenset({NOBODY}), strange)


def other_units(frames, catalogue, rig: Rig | None) -> Iterator:
    """Another unit at each address after 20 s of silence: by the NAME that a rig plans, or that was learnt."""
    speaking = {one.source for one in seeded.topics(frames, catalogue) if seeded._is_one_devices(one)}
    for address, name in names(frames).items():
        if rig is None and address not in speaking:
            continue  # nothing tells what it is, so nobody can be told to be in its place
        before = [f for f in frames if source(f) != address or f.time < FROM]
        after = [f for f in own(frames, address) if f.time >= FROM + 20 * SECOND_US]
        log = with_frames(before, claim(FROM + 20 * SECOND_US, address, other(name)), *after)
        who = called(address, rig)
        also = frozenset({("silent-device", who), ("late-message", who)})
        yield Seed(f"another unit for {who}", log, "replaced-device", frozenset({who}), also)


def voices(frames, catalogue, rig) -> Iterator:
    """Unchanged heartbeats and statuses a second time, unevenly and in the middle; two values in turn."""
    for topic, said in seeded.topics(frames, catalogue).items():
        spec, who = catalogue.by_dgn(topic.dgn), called(topic.source, rig)
        behind = [frame for frame in said if frame.time >= FROM]
        if spec.gap_us is None or len({frame.data for frame in behind}) > 1 or len(behind) < 26:
            continue
        for share, told in ((0.3, True), (0.5, False)):
            twice = [frame._replace(time=frame.time + round(spec.gap_us * share)) for frame in behind]
            subject = frozenset({who if told else NOBODY})
            yield Seed(f"{topic} again after {share}", with_frames(frames, *twice), "shared-address", subject)


def value_trains(frames, catalogue, rig) -> Iterator:
    """Temperatures of a second sensor in turn with the first, far from it; and within ten steps: nothing."""
    for topic, said in seeded.topics(frames, catalogue).items():
        if topic.message != "THERMOSTAT_AMBIENT_STATUS":
            continue
        field, spec = "ambient_temperature", catalogue.by_dgn(topic.dgn)
        for apart, told in ((320, True), (10, False)):
            raw = [spec.by_name[field].raw_in(frame.data) for frame in said]
            second = [
                frame._replace(time=frame.time + 900_000, data=spec.replace(frame.data, field, value + apart))
                for frame, value in zip(said, raw, strict=True)
                if frame.time >= FROM
            ]
            subject = frozenset({called(topic.source, rig) if told else NOBODY})
            yield Seed(f"{topic} {apart} apart", with_frames(frames, *second), "shared-address", subject)


def _with_name(plan, name: Name):
    """The same planned device, with the NAME of the unit that is fitted."""
    return plan.model_copy(update={"claimed_name": name})


@pytest.mark.parametrize("with_rig", [True, False], ids=["with the rig", "without a rig"])
def test_every_seed_of_who_speaks_from_where_is_flagged_and_nothing_else(catalogue, healthy, chosen, shown, with_rig):
    """In copies of a healthy recording of the bench; what lies inside a limit raises nothing."""
    rig, tally, inside = (load_rig("ottersby") if with_rig else None), Tally(), 0
    frames = list(healthy)
    groups = [
        claims_and_restarts(frames, rig),
        start_sequences(frames, rig),
        shared_names(frames, rig),
        without_address(frames, rig),
        instances(frames, catalogue, rig),
        voices(frames, catalogue, rig),
        value_trains(frames, catalogue, rig),
    ]
    for seed in chosen((one for group in groups for one in group), rig):
        flags = survey(seed.frames, catalogue, rig).flags
        if seed.subjects == {NOBODY}:
            inside += 1
            seed.subjects = frozenset()
            tally.count(seed, flags)
            tally.seeded[seed.kind] -= 1
            tally.missed.pop()
        else:
            tally.count(seed, flags)
    named = rig and rig.model_copy(
        update={"devices": tuple(_with_name(plan, names(frames)[plan.address]) for plan in rig.devices)}
    )
    for seed in other_units(frames, catalogue, rig):
        tally.count(seed, survey(seed.frames, catalogue, named).flags)
    shown(tally.table(f"Who speaks from where, {'with its rig' if rig else 'no rig'}; {inside} seeds inside a limit"))
    assert tally.missed == []
    assert tally.wrong == []
    assert sum(tally.seeded.values()) > (50 if with_rig else 30)
    assert inside > (20 if with_rig else 6)


def spoilt(kept, catalogue, *faults) -> tuple[list[Frame], list]:
    """Run the healthy evening with faults for two minutes; return its frames, and the flags of the run itself."""
    loaded = load_scenario("winter_evening", kinds=settings_models())
    devices = [plan.name for plan in loaded.rig.devices]
    plans = tuple(kind.model_validate(given, context={"devices": devices}) for kind, given in faults)
    run = VirtualBenchRun(
        loaded._replace(scenario=loaded.scenario.model_copy(update={"faults": plans})), catalogue, kept, seed=1
    )
    run.until(120 * SECOND_US)
    return kept.frames, list(run.watch.all_flags)


def test_every_device_of_the_bench_that_loses_its_power_for_a_moment_has_restarted(catalogue, shown, kept):
    """Two seconds without power, twice: in the run, and in its frames with the rig and without; nothing else is told.

    What comes twice a second is late meanwhile.
    """
    rig, tally = load_rig("ottersby"), Tally()
    for plan in rig.devices:
        faults = [(RestartPlan, {"fault": "restart", "device": plan.name, "from": at}) for at in ("40s", "75s")]
        frames, live = spoilt(kept(), catalogue, *faults)
        for one, flags in (
            (rig, live),
            (rig, survey(frames, catalogue, rig).flags),
            (None, survey(frames, catalogue).flags),
        ):
            who = called(plan.address, one)
            seed = Seed(f"{who} twice", frames, "restarted", frozenset({who}), frozenset({("late-message", who)}))
            tally.count(seed, flags)
            texts = [flag.text for flag in flags if flag.kind == "restarted"]
            assert texts == ["restarted 2 times without a request; the shortest time between two restarts is 35 s"]
    shown(tally.table("Devices of the bench restarted twice: live, log with rig, log without"))
    assert (tally.missed, tally.wrong) == ([], [])
    assert tally.hits["restarted"] == 3 * len(rig.devices)


def test_a_brown_out_within_the_limit_is_a_restart_and_beyond_it_a_silence(catalogue, kept):
    """Ten seconds and twenty-five, for heater and pump."""
    both = ["heater", "circulation pump"]
    for until, kind in (("50s", "restarted"), ("65s", "silent-device")):
        fault = {"fault": "brown_out", "devices": both, "from": "40s", "until": until}
        _, flags = spoilt(kept(), catalogue, (BrownOutPlan, fault))
        told = {(str(flag.kind), flag.subject) for flag in flags if flag.kind != "late-message"}
        assert told == {(kind, one) for one in both}
