"""A watch that observes some frames one by one and others in columns, and what follows it."""

import pytest

from rvsim.logs.blocks import Block
from rvsim.logs.column_watch import ColumnWatch, EventFollower
from rvsim.logs.columns import to_columns
from rvsim.logs.survey import Surveyor
from rvsim.rig.model import Rig
from rvsim.watch.decode import Decoder
from rvsim.watch.flag import FlagKind
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import ErrorFrame, ErrorState, NotAcknowledged, StateChanged, Waited

CLAIM = bytes.fromhex("0100000000000080")
WARM = bytes.fromhex("01802501802501FF")


def frames(identifier, start, count, data=WARM):
    """Frames of one message, each second."""
    return [Frame((start + number) * SECOND_US, identifier, data) for number in range(count)]


@pytest.mark.usefixtures("small_blocks")
def test_topics_that_were_observed_one_by_one_are_held_as_columns(catalogue):
    """A topic without frames since then is known to say nothing, so that nobody waits for it frame by frame."""
    watch = Watch(catalogue)
    columns = ColumnWatch(watch, Decoder(catalogue), EventFollower(lambda _: None))
    singly = [Frame(0, 0x18EEFF91, CLAIM), *frames(0x19FF9C91, 1, 5)]
    for frame in singly:
        watch.observe(frame)
    columns.keep(to_columns(singly))
    assert len(watch.frames_without_column()) == 2
    rest = to_columns(frames(0x19FF9C91, 6, 50))
    topics = columns.split(rest)
    assert [topic.dgn for topic in topics] == [0x1FF9C]
    assert watch.frames_without_column() == []
    columns.observe(Block(rest), topics)
    assert watch.statistics.frames == 56
    assert [line.last_heard for line in watch.roll_call] == [55 * SECOND_US]


@pytest.mark.usefixtures("small_blocks")
def test_a_follower_is_ahead_of_the_watch(catalogue):
    """It gets each frame once, in order, while the watch knows none after it; then it may ask for the present state."""
    watch, taken, told = Watch(catalogue), [], []

    class Asking:
        """A follower that asks after each tenth frame when the message was received last."""

        def pass_over(self, end):
            """Take frames, and ask about some."""
            while len(taken) < end:
                taken.append(len(taken))
                if len(taken) % 10 == 0:
                    columns.catch_up(len(taken))
                    told.append((len(taken), watch.statistics.frames))

        def observe_frame(self, position, events):
            """Take a frame."""
            taken.append(position)

        def observe_events(self, events):
            """No other entries come."""

    columns = ColumnWatch(watch, Decoder(catalogue), Asking())
    block = to_columns(frames(0x19FF9C91, 1, 100))
    columns.observe(Block(block), columns.split(block))
    assert taken == list(range(100))
    assert len(told) >= 8
    assert all(asked == known for asked, known in told)


@pytest.mark.usefixtures("small_blocks")
def test_columns_are_tried_again_soon_after_a_start(catalogue):
    """A block in which all is new is observed frame by frame, the next one in columns; one more such costs two."""
    watch, passed = Watch(catalogue), []

    class Counting(EventFollower):
        """A follower that notes whether any frames were passed over."""

        def pass_over(self, end):
            """Note how many frames of the block were passed over, or observed before."""
            passed[-1] = end

    columns = ColumnWatch(watch, Decoder(catalogue), Counting(lambda _: None))
    new = [[Frame(SECOND_US + 1000 * number, 0x19F00000 + first + number, WARM) for number in range(1000)]
           for first in (0, 1000, 2000)]  # fmt: skip
    quiet = frames(0x19FF9C91, 0, 1000)

    def observe(block, start):
        passed.append(0)
        held = to_columns([frame._replace(time=frame.time + start * SECOND_US) for frame in block])
        columns.observe(Block(held), columns.split(held))
        return passed[-1]

    assert observe(new[0], 0) < 1000
    assert observe(quiet, 1000) == 1000
    assert observe(new[1], 3000) < 1000
    assert observe(new[2], 4000) < 1000
    assert observe(quiet, 5000) == 0
    assert observe(quiet, 7000) == 1000


