"""Troubles of the pair and of a log's times, seeded into copies of healthy logs and written in each format.

Every one is flagged, and nothing else is; what lies just inside a limit is not. The healthy logs are a recording of the
bench and a recorded vessel bus. The table of hits and false alarms for each kind is printed whenever the tests run.
"""

import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import can
import pytest

from rvsim.logs.read import open_log
from rvsim.logs.survey import survey
from rvsim.rig.load import load_rig
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.timing import exact_bits, standard_bits

AT = 100 * SECOND_US
MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
OWN = {"unknown-message", "bus-quiet"}
"""What the vessel's log has of its own."""
WRITERS = {".log": can.CanutilsLogWriter, ".asc": can.ASCWriter, ".csv": can.CSVWriter, ".blf": can.BLFWriter}


@dataclass
class Told:
    """An entry of a log: a frame, or one of another kind."""

    time: int
    message: can.Message

    @staticmethod
    def of(frame: Frame) -> "Told":
        """A frame of ours."""
        return Told(frame.time, can.Message(arbitration_id=frame.identifier, data=frame.data))


@dataclass
class Seed:
    """A trouble: its name, the entries, the kind and severity that it must raise; None for none."""

    name: str
    entries: list[Told]
    kind: str | None = None
    severity: str | None = None


@dataclass
class Tally:
    """What was found for each kind of flag."""

    seeded: Counter = field(default_factory=Counter)
    hits: Counter = field(default_factory=Counter)
    clean: Counter = field(default_factory=Counter)
    false: Counter = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def count(self, seed: Seed, flags, where: str, own: set[str]) -> None:
        """Hold flags against what was seeded."""
        found = {(str(flag.kind), str(flag.severity)) for flag in flags}
        if seed.kind is None:
            self.clean["inside a limit"] += 1
        else:
            self.seeded[seed.kind] += 1
            if (seed.kind, seed.severity) in found:
                self.hits[seed.kind] += 1
            else:
                self.wrong.append(f"{seed.name}, {where}: missed, found {sorted(found)}")
        for flag in flags:
            if str(flag.kind) != seed.kind and str(flag.kind) not in own:
                self.false[str(flag.kind)] += 1
                self.wrong.append(f"{seed.name}, {where}: {flag.kind} {flag.subject}: {flag.text}")

    def table(self, title: str) -> str:
        """Write the figures down."""
        rows = [f"\n{title}", f"  {'kind':<18}{'seeded':>8}{'hits':>8}{'missed':>8}{'false alarms':>14}"]
        for kind in sorted({*self.seeded, *self.false}):
            missed = self.seeded[kind] - self.hits[kind]
            rows.append(f"  {kind:<18}{self.seeded[kind]:>8}{self.hits[kind]:>8}{missed:>8}{self.false[kind]:>14}")
        rows.append(f"  {'inside a limit':<18}{self.clean['inside a limit']:>8}")
        return "\n".join(rows)


def mixed(entries: list[Told], more: list[Told]) -> list[Told]:
    """Put further entries in their place by time."""
    return sorted([*entries, *more], key=lambda one: one.time)


def errors(count: int, gap: int, start: int = AT) -> list[Told]:
    """Error frames."""
    return [Told(start + n * gap, can.Message(is_error_frame=True)) for n in range(count)]


