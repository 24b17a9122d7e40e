"""What is different between two logs."""

import pytest

from rvsim.logs.compare import THRESHOLDS, Aspect, Sort, compare
from rvsim.logs.matching import MatchedBy
from rvsim.logs.summary import EMPTY, summarize
from rvsim.logs.survey import Surveyor
from rvsim.rig.load import load_rig
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import TimeWentBack


@pytest.fixture(scope="module")
def seen(catalogue):
    """Return the summary of a log: its entries, its name, and the rig it is held against."""

    def go(entries, name="log", rig=None):
        surveyor = Surveyor(catalogue, rig, signals=True)
        for entry in entries:
            surveyor.observe(entry)
        return summarize(name, surveyor.finish())

    return go


@pytest.fixture(scope="module")
def evening(record):
    """Return two minutes of a healthy vehicle."""
    return record("winter_evening", 120)[0]


def moved(frames, old, new):
    """Return frames with one source address replaced by another."""
    return [
        one._replace(identifier=one.identifier & ~0xFF | new) if one.identifier & 0xFF == old else one for one in frames
    ]


def without(frames, keep):
    """Return the frames for which a test is true."""
    return [one for one in frames if keep(one)]


def found(comparison, *aspects):
    """Return the differences of some aspects, of all if none is named: (sort, aspect, device, message)."""
    return [
        (str(one.sort), str(one.aspect), one.device, one.message)
        for one in comparison.differences
        if not aspects or one.aspect in aspects
    ]


def steady(identifier, gap_us, data="01FFFFFFFFFFFFFF", *, seconds=60, start=0):
    """Return one message at a steady gap."""
    return [
        Frame(time, identifier, bytes.fromhex(data)) for time in range(start, start + seconds * SECOND_US + 1, gap_us)
    ]


APART_FROM_TROUBLE = tuple(set(Aspect) - {Aspect.TROUBLE})
FURNACE, SOURCE = 0x19FFE45E, 0x19FFFD45


def test_a_log_is_the_same_as_itself(seen, evening):
    """With and without a rig; everything was matched by the surest that is known of it."""
    for rig, by in ((None, MatchedBy.NAME), (load_rig("ottersby"), MatchedBy.PLAN)):
        one = seen(evening, rig=rig)
        comparison = compare(one, one)
        assert comparison.is_same
        assert {match.by for match in comparison.matches} == {by}
        assert (len(comparison.matches), comparison.not_judged, comparison.notes) == (11, (), ())


def test_every_threshold_is_said():
    """Whatever can be different has its rule in words."""
    assert set(THRESHOLDS) == set(Aspect)


def test_logs_of_different_lengths(seen, evening):
    """A part of a log does not lack what it was too short for."""
    comparison = compare(seen(evening), seen(without(evening, lambda one: one.time < 40 * SECOND_US)))
    assert found(comparison, Aspect.DEVICE, Aspect.MESSAGE, Aspect.GAP, Aspect.LONGEST_GAP, Aspect.LOAD) == []
    short = compare(seen(evening), seen(without(evening, lambda one: one.time < SECOND_US)))
    assert found(short, Aspect.DEVICE, Aspect.MESSAGE) == []
    whys = {one.why for one in short.not_judged}
    assert "1 s are less than 3 of its longest gaps" in whys
    assert {one.sort for one in short.not_judged} == {Sort.GONE}


def test_a_device_that_is_gone(seen, evening):
    """It is told once, not message by message; the other way round it is new."""
    fanless = seen(without(evening, lambda one: one.identifier & 0xFF != 0x90))
    comparison = compare(seen(evening), fanless)
    assert found(comparison, *APART_FROM_TROUBLE) == [("gone", "device", "roof fan 1 (address 90 hex)", None)]
    assert found(compare(fanless, seen(evening)), *APART_FROM_TROUBLE) == [
        ("new", "device", "roof fan 1 (address 90 hex)", None)
    ]


