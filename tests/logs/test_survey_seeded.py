"""Known faults seeded into copies of healthy logs: every one is flagged, and nothing else is.

The healthy logs are recordings of the bench (another seed, another log) and a recorded vessel bus. Each seed says
which flag it must raise; ``also`` are kinds that follow from it. The table of hits and false alarms for each kind is
printed whenever the tests run.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest

from rvsim.logs.draft.rig_draft import learn_rig
from rvsim.logs.read import open_log
from rvsim.logs.survey import survey
from rvsim.rig.functions import by_status
from rvsim.rig.load import load_rig
from rvsim.watch.decode import Decoder
from rvsim.watch.limits import expected
from rvsim.wire.fields import Special, State
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of

FROM, TO = 100 * SECOND_US, 160 * SECOND_US
MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
UNKNOWN_DGN = 0x1AABB
"""A number that no message of ours has."""


@dataclass
class Seed:
    """A fault in a log: what it is called, the flag it must raise (kind, subject), and what may follow from it."""

    name: str
    frames: list[Frame]
    kind: str
    subjects: frozenset[str]
    also: frozenset[tuple[str, str]] = frozenset()


@dataclass
class Tally:
    """What was found for each kind of flag."""

    seeded: Counter = field(default_factory=Counter)
    hits: Counter = field(default_factory=Counter)
    false: Counter = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def count(self, seed: Seed, flags: Iterable) -> None:
        """Hold the flags of a seeded copy against what was seeded."""
        self.seeded[seed.kind] += 1
        found = {(flag.kind, flag.subject) for flag in flags}
        wanted = {(seed.kind, subject) for subject in seed.subjects}
        if found & wanted:
            self.hits[seed.kind] += 1
        else:
            self.missed.append(f"{seed.name}: {sorted(found)}")
        for flag in flags:
            if (flag.kind, flag.subject) not in wanted | seed.also:
                self.false[flag.kind] += 1
                self.wrong.append(f"{seed.name}: {flag.kind} {flag.subject}: {flag.text}")

    def table(self, title: str) -> str:
        """Write the figures down."""
        rows = [f"\n{title}", f"  {'kind':<18}{'seeded':>8}{'hits':>8}{'missed':>8}{'false alarms':>14}"]
        for kind in sorted({*self.seeded, *self.false}):
            missed = self.seeded[kind] - self.hits[kind]
            rows.append(f"  {kind:<18}{self.seeded[kind]:>8}{self.hits[kind]:>8}{missed:>8}{self.false[kind]:>14}")
        return "\n".join(rows)


@cache
def marine() -> tuple[Frame, ...]:
    """The vessel's log."""
    with open_log(MARINE) as log:
        return tuple(log.frames())


def source(frame: Frame) -> int:
    """Who sent it."""
    return frame.identifier & 0xFF


def between(frame: Frame) -> bool:
    """Tell whether a fault that lasts a while has begun and not ended."""
    return FROM <= frame.time < TO


# Faults.


def cut(frames, address: int) -> list[Frame]:
    """A device is cut out of the bus from some moment on."""
    return [frame for frame in frames if source(frame) != address or frame.time < FROM]


def stretched(frames, is_it: Callable[[Frame], bool], factor: int) -> list[Frame]:
    """A message keeps only every so-many-th frame from some moment on."""
    kept, seen = [], 0
    for frame in frames:
        if frame.time >= FROM and is_it(frame):
            seen += 1
            if seen % factor:
                continue
        kept.append(frame)
    return kept


def moved(frames, address: int, to: int) -> list[Frame]:
    """A device speaks from another one's address."""
    return [
        frame._replace(identifier=frame.identifier & ~0xFF | to) if source(frame) == address else frame
        for frame in frames
    ]


def spoilt(frames, is_it: Callable[[Frame], bool], how: Callable[[bytes], bytes]) -> list[Frame]:
    """The bytes of a message are spoilt for a while."""
    return [f._replace(data=how(f.data)) if between(f) and is_it(f) else f for f in frames]


def written(spec_field, raw: int) -> Callable[[bytes], bytes]:
    """Write a raw value into a field's place, whatever was there."""

    def how(data: bytes) -> bytes:
        value = int.from_bytes(data, "little")
        mask = ((1 << spec_field.length) - 1) << spec_field.first
        return (value & ~mask | raw << spec_field.first).to_bytes(len(data), "little")

    return how


# The bench's recordings.


def names(rig) -> dict[int, str]:
    """Devices by their address."""
    return {plan.address: plan.name for plan in rig.devices} if rig else {}


def called(address: int, rig) -> str:
    """How a device is called in flags."""
    return names(rig).get(address, f"address {address:02X} hex")


def topics(frames, catalogue) -> dict[Any, list[Frame]]:
    """The frames of each topic."""
    decoder, found = Decoder(catalogue), {}
    for frame in frames:
        topic = decoder.layout(dgn_of(frame.identifier)).topic(source(frame), frame.data)
        found.setdefault(topic, []).append(frame)
    return found