def flood(percent: float, start: int, message: can.Message) -> list[Told]:
    """As many frames, evenly spread over a second, as take a part of the pair."""
    data = bytes(message.data)
    extended = message.is_extended_id
    bits = exact_bits(message.arbitration_id, data) if extended else standard_bits(message.arbitration_id, data)
    count = int(percent / 100 * 250_000 / bits)
    return [Told(start + n * SECOND_US // count, message) for n in range(count)]


ELEVEN_BITS = can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes.fromhex("01A00FA6603BD140"))


def seeds(entries: list[Told], source: int) -> Iterator[Seed]:
    """Every trouble of the pair and of times; a frame of ``source`` is what floods the pair."""
    place = next(number for number, one in enumerate(entries) if one.time >= AT)
    heard = next(one.message for one in reversed(entries[:place]) if one.message.arbitration_id & 0xFF == source)
    yield Seed("as it is", entries)
    for count in (1, 9):
        yield Seed(f"{count} error frames", mixed(entries, errors(count, SECOND_US)), "bus-errors", "notice")
    yield Seed("10 error frames in 9 s", mixed(entries, errors(10, SECOND_US)), "bus-errors", "warning")
    yield Seed("10 error frames in 10.8 s", mixed(entries, errors(10, 1_200_000)), "bus-errors", "notice")
    yield Seed("a storm of errors", mixed(entries, errors(400, 5000)), "bus-errors", "warning")
    yield Seed("nothing but error frames", errors(50, 20_000, 0), "bus-errors", "warning")
    for percent, kind, severity in ((33, None, None), (45, "bus-busy", "notice"), (75, "bus-busy", "warning")):
        for what, message in (("our", heard), ("11-bit", ELEVEN_BITS)):
            for start in (AT, AT + 500_000):
                name = f"{percent} % of {what} frames for a second from {start / SECOND_US:g} s"
                yield Seed(name, mixed(entries, flood(percent, start, message)), kind, severity)
    yield Seed("a burst of 130 % of a second", mixed(entries, flood(130, AT, ELEVEN_BITS)), "bus-busy", "notice")
    swapped = entries.copy()
    swapped[place], swapped[place + 1] = swapped[place + 1], swapped[place]
    yield Seed("two frames the wrong way round", swapped)
    for back, kind in (
        (SECOND_US, None),
        (SECOND_US + 1000, "log-out-of-order"),
        (3600 * SECOND_US, "log-out-of-order"),
    ):
        stamp = max(entries[place - 1].time - back, 0)
        before = [*entries[:place], Told(stamp, entries[place].message), *entries[place + 1 :]]
        yield Seed(f"one frame {back / SECOND_US:g} s back", before, kind, kind and "warning")
    later = [Told(one.time - 30 * SECOND_US, one.message) for one in entries[place:]]
    yield Seed("a clock set back by 30 s", [*entries[:place], *later], "log-out-of-order", "warning")
    by_identifier = sorted(entries, key=lambda one: one.message.arbitration_id)
    yield Seed("sorted by identifier", by_identifier, "log-out-of-order", "warning")
    chance = random.Random(1)
    for part, kind in ((0.004, None), (0.03, "log-out-of-order")):
        shaken = [
            Told(one.time - 300_000, one.message) if one.time > SECOND_US and chance.random() < part else one
            for one in entries
        ]
        yield Seed(f"{part:.1%} of frames late by 0.3 s", shaken, kind, kind and "warning")


def written(path: Path, entries: list[Told], start: float) -> Path:
    """Write a log with python-can's writer."""
    with WRITERS[path.suffix](path) as writer:
        for one in entries:
            message = one.message
            message.timestamp, message.channel = start + one.time / 1e6, 0
            writer.on_message_received(message)
    return path


def flags_of(path: Path, catalogue, rig) -> list:
    """The flags of a survey, but for those that a log out of order explains; a replay raises the same."""
    with open_log(path) as log:
        heard = list(log.contents())
    found = survey(iter(heard), catalogue, rig)
    explained = {flag.number for cause in found.causes if cause.kind == "log-out-of-order" for flag in cause.flags[1:]}
    told = [flag for flag in found.flags if flag.number not in explained]
    if path.suffix != ".log":
        return told
    watch, last = Watch(catalogue, rig), 0
    for one in heard:
        watch.observe(one) if isinstance(one, Frame) else watch.observe_event(one)
        last = one.time
    watch.advance(last)
    live = {flag.number: (str(flag.kind), flag.since) for flag in watch.all_flags}
    assert live == {flag.number: (str(flag.kind), flag.since) for flag in found.flags}
    return told


@pytest.mark.parametrize("suffix", WRITERS)
def test_every_trouble_of_the_pair_and_of_times_is_flagged_and_nothing_else(
    catalogue, healthy, shown, tmp_path, suffix
):
    """In a recording of the bench with its rig, and as candump text in the vessel's log without one.

    The other formats and the vessel's log carry every third seed: that each tells its errors is held by the tests of
    its reader.
    """
    tally, rig = Tally(), load_rig("ottersby")
    with open_log(MARINE) as log:
        vessel = [Told.of(frame) for frame in log.frames()]
    bench = [Told.of(frame) for frame in healthy]
    for name, entries, plan, own, source in (
        ("bench", bench, rig, set(), 0x45),
        *([("vessel", vessel, None, OWN, 0x02)] if suffix == ".log" else []),
    ):
        all_of_them = suffix == ".log" and name == "bench"
        for number, seed in enumerate(list(seeds(entries, source))[:: 1 if all_of_them else 3]):
            if plan is not None and seed.name == "nothing but error frames":
                own_here = {"silent-device", "bus-quiet"}  # nobody is heard
            else:
                own_here = own
            path = written(tmp_path / f"{name}{number}{suffix}", seed.entries, 1_410_714_882)
            flags = flags_of(path, catalogue, plan)
            tally.count(seed, flags, name, own_here)
            path.unlink()
    shown(tally.table(f"Troubles of the pair and of times, {suffix}"))
    assert "\n".join(tally.wrong) == ""
    assert sum(tally.seeded.values()) >= (20 if suffix == ".log" else 5)