def test_a_device_that_moved_is_the_same_device(seen, evening):
    """By its NAME, and where no claim was recorded by its functions; trouble at the old address is at the new one."""
    comparison = compare(seen(evening), seen(moved(evening, 0x90, 0x77)))
    assert found(comparison) == [("changed", "address", "roof fan 1 (address 90 hex)", None)]
    assert [one[5:] for one in comparison.differences] == [("address 90 hex", "address 77 hex")]
    unclaimed = without(evening, lambda one: one.identifier >> 8 & 0x3FF00 != 0xEE00)
    comparison = compare(seen(unclaimed), seen(moved(unclaimed, 0x90, 0x77)))
    assert found(comparison) == [("changed", "address", "roof fan 1 (address 90 hex)", None)]
    assert {match.by for match in comparison.matches} == {MatchedBy.INSTANCES, MatchedBy.FUNCTIONS}
    quiet = without(evening, lambda one: one.identifier & 0xFF != 0x90 or not 20 < one.time / SECOND_US < 60)
    comparison = compare(seen(quiet), seen(moved(quiet, 0x90, 0x77)))
    assert found(comparison, Aspect.TROUBLE) == []


def test_a_unit_that_was_replaced(seen, evening):
    """Same functions, another NAME: one difference, with both NAMEs."""
    claims = (one for one in evening if one.identifier == 0x18EEFF90)
    name = next(claims).data
    replaced = [
        one._replace(data=bytes([name[0] ^ 1]) + name[1:]) if one.identifier == 0x18EEFF90 else one for one in evening
    ]
    for rig in (None, load_rig("ottersby")):
        (only,) = compare(seen(evening, rig=rig), seen(replaced, rig=rig)).differences
        assert (only.sort, only.aspect) == (Sort.CHANGED, Aspect.UNIT)
        assert (only.before, only.after) == (
            f"NAME {int.from_bytes(name, 'little'):016X}",
            f"NAME {int.from_bytes(name, 'little') ^ 1:016X}",
        )


def test_a_function_with_another_instance(seen, evening, catalogue):
    """One difference: its messages are the same ones, and so are their fields."""
    status = catalogue.by_name("ROOF_FAN_STATUS_1").dgn
    changed = [
        one._replace(data=b"\x05" + one.data[1:]) if one.identifier >> 8 & 0x3FFFF == status else one for one in evening
    ]
    comparison = compare(seen(evening), seen(changed))
    assert found(comparison, *APART_FROM_TROUBLE) == [("changed", "instance", "roof fan 1 (address 90 hex)", None)]
    assert (comparison.differences[0].before, comparison.differences[0].after) == ("roof fan 1", "roof fan 5")


def test_two_units_that_were_exchanged(seen, evening):
    """Each is known by its NAME, so both have another instance, and none has gone."""
    tank = 0x1FFB7
    changed = []
    for one in evening:
        if one.identifier >> 8 & 0x3FFFF == tank and one.identifier & 0xFF in (0x48, 0x93):
            one = one._replace(data=bytes([2 - one.data[0]]) + one.data[1:])
        changed.append(one)
    comparison = compare(seen(evening), seen(changed))
    assert [one[1:3] for one in found(comparison, Aspect.INSTANCE, Aspect.DEVICE, Aspect.UNIT)] == [
        ("instance", "tank 0 (address 48 hex)"),
        ("instance", "tank 2 (address 93 hex)"),
    ]