def test_few_frames_are_observed_one_by_one(catalogue):
    """Columns need 512 frames, 10 of each topic that is known, and 20 of each identifier that is new."""
    columns = ColumnWatch(Watch(catalogue), Decoder(catalogue), EventFollower(lambda _: None))

    def has_columns(count, identifiers):
        block = [Frame(number, 0x19F00000 + number % identifiers, WARM) for number in range(count)]
        return columns.split(to_columns(block)) is not None

    assert not has_columns(511, 1)
    assert has_columns(512, 1)
    assert not has_columns(1219, 62)
    assert has_columns(1220, 62)
    assert not has_columns(619, 62)
    assert has_columns(620, 62)


def surveyed_both_ways(catalogue, blocks):
    """Survey blocks frame by frame and in columns, which must find the same; return the flags."""
    found = []
    for frame_by_frame in (True, False):
        surveyor = Surveyor(catalogue, frame_by_frame=frame_by_frame)
        for block in blocks:
            surveyor.observe_block(block)
        found.append(surveyor.finish())
    assert found[1].flags == found[0].flags
    assert found[1].presence == found[0].presence
    return found[0].flags


def regular(start, seconds, missing=range(0)):
    """Frames of two nodes, twice a second each, as columns; one of them is silent in the seconds of ``missing``."""
    every = []
    for number in range(2 * seconds):
        time = start * SECOND_US + number * SECOND_US // 2
        every.append(Frame(time, 0x19FF9C91, WARM))
        if time // SECOND_US not in missing:
            every.append(Frame(time + 1000, 0x19FF9C92, b"\2" + WARM[1:]))
    return to_columns(every)