def belongs(catalogue, topic) -> Callable[[Frame], bool]:
    """Tell whether a frame is one of a topic."""
    decoder = Decoder(catalogue)
    return lambda frame: decoder.layout(dgn_of(frame.identifier)).topic(source(frame), frame.data) == topic


def bench_seeds(frames, catalogue, rig) -> Iterator[Seed]:
    """Every fault in every device of the bench."""
    addresses = sorted({source(frame) for frame in frames})
    for address in addresses:
        who = called(address, rig)
        late = frozenset({("late-message", who)})
        yield Seed(f"cut {who}", cut(frames, address), "silent-device", frozenset({who}), late)
    for topic, own in topics(frames, catalogue).items():
        spec = catalogue.by_dgn(topic.dgn)
        who = called(topic.source, rig)
        is_it = belongs(catalogue, topic)
        if spec.gap_us and len(own) > 20:
            yield Seed(f"stretch {topic} of {who}", stretched(frames, is_it, 5), "late-message", frozenset({who}))
        if topic.message == "ADDRESS_CLAIM":
            continue
        if own[-1].time > TO and any(map(between, own)):
            yield from value_seeds(frames, catalogue, rig, topic, own, is_it)
    for one, other in zip(addresses, addresses[1:] + addresses[:1], strict=True):
        both = frozenset({called(one, rig), called(other, rig), f"address {other:02X} hex"})
        yield Seed(f"{one:02X} moved to {other:02X}", moved(frames, one, other), "shared-address", both)
    quiet = [frame for frame in frames if not between(frame)]
    yield Seed("a pause of the whole bus", quiet, "bus-quiet", frozenset({"bus"}))
    if rig:
        speaking = {topic.source for topic in topics(frames, catalogue) if _is_one_devices(topic)}
        for address in addresses:
            twin = [frame._replace(identifier=frame.identifier & ~0xFF | 0x9D) for frame in frames
                    if source(frame) == address and dgn_of(frame.identifier) != 0xEE00]  # fmt: skip
            with_twin = sorted([*frames, *twin], key=lambda frame: frame.time)
            pair = frozenset({called(address, rig), "address 9D hex"})
            kind = "shared-instance" if address in speaking else "unplanned-device"  # told by what it speaks for
            yield Seed(f"a twin of {called(address, rig)}", with_twin, kind, pair)


def _is_one_devices(topic) -> bool:
    """Tell whether a topic is the status of a function that devices do not share by design."""
    function = by_status(topic.message or "")
    return function is not None and not function.shared and topic.instance is not None


def value_seeds(frames, catalogue, rig, topic, own, is_it) -> Iterator[Seed]:
    """Faults in what a message says."""
    spec, who = catalogue.by_dgn(topic.dgn), called(topic.source, rig)
    plan = next((plan for plan in rig.devices if plan.name == who), None) if rig else None
    keys = Decoder(catalogue).layout(topic.dgn).qualifier_fields  # as an instance: without one it is another topic
    told = {reading.field.name for frame in own for reading in spec.decode(frame.data) if reading.state is State.VALUE}
    for spec_field, known in zip(spec.fields, expected(spec, plan, twelve_volts=rig is not None), strict=True):
        where = f"{topic} {spec_field.name} of {who}"
        if spec.is_protocol or spec_field.name not in told or (topic.instance is not None and spec_field.first == 0):
            continue
        if spec_field.code(State.OUT_OF_RANGE) is not None:
            how = written(spec_field, spec_field.code(State.OUT_OF_RANGE))
            page = frozenset({("late-message", who)} if spec_field in keys else ())  # the page of that line stops
            yield Seed(f"{where} out of range", spoilt(frames, is_it, how), "bad-value", frozenset({who}), page)
        can_be_lost = spec_field.special is not Special.NONE and not known.may_be_empty and spec_field not in keys
        if can_be_lost and spec_field.name != "dsa":
            how = written(spec_field, spec_field.code(State.NO_DATA))
            yield Seed(f"{where} no data", spoilt(frames, is_it, how), "no-data", frozenset({who}))
        top = spec_field.raw_limits[1]
        if known.limits is not None and float(spec_field.value(top)) > known.limits.high:
            how = written(spec_field, top)
            yield Seed(f"{where} too high", spoilt(frames, is_it, how), "bad-value", frozenset({who}))
    if topic.dsa is None:
        short = spoilt(frames, is_it, lambda data: data[: spec.min_length - 1])
        lost = frozenset({("no-data", who), ("late-message", who)})
        yield Seed(f"{topic} of {who} cut short", short, "wrong-length", frozenset({who}), lost)


# The vessel's log.