def test_devices_of_which_nothing_is_known(seen):
    """They are one by their address only if their messages agree too."""
    old = seen(sorted([*steady(0x18FEAA20, 100_000), *steady(0x18FEAB20, 100_000)]))
    same = compare(old, seen(sorted([*steady(0x18FEAA20, 100_000), *steady(0x18FEAB20, 100_000)])))
    assert same.is_same
    assert [match.by for match in same.matches] == [MatchedBy.ADDRESS]
    other = compare(old, seen(sorted([*steady(0x18FEAC20, 100_000), *steady(0x18FEAD20, 100_000)])))
    assert [one[:3] for one in found(other)] == [
        ("gone", "device", "address 20 hex"),
        ("new", "device", "address 20 hex"),
    ]
    elsewhere = compare(old, seen(sorted([*steady(0x18FEAA21, 100_000), *steady(0x18FEAB21, 100_000)])))
    assert [one[0] for one in found(elsewhere)] == ["gone", "new"]


def test_messages_that_are_new_or_gone(seen):
    """Of a device that is in both; one that came once is not judged."""
    both = steady(FURNACE, SECOND_US)
    more = sorted([*both, *steady(0x19FFA05E, 5 * SECOND_US), Frame(7 * SECOND_US, 0x19FFA15E, b"\1" * 8)])
    comparison = compare(seen(both), seen(more))
    assert [(one[0], one[1]) for one in found(comparison, Aspect.MESSAGE)] == [("new", "message")]
    (unjudged,) = comparison.not_judged
    assert (unjudged.sort, unjudged.why) == (Sort.NEW, "it has no usual gap")
    assert [one[0] for one in found(compare(seen(more), seen(both)), Aspect.MESSAGE)] == ["gone"]


@pytest.mark.parametrize(("seconds", "is_gone"), [(2, False), (3, True)])
def test_how_long_a_log_has_to_be(seen, seconds, is_gone):
    """Three of the gaps of a message, so that it counts as gone."""
    whole = sorted([*steady(FURNACE, 500_000), *steady(0x19FFA05E, SECOND_US)])
    part = steady(FURNACE, 500_000, seconds=seconds)
    comparison = compare(seen(whole), seen(part))
    assert bool(found(comparison, Aspect.MESSAGE)) is is_gone
    assert bool(comparison.not_judged) is not is_gone


def test_only_one_of_two_instances_is_left(seen):
    """A function that has another instance takes its messages along, but not one that had both instances."""

    def sent(furnace, *loads):
        frames = steady(FURNACE, SECOND_US, f"{furnace:02X}00C864FFFFFFFF")
        return sorted(
            [*frames, *(one for load in loads for one in steady(0x19FFBD5E, SECOND_US, f"{load:02X}{'FF' * 7}"))]
        )

    comparison = compare(seen(sent(1, 1, 2)), seen(sent(2, 2)))
    assert [(one[0], one[1]) for one in found(comparison)] == [("changed", "instance"), ("gone", "message")]
    assert compare(seen(sent(1, 1)), seen(sent(2, 2))).differences[1:] == ()


def test_a_device_is_matched_by_most_of_its_functions(seen):
    """Of two that have one of them the one that has the other too."""
    both = sorted([*steady(FURNACE, SECOND_US), *steady(0x19FFF75E, SECOND_US)])
    stranger = moved(steady(FURNACE, SECOND_US), 0x5E, 0x21)
    comparison = compare(seen(both), seen(sorted([*stranger, *moved(both, 0x5E, 0x22)])))
    (match,) = comparison.matches
    assert (match.by, match.after.addresses) == (MatchedBy.INSTANCES, {0x22})


def test_the_monitors_of_two_batteries_are_told_apart_without_a_name(seen):
    """Their own function has no instance, and speaking for a battery is shared by design: both together tell them."""

    def monitors(first, second):
        """Two monitors, of the first and the second battery, from these addresses."""
        frames = []
        for address, battery in ((first, 1), (second, 2)):
            frames += steady(0x18FECA00 | address, 5 * SECOND_US, "0545FFFFFFFFFFFF")
            frames += steady(0x19FFFD00 | address, SECOND_US, f"{battery:02X}78FFFFFFFFFFFF")
        return seen(sorted(frames))

    comparison = compare(monitors(0x45, 0x46), monitors(0x46, 0x45))
    assert [match.by for match in comparison.matches] == [MatchedBy.INSTANCES] * 2
    assert {one[1] for one in found(comparison)} == {"address"}