def test_a_pause_in_frames_observed_one_by_one_counts_in_columns(catalogue):
    """The bus is silent for 100 s in a block that is too small for columns; a node is silent in the next block."""
    flags = surveyed_both_ways(
        catalogue,
        [Block(regular(0, 60)), Block(regular(160, 48)), Block(regular(208, 200, range(212, 232)))],
    )
    assert [(flag.kind, flag.since // SECOND_US) for flag in flags] == [
        (FlagKind.BUS_QUIET, 67),
        (FlagKind.SILENT_DEVICE, 226),
    ]


def test_a_second_that_an_event_closes_is_judged(catalogue):
    """The bus is full for three seconds; an error, not a frame, comes first after the last of them."""
    full = [Frame(10 * SECOND_US + 600 * number, 0x19FF9C91, WARM) for number in range(5000)]
    after = frames(0x19FF9C91, 20, 100)
    error = ErrorFrame(13 * SECOND_US + 50_000, "a bit")
    flags = surveyed_both_ways(catalogue, [Block(to_columns([*full, *after]), [(len(full), error)])])
    assert FlagKind.BUS_BUSY in [flag.kind for flag in flags]


def test_a_deadline_that_an_event_decides_counts_for_the_next_frame(catalogue):
    """A value is reported as stuck when an error comes, and the next frame of its message has another value."""
    volts, charge = catalogue.by_name("DC_SOURCE_STATUS_1"), catalogue.by_name("CHARGER_STATUS")
    entries = []
    for step in range(2400):
        time = step * SECOND_US // 2
        value = 270 if 400 <= step <= 1600 else 260 + step % 3
        charging = charge.pack(charger_instance=1, charge_voltage=value, charge_current=32000 + step % 5)
        entries.append(Frame(time + 350_000 * (step == 400), charge.identifier(0x46), charging))
        moved = volts.pack(instance=1, device_priority=100, dc_voltage=200 + step // 20)
        entries.append(Frame(time + 300_000, volts.identifier(0x46), moved))
    entries.sort(key=lambda frame: frame.time)
    error = ErrorFrame(800 * SECOND_US + 400_000, "a bit")
    flags = surveyed_both_ways(catalogue, [Block(to_columns(entries), [(3202, error)])])
    (flag,) = [flag for flag in flags if flag.kind is FlagKind.STUCK_VALUE]
    assert flag.until == 800.5 * SECOND_US


HEATER, OTHER = 0x19FFE45E, 0x19FFCA91
"""FURNACE_STATUS of the planned heater, and a message of another node."""


def waiting_traffic(*events, silent_from=300):
    """A heater twice a second for 300 s, silent at the end, beside a node that goes on; with events of the bus."""
    every = []
    for number in range(600):
        time = number * SECOND_US // 2
        if time < silent_from * SECOND_US:
            every.append(Frame(time + 100_000, HEATER, b"\1" + b"\xff" * 7))
        every.append(Frame(time + 101_000, OTHER, WARM))
    told = [(sum(frame.time < event.time for frame in every), event) for event in events]
    return Block(to_columns(every), told)


def wait(at, identifier=OTHER, us=700):
    """The wait of a frame that got through ``at`` seconds."""
    time = round(at * SECOND_US)
    return Waited(time, "a node", identifier, time - us)


@pytest.mark.usefixtures("small_blocks")
@pytest.mark.parametrize(
    ("block", "stops"),
    [
        # each second, and twice a deadline that was put off since is due at the same frame
        (waiting_traffic(*(wait(second + 0.101) for second in range(10, 290))), 2),
        (
            waiting_traffic(*(wait(step / 2 + 0.101) for step in range(520, 598)), silent_from=250),
            1,
        ),  # a device is late
        (waiting_traffic(wait(30.101), wait(30.101, HEATER, 1_920), wait(30.101, us=600)), 0),  # three at one frame
        (waiting_traffic(wait(299.601)), 0),  # before the last frame
        (waiting_traffic(wait(299.7)), 1),  # after the last frame
        (waiting_traffic(wait(30.1005)), 1),  # no frame at its time
        (waiting_traffic(wait(30.1, HEATER, 1_921)), 1),  # beyond the worst case
        (waiting_traffic(wait(30.1, HEATER, 9_000), wait(31.1, HEATER, 9_500), wait(33.1), wait(36.1)), 2),
        (waiting_traffic(wait(30.1, HEATER, 9_000), wait(33.101)), 2),  # the end of a flag is due before it
        (waiting_traffic(NotAcknowledged(30 * SECOND_US, "heater", HEATER), wait(30.1, HEATER, 60_000)), 2),
        (
            waiting_traffic(
                NotAcknowledged(30 * SECOND_US, "other", OTHER),
                StateChanged(30_050_000, "other", ErrorState.PASSIVE, 128, 0),
                wait(30.1, HEATER),
                wait(30.101, us=101_000),
                wait(30.601, us=501_000),  # it was ready before the acknowledgement
                wait(31.101, us=900),
            ),
            4,
        ),
    ],
)
def test_waits_are_passed_over_where_nothing_follows_from_them(catalogue, block, stops):
    """The flags, their events and the longest wait are those of a watch that observes each by itself."""
    device = {"name": "heater", "kind": "heater", "address": 0x5E, "functions": {"furnace": 1}}
    rig = Rig.model_validate({"schema": 1, "name": "t", "title": "T", "device": [device]})
    singly, watch = Watch(catalogue, rig), Watch(catalogue, rig)
    expected, told, parts = [], [], []
    for entry in block.entries():
        expected += singly.observe(entry) if isinstance(entry, Frame) else singly.observe_event(entry)

    class Counting(EventFollower):
        """A follower that keeps each part of the events that did not come with a frame."""

        def observe_frame(self, position, events):
            """Keep them."""
            told.extend(events)

    def keep(events):
        told.extend(events)
        parts.append(events)

    columns = ColumnWatch(watch, Decoder(catalogue), Counting(keep))
    columns.observe(block, columns.split(block.frames))
    assert told == expected
    assert watch.wire_problems.longest == singly.wire_problems.longest
    assert (watch.next_due, watch.all_flags) == (singly.next_due, singly.all_flags)
    assert len(parts) == stops