def marine_seeds(rig) -> Iterator[Seed]:
    """Faults in the vessel's log; without a rig its own unknown messages and pauses are no alarms."""
    frames = marine()
    for address in (0x01, 0x02, 0x11, 0xB0):
        who = called(address, rig)
        # 02 sends nine frames in ten: without it the bus is quiet for longer than it was.
        also = frozenset({("late-message", who), ("bus-quiet", "bus")})
        yield Seed(f"cut {who}", cut(frames, address), "silent-device", frozenset({who}), also)
    periodic = ((0x1F801, 2, 40), (0x1F802, 2, 20), (0x1F010, 2, 5), (0x1FA03, 2, 5), (0x1F50B, 17, 5))
    for dgn, address, factor in periodic:
        is_it = partial(_is_of, dgn, address)
        assert sum(map(is_it, frames)) > 100
        slow, who = stretched(frames, is_it, factor), called(address, rig)
        yield Seed(f"stretch {dgn:05X}", slow, "late-message", frozenset({who}))
    claim = next(frame for frame in frames if dgn_of(frame.identifier) == 0xEE00)
    other = Frame(FROM, claim.identifier, bytes([claim.data[0] ^ 0xFF]) + claim.data[1:])
    twice = sorted([*frames, other], key=lambda frame: frame.time)
    # Held against a rig that plans the first NAME, whoever speaks from there now is another unit.
    also = frozenset({("silent-device", called(0x11, rig)), ("unplanned-device", "address 11 hex")})
    yield Seed("a second NAME at 11 hex", twice, "shared-address", frozenset({"address 11 hex"}), also)
    strange = Frame(FROM, 6 << 26 | UNKNOWN_DGN << 8 | 0x02, bytes(8))
    strangers = frozenset({called(0x02, rig)})
    yield Seed("a strange message", sorted([*frames, strange]), "unknown-message", strangers)
    quiet = [frame for frame in frames if not FROM <= frame.time < FROM + 30 * SECOND_US]
    yield Seed("thirty seconds without anybody", quiet, "bus-quiet", frozenset({"bus"}))


def _is_of(dgn: int, address: int, frame: Frame) -> bool:
    return dgn_of(frame.identifier) == dgn and source(frame) == address


# What is asserted.


@pytest.mark.parametrize("with_rig", [True, False], ids=["with the rig", "without a rig"])
def test_every_fault_seeded_into_the_bench_is_flagged_and_nothing_else(catalogue, healthy, chosen, shown, with_rig):
    """Devices cut out, gaps stretched, addresses doubled, bytes spoilt, in copies of a healthy recording."""
    rig, tally = (load_rig("ottersby") if with_rig else None), Tally()
    for seed in chosen(bench_seeds(healthy, catalogue, rig), rig):
        tally.count(seed, survey(seed.frames, catalogue, rig).flags)
    shown(tally.table(f"Faults seeded into a bench recording, {'with its rig' if rig else 'no rig'}"))
    assert tally.missed == []
    assert tally.wrong == []
    assert sum(tally.seeded.values()) > (75 if with_rig else 30)


@pytest.mark.parametrize("drafted", [False, True], ids=["without a rig", "with a rig drafted from it"])
def test_every_fault_seeded_into_the_vessels_log_is_flagged_and_nothing_else(catalogue, shown, tmp_path, drafted):
    """The same in the vessel's log; without a rig its own notices and pauses count as known."""
    rig, tally = None, Tally()
    own = {("unknown-message", called(address, None)) for address in (0x01, 0x02, 0x11, 0xB0)} | {("bus-quiet", "bus")}
    if drafted:
        path = tmp_path / "drafted.toml"
        path.write_text(learn_rig(marine, catalogue, "vessel.log").text, encoding="utf-8")
        rig, own = load_rig(str(path)), set()
    for seed in marine_seeds(rig):
        seed.also |= own
        tally.count(seed, survey(seed.frames, catalogue, rig).flags)
    shown(tally.table(f"Faults seeded into the vessel's log, {'with a rig drafted from it' if rig else 'no rig'}"))
    assert tally.missed == []
    assert tally.wrong == []


def test_healthy_logs_raise_none(catalogue, record, shown):
    """Two seeds of half an hour, with the rig and without: not one flag. The vessel's log: nobody late or silent."""
    rig, minutes, flags = load_rig("ottersby"), 0, []
    for seed in (1, 2):
        frames, _ = record("winter_evening", 1800, seed)
        minutes += 60
        flags += [*survey(frames, catalogue, rig).flags, *survey(frames, catalogue).flags]
    vessel = survey(marine(), catalogue).flags
    quiet = sum(flag.kind == "bus-quiet" for flag in vessel)
    shown(f"\nHealthy logs: {minutes} minutes of bench, {len(flags)} flags; vessel: {quiet} bus-quiet of 7 pauses")
    assert flags == []
    assert {flag.kind for flag in vessel} <= {"unknown-message", "bus-quiet"}
    assert quiet <= 7