def test_what_is_ambiguous_is_not_matched(seen):
    """Two fans with instances 1 and 2, then two with 3 and 4: which is which cannot be told. One alone can."""

    def fans(*instances):
        return sorted(
            one
            for number in instances
            for one in steady(0x19FEA700 | 0x30 + number, SECOND_US, f"{number:02X}{'FF' * 7}")
        )

    assert [one[0] for one in found(compare(seen(fans(1, 2)), seen(fans(3, 4))), Aspect.DEVICE)] == [
        "gone", "gone", "new", "new",
    ]  # fmt: skip
    assert [match.by for match in compare(seen(fans(1)), seen(fans(3))).matches] == [MatchedBy.FUNCTIONS]


def test_one_address_of_two_functions(seen):
    """A furnace, then a water heater at its address are two devices, even where half of the messages agree."""
    more = [*steady(0x18FEAA5E, SECOND_US), *steady(0x18FEAB5E, SECOND_US)]
    old, new = (seen(sorted([*more, *steady(one, SECOND_US)])) for one in (FURNACE, 0x19FFF75E))
    assert [one[0] for one in found(compare(old, new), Aspect.DEVICE)] == ["gone", "new"]


@pytest.mark.parametrize(
    ("before", "after", "aspects"),
    [
        (1_000_000, 1_240_000, []),
        (1_000_000, 1_300_000, [Aspect.GAP]),
        (1_300_000, 1_000_000, [Aspect.GAP]),
        (40_000, 58_000, []),  # less than 20 ms
        (40_000, 65_000, [Aspect.GAP]),
    ],
)
def test_usual_gaps(seen, before, after, aspects):
    """They differ by more than a quarter and 20 ms."""
    comparison = compare(seen(steady(FURNACE, before, seconds=20)), seen(steady(FURNACE, after, seconds=20)))
    assert [one.aspect for one in comparison.differences if one.aspect in (Aspect.GAP, Aspect.LONGEST_GAP)] == aspects


def test_the_longest_gap(seen):
    """It counts if by it the message was late, in one log only; a message that stopped is one that paused."""
    whole = [*steady(FURNACE, SECOND_US), Frame(60 * SECOND_US + 1, SOURCE, bytes(8))]
    paused = [one for one in whole if not 20 < one.time / SECOND_US < 24]
    stopped = [one for one in whole if one.identifier != FURNACE or one.time < 50 * SECOND_US]
    brief = [one for one in whole if not 20 < one.time / SECOND_US < 22.5]
    for odd, text in ((paused, "at most 4.00 s"), (stopped, "at most 11.00 s")):
        (only,) = (one for one in compare(seen(whole), seen(odd)).differences if one.aspect is Aspect.LONGEST_GAP)
        assert (only.before, only.after) == ("at most 1.00 s", text)
    assert found(compare(seen(whole), seen(brief)), Aspect.LONGEST_GAP) == []
    assert found(compare(seen(paused), seen(stopped)), Aspect.LONGEST_GAP) == []


@pytest.mark.parametrize(("gap", "pause", "is_late"), [
    (100_000, 1_500_000, False),  # not two seconds
    (100_000, 2_200_000, True),
    (5_000_000, 14_000_000, False),  # not three gaps
    (5_000_000, 16_000_000, True),
])  # fmt: skip
def test_how_long_a_gap_may_be(seen, gap, pause, is_late):
    """Three usual gaps, and two seconds above one."""
    whole = [*steady(FURNACE, gap), Frame(90 * SECOND_US, SOURCE, bytes(8))]
    start = 30 * SECOND_US
    paused = [one if one.time <= start else one._replace(time=one.time - gap + pause) for one in whole]
    paused = [one for one in paused if one.time <= 60 * SECOND_US or one.identifier == SOURCE]
    whole, paused = ([one for one in log if one.identifier == FURNACE] for log in (whole, paused))
    comparison = compare(seen(whole), seen(paused))
    assert bool(found(comparison, Aspect.LONGEST_GAP)) is is_late


def test_gaps_of_bursts(seen):
    """Their median says nothing, and is not compared."""

    def bursts(inside):
        return sorted(
            Frame(second * SECOND_US + number * inside, FURNACE, b"\1" + bytes(7))
            for second in range(30)
            for number in range(4)
        )

    assert found(compare(seen(bursts(2_000)), seen(bursts(40_000))), Aspect.GAP) == []


def values(level, *, frames=20, dead_band="FF"):
    """Return furnace frames with one heat output level, raw, or with several in turn."""
    levels = [level] if isinstance(level, int) else level
    return [
        Frame(number * SECOND_US, FURNACE, bytes.fromhex(f"0100C8{levels[number % len(levels)]:02X}{dead_band}FFFFFF"))
        for number in range(frames)
    ]


@pytest.mark.parametrize(
    ("before", "after", "aspect"),
    [
        (100, 100, None),
        (100, 102, None),
        (100, 103, Aspect.AT_REST),
        (100, 255, Aspect.AT_REST),
        (255, 255, None),
        ([100, 120], [100, 125], None),
        ([100, 120], [100, 140], None),  # half of the wider range
        ([100, 120], [100, 145], Aspect.RANGE),
        ([10, 12], [13, 19], None),  # not ten steps
        (100, [100, 105], None),
        (100, [100, 140], Aspect.RANGE),
        ([255, 254], [100, 120], Aspect.RANGE),
    ],
)
def test_values_at_rest_and_ranges(seen, before, after, aspect):
    """At rest in both: by two steps, or by the state. Else by half of the range, ten steps and a twentieth."""
    comparison = compare(seen(values(before)), seen(values(after)))
    shown = [one for one in comparison.differences if one.aspect in (Aspect.AT_REST, Aspect.RANGE)]
    assert [(one.aspect, one.field) for one in shown] == ([] if aspect is None else [(aspect, "heat output level")])


def test_how_values_are_told(seen):
    """With their unit, so that they can be shown in another one; the range from the lowest to the highest."""
    (at_rest,) = compare(seen(values(100)), seen(values(140))).differences
    assert (at_rest.device, at_rest.message) == ("furnace 1 (address 5E hex)", "FURNACE_STATUS, instance 1")
    assert (at_rest.before, at_rest.after) == ("50 %", "70 %")
    (ranged,) = (one for one in compare(seen(values(100)), seen(values([0, 140]))).differences if one.field)
    assert (ranged.before, ranged.after) == ("always 50 %", "0 % to 70 %")
    (none,) = (one for one in compare(seen(values([255, 254])), seen(values([0, 140]))).differences if one.field)
    assert none.before == "always out of range"


def test_a_code_at_rest(seen):
    """Another code counts, however near; a field that was sent twice does not."""
    old, new = (
        [Frame(number * SECOND_US, FURNACE, bytes([1, mode, *b"\xc8\x64", 255, 255, 255, 255])) for number in range(20)]
        for mode in (0, 1)
    )
    shown = compare(seen(old), seen(new)).differences
    assert [(one.aspect, one.field, one.before, one.after) for one in shown] == [
        (Aspect.AT_REST, "operating mode", "automatic", "manual")
    ]
    assert compare(seen(old), seen(new[:2])).differences == ()


def test_a_range_that_moves_by_little_of_its_value(seen):
    """Half a degree of 23 is many steps and less than a twentieth; two degrees are more."""

    def temperatures(*raws):
        return [
            Frame(number * SECOND_US, 0x19FF9C91, b"\1" + raws[number % len(raws)].to_bytes(2, "little") + b"\xff" * 5)
            for number in range(20)
        ]

    warm = seen(temperatures(0x2500, 0x2503))
    assert found(compare(warm, seen(temperatures(0x2510, 0x2513)))) == []
    assert [one[1] for one in found(compare(warm, seen(temperatures(0x2540, 0x2543))))] == ["range"]


def test_codes_have_no_range(seen):
    """Which of two numbers is the higher one means nothing for a code."""

    def states(*codes):
        return [
            Frame(number * SECOND_US, 0x19FEDC4A, b"\1\xff" + bytes([codes[number % len(codes)]]) + b"\xff" * 5)
            for number in range(20)
        ]

    assert found(compare(seen(states(1, 4)), seen(states(1, 49))), Aspect.RANGE) == []


@pytest.mark.parametrize(
    ("before", "after", "differs"),
    [(500_000, 250_000, False), (2_000, 1_800, False), (10_000, 7_000, True)],
)
def test_how_far_loads_are_apart(seen, before, after, differs):
    """By a quarter and by a point: neither twice almost nothing, nor a tenth of much."""
    comparison = compare(seen(steady(FURNACE, before, seconds=4)), seen(steady(FURNACE, after, seconds=4)))
    assert bool(found(comparison, Aspect.LOAD)) is differs


def test_the_bus_load(seen):
    """A chatty message: the load on average and in the worst second."""
    old = steady(FURNACE, SECOND_US)
    new = sorted([*old, *steady(0x19FFA05E, 10_000)])
    shown = [one for one in compare(seen(old), seen(new)).differences if one.aspect is Aspect.LOAD]
    assert [one.after.split(" % ")[1] for one in shown if one.after] == ["on average", "in the worst second"]


def test_one_log_is_empty(seen, evening):
    """One difference, and a note that nothing could be compared; two empty logs are the same."""
    for comparison in (compare(seen(evening), seen([], "e")), compare(seen([], "e"), seen(evening))):
        assert found(comparison) == [("changed", "frames", "", None)]
        assert comparison.notes == ("no frames of this network in e: nothing can be compared",)
    assert compare(seen([]), seen([])).is_same
    assert compare(EMPTY, EMPTY).is_same


def test_times_that_cannot_be_trusted(seen, evening):
    """Gaps and load are left out, and a note says so; what has no time in it is compared."""
    back = [*evening[:500], TimeWentBack(evening[500].time, 3600 * SECOND_US, "line 501"), *evening[500:]]
    comparison = compare(seen(evening), seen(back, "b"))
    assert comparison.notes == ("the times of b are not plausible: its gaps and its bus load are not compared",)
    assert found(comparison, Aspect.GAP, Aspect.LONGEST_GAP, Aspect.LOAD, Aspect.MESSAGE, Aspect.DEVICE) == []


def test_trouble(seen, evening, record):
    """That which only one log has; in a log of less than 15 s none is missed."""
    rig = load_rig("ottersby")
    quiet = record("heater_goes_quiet", 90)[0]
    old, new = seen(evening, rig=rig), seen(quiet, rig=rig)
    assert ("new", "trouble", "heater", None) in found(compare(old, new))
    assert ("gone", "trouble", "heater", None) in found(compare(new, old))
    short = seen(without(evening, lambda one: one.time < 10 * SECOND_US), rig=rig)
    assert found(compare(new, short), Aspect.TROUBLE) == []


def test_several_logs_against_one(seen, evening):
    """A comparison is of summaries: what was put together is compared as one."""
    half = evening[-1].time // 2
    first = without(evening, lambda one: one.time <= half)
    second = [one._replace(time=one.time - half) for one in evening if one.time > half]
    together = seen(first, "one").followed_by(seen(second, "two"))
    comparison = compare(seen(evening), together)
    assert found(comparison, Aspect.DEVICE, Aspect.MESSAGE, Aspect.GAP, Aspect.LONGEST_GAP, Aspect.RANGE) == []
