"""Long messages that fail, by frames written by hand (SAE J1939-21): what is reported, when, and when it ends.

5E hex sends its product identification (EB FE 00), 20 bytes in three packets, to 44 hex.
"""

import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.logs.survey import survey
from rvsim.rig.model import Rig
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame

HEATER, PANEL, CHARGER = 0x5E, 0x44, 0x4A
ANNOUNCE, REQUEST = "20 14 00 03 FF EB FE 00", "10 14 00 03 FF EB FE 00"
CLEAR, CLEAR_LAST, DONE = "11 03 01 FF FF EB FE 00", "11 01 03 FF FF EB FE 00", "13 14 00 03 FF EB FE 00"
PACKETS = ("01 41 2A 42 2A 43 2A 44", "02 2A 45 46 47 48 49 4A", "03 4B 4C 4D 4E 4F 50 FF")
BACKGROUND = bytes.fromhex("01 FF FF FF FF FF FF FF")


def frame(seconds, identifier, text):
    """A frame by its time and bytes."""
    return Frame(round(seconds * SECOND_US), identifier, bytes.fromhex(text))


def control(source, destination):
    """The identifier of a connection frame."""
    return 0x1CEC0000 | destination << 8 | source


def packet(source, destination):
    """The identifier of a data packet."""
    return 0x1CEB0000 | destination << 8 | source


def to_all(start, numbers=(1, 2, 3), source=HEATER, announce=ANNOUNCE):
    """An announced message, packets 100 ms apart; those not among ``numbers`` are lost."""
    sent = [frame(start, control(source, 0xFF), announce)]
    return sent + [frame(start + 0.1 * n, packet(source, 0xFF), PACKETS[n - 1]) for n in numbers]


def to_one(start, *rest, source=HEATER, destination=PANEL):
    """A request to send, and what follows: ``<`` what the receiver says, ``>`` what the sender does, 10 ms apart."""
    sent = [frame(start, control(source, destination), REQUEST)]
    for count, (who, text) in enumerate(rest, 1):
        moment = start + 0.01 * count
        if who == "<":
            sent.append(frame(moment, control(destination, source), text))
        else:
            is_packet = text in PACKETS or text.startswith("0")
            sent.append(frame(moment, (packet if is_packet else control)(source, destination), text))
    return sent


WHOLE = (("<", CLEAR), *((">", text) for text in PACKETS), ("<", DONE))


def background(seconds, begin=0.0):
    """A bus on which two others send twice a second each, with an instance of their own: never quiet."""
    count = round((seconds - begin) * 2)
    return [
        frame(begin + number / 2 + later, 0x19FF9C00 | source, bytes([source - 0x90]).hex() + BACKGROUND[1:].hex())
        for number in range(count)
        for source, later in ((0x91, 0.003), (0x92, 0.253))
    ]


def flags_of(events):
    """(seconds, raised, flag) of the flags of this kind."""
    return [
        (event.time / SECOND_US, type(event) is FlagRaised, event.flag)
        for event in events
        if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind == "failed-transfer"
    ]


class Seen:
    """The flags of a watch up to a time, with other senders on the bus."""

    def __init__(self, catalogue, frames, seconds, rig=None, busy=True):
        self.watch = Watch(catalogue, rig)
        everything = sorted([*frames, *(background(seconds) if busy else [])], key=lambda one: one.time)
        self.events = [event for one in everything for event in self.watch.observe(one)]
        self.events += self.watch.advance(round(seconds * SECOND_US))

    @property
    def flags(self):
        """(seconds, raised) of each."""
        return [(round(time, 3), raised) for time, raised, _ in flags_of(self.events)]

    @property
    def told(self):
        """The flag that was raised first."""
        return flags_of(self.events)[0][2]


@pytest.fixture
def seen(catalogue):
    """Let a watch observe frames: ``seen(frames, 30)``."""
    return lambda frames, seconds=30, **options: Seen(catalogue, frames, seconds, **options)


# One test for each way of failing: the first failure is not reported, the second is.

ABORT = "FF {:02X} FF FF FF EB FE 00"
OTHER_BYTES = "01 00 00 00 00 00 00 00"
FAILURES = {
    "breaks off, to all": (lambda at: to_all(at, (1, 2)), 0.951, "no further packet"),
    "announced only": (lambda at: to_all(at, ()), 0.75, "no further packet"),
    "a packet left out, to all": (lambda at: to_all(at, (1, 3)), 0.3, "a packet is missing"),
    "begun anew, to all": (lambda at: [*to_all(at, (1,)), *to_all(at + 0.2)[:1], *to_all(at + 0.21)[1:]], 0.2,
                           "its sender began the next message before the end of this one"),
    "size and packets do not fit": (lambda at: to_all(at, (), announce="20 14 00 04 FF EB FE 00"), 0.0,
                                    "its size and its number of packets do not match"),
    "other bytes, to all": (lambda at: [*to_all(at, (1,)), frame(at + 0.15, packet(HEATER, 0xFF), OTHER_BYTES)], 0.15,
                            "a packet was repeated with other bytes"),
    "no answer": (lambda at: to_one(at), 1.45, "no further packet"),
    "refused": (lambda at: to_one(at, ("<", ABORT.format(1))), 0.01,
                "address 44 hex aborted it, reason 1: it is busy with another session and cannot take one more"),
    "no room": (lambda at: to_one(at, ("<", ABORT.format(2))), 0.01,
                "address 44 hex aborted it, reason 2: it needs its resources for another task"),
    "given up by its sender": (lambda at: to_one(at, ("<", CLEAR), (">", PACKETS[0]), (">", ABORT.format(3))), 0.03,
                               "address 5E hex aborted it, reason 3: it waited for too long"),
    "duplicate": (lambda at: to_one(at, ("<", CLEAR), (">", PACKETS[0]), ("<", ABORT.format(8))), 0.03,
                  "address 44 hex aborted it, reason 8: a packet number came twice"),
    "unlisted reason": (lambda at: to_one(at, ("<", ABORT.format(250))), 0.01,
                        "reason 250: not listed in the standard"),
    "reserved reason": (lambda at: to_one(at, ("<", ABORT.format(77))), 0.01,
                        "reason 77: reserved by the standard"),
    "breaks off, to one": (lambda at: to_one(at, ("<", CLEAR), (">", PACKETS[0])), 0.97, "no further packet"),
    "other bytes, to one": (lambda at: to_one(at, ("<", CLEAR), (">", PACKETS[0]), (">", OTHER_BYTES)), 0.03,
                            "a packet was repeated with other bytes"),
    "begun anew, to one": (lambda at: [*to_one(at, ("<", CLEAR), (">", PACKETS[0])), *to_one(at + 0.1, *WHOLE)], 0.1,
                           "its sender began the next message before the end of this one"),
}  # fmt: skip


@pytest.mark.parametrize("way", FAILURES)
def test_the_second_failure_is_reported_with_its_reason(seen, way):
    """Raised when the second is known, with count, destination, message, last reason and frames."""
    fail, after, words = FAILURES[way]
    found = seen([*fail(10), *fail(20)])
    (time, raised), *rest = found.flags
    assert (raised, time) == (True, pytest.approx(20 + after, abs=0.3))  # what waits is known with the next frame
    assert rest == [] or way.startswith("begun anew")
    flag = found.told
    to = "all" if "all" in way or way in ("announced only", "size and packets do not fit") else "address 44 hex"
    assert flag.text.startswith(f"PRODUCT_IDENTIFICATION to {to}: failed 2 times; the last time, ")
    assert words in flag.text
    assert (flag.subject, flag.severity, flag.message) == ("address 5E hex", "notice", "PRODUCT_IDENTIFICATION")
    assert len(flag.evidence) == 2
    assert all(line.startswith("frame 1CE") for line in flag.evidence)
    assert flag.advice


@pytest.mark.parametrize(
    ("ways", "advice"),
    [
        (["breaks off, to all", "announced only"], "its sender stops in the middle: check its supply and its firmware"),
        (
            ["no answer", "breaks off, to one", "given up by its sender"],
            "request the address claims of both: is address 44",
        ),
        (["refused", "no room"], "send one request at a time, when address 44 hex has finished others"),
        (["size and packets do not fit"], "check its firmware: it announces a message that cannot be sent like this"),
        (["unlisted reason"], "ask its manufacturer: the reason that it gives is not in the standard"),
        (
            ["duplicate", "a packet left out, to all", "other bytes, to one"],
            "packets are lost, or two messages are mixed",
        ),
    ],
)
def test_the_advice_follows_from_the_cause(seen, ways, advice):
    """Which node is missing or busy, what is mixed up, and whose firmware it is."""
    for way in ways:
        fail = FAILURES[way][0]
        assert seen([*fail(10), *fail(20)]).told.advice.startswith(advice), way


def test_a_message_that_is_too_long_for_its_receiver_is_a_problem_of_its_sender(seen):
    """Reason 9 (from memory): more than 1785 bytes."""
    fail = [*to_one(5, ("<", ABORT.format(9))), *to_one(8, ("<", ABORT.format(9)))]
    assert seen(fail).told.advice.startswith("check its firmware")


@pytest.mark.parametrize("way", FAILURES)
def test_one_failure_is_not_reported(seen, way):
    """Just inside the limit: nothing is reported."""
    assert seen(FAILURES[way][0](10)).flags == []


def test_since_is_when_the_wait_was_over(seen):
    """A message to all is waited for until 750 ms after its last packet (T1), whichever frame comes next."""
    found = seen([*to_all(10, (1, 2)), *to_all(20, (1, 2))])
    assert found.told.since == 20_950_000
    assert found.told.evidence[1] == "frame 1CEBFF5E 02 2A 45 46 47 48 49 4A at 20.200 s"


def test_each_wait_is_over_at_its_own_time(seen):
    """A later message with a shorter wait, and one that still waits when another has timed out, without more frames."""
    early = [*to_all(3, (), source=CHARGER), *to_one(5)]
    late = [*to_one(10), frame(10.74, control(PANEL, HEATER), CLEAR), *to_all(10.76, (), source=CHARGER)]
    found = seen([*early, *late])
    assert [(flag.subject, flag.since) for _, _, flag in flags_of(found.events)] == [
        ("address 4A hex", 11_510_000),
        ("address 5E hex", 12_190_000),
    ]


def test_other_kinds_do_not_add_up(seen):
    """Another receiver, another sender, another message: each fails once."""
    another = "20 14 00 03 FF DA FE 00"
    assert seen([
        *to_all(5, (1,)), *to_one(8), *to_one(11, destination=CHARGER), *to_all(14, (1,), source=CHARGER),
        *to_all(17, (1,), announce=another),
    ]).flags == []  # fmt: skip


def test_ways_of_failing_add_up(seen):
    """Of one sender, destination and message, whatever the cause; the text is that of the last."""
    found = seen([*to_one(10), *to_one(20, ("<", ABORT.format(2)))])
    assert found.flags == [(20.01, True)]


def test_further_failures_are_counted_in_the_same_flag(seen):
    """Five failures: one flag, with its present text."""
    found = seen([one for at in range(5) for one in to_one(2 + 4 * at, ("<", ABORT.format(1)))])
    assert found.flags == [(6.01, True)]
    (flag,) = found.watch.flags
    assert "failed 5 times" in flag.text
    assert len(flag.evidence) == 3


def test_it_ends_when_such_a_message_succeeds(seen):
    """The last packet ends it; another message, or the same to another node, does not."""
    fail = [*to_one(5, ("<", ABORT.format(1))), *to_one(6, ("<", ABORT.format(1)))]
    found = seen([*fail, *to_one(8, *WHOLE, destination=CHARGER), *to_all(9), *to_one(12, *WHOLE)])
    assert found.flags == [(6.01, True), (12.04, False)]
    assert found.watch.flags == ()


def test_after_its_end_a_new_count_starts(seen):
    """One failure after a success is the first again."""
    fail = [*to_all(5, (1,)), *to_all(8, (1,)), *to_all(12), *to_all(14, (1,))]
    assert [raised for _, raised in seen(fail).flags] == [True, False]
    assert [raised for _, raised in seen([*fail, *to_all(18, (1,))]).flags] == [True, False, True]


def test_success_between_two_failures_does_not_undo_the_first(seen):
    """Every other one fails: that is reported; more than ten minutes after a success, a new count starts."""
    assert [raised for _, raised in seen([*to_all(5, (1,)), *to_all(8), *to_all(11, (1,))]).flags] == [True]
    late = [*to_all(5, (1,)), *to_all(8), *to_all(5.75 + 601, (1,))]
    assert seen(late, 620).flags == []
    just = [*to_all(5, (1,)), *to_all(8), *to_all(5.75 + 599, (1,))]
    assert len(seen(just, 620).flags) == 1
    never = [*to_all(5, (1,)), *to_all(5.75 + 601, (1,))]
    assert len(seen(never, 620).flags) == 1  # nothing came through in between, so it is the second


def test_it_ends_after_ten_minutes_without_failure(seen):
    """The message is not requested any more: 600 s after the last failure."""
    fail = [*to_one(5, ("<", ABORT.format(1))), *to_one(6, ("<", ABORT.format(1)))]
    assert seen(fail, 606).flags == [(6.01, True)]
    (_, (over, raised)) = seen(fail, 607).flags
    assert (raised, over) == (False, pytest.approx(606.01, abs=0.3))


def test_the_ten_minutes_start_with_the_last_failure(seen):
    """A third failure moves the end."""
    fail = [one for at in (5, 6, 306) for one in to_one(at, ("<", ABORT.format(1)))]
    (_, (over, _)) = seen(fail, 910).flags
    assert over == pytest.approx(906.01, abs=0.3)


# Starts.


def claim(at, source=HEATER):
    """An address claim."""
    return frame(at, 0x18EEFF00 | source, f"{source:02X} 00 00 00 00 00 00 00")


def test_the_first_failure_after_a_start_does_not_count(seen):
    """A claim without a request: two failures are not reported, the third is the second that counts."""
    fail = [claim(4), *to_all(5, (1,)), *to_all(8, (1,))]
    assert seen(fail).flags == []
    assert [raised for _, raised in seen([*fail, *to_all(11, (1,))]).flags] == [True]


@pytest.mark.parametrize("to", [0xFF, HEATER])
def test_a_requested_claim_is_no_start(seen, to):
    """Within 1.25 s after a request to it or to all; a request for another message does not count."""
    asked = frame(4, 0x18EA0000 | to << 8 | PANEL, "00 EE 00")
    fail = [*to_all(5.6, (1,)), *to_all(8, (1,))]
    assert len(seen([asked, claim(5.25), *fail]).flags) == 1
    assert seen([asked, claim(5.3), *fail]).flags == []
    assert seen([frame(4, 0x18EA0000 | to << 8 | PANEL, "EB FE 00"), claim(5.2), *fail]).flags == []
    assert seen([frame(4, 0x18EA0000 | CHARGER << 8 | PANEL, "00 EE 00"), claim(5.2), *fail]).flags == []


def test_after_a_success_the_start_is_over(seen):
    """Then every failure counts."""
    found = seen([claim(4), *to_all(5), *to_all(8, (1,)), *to_all(11, (1,))])
    assert [raised for _, raised in found.flags] == [True]


def test_the_start_of_another_node_excuses_nothing(seen):
    """The claim of the receiver is not that of the sender."""
    assert len(seen([claim(4, PANEL), *to_one(5), *to_one(8)]).flags) == 1


# No failures.


def test_messages_that_succeed_are_no_failures(seen):
    """To all and to one, repeatedly."""
    fine = [one for at in range(2, 28, 2) for one in (*to_all(at), *to_one(at + 1, *WHOLE))]
    assert seen(fine).flags == []


def test_a_request_that_is_repeated_is_one_message(seen):
    """A sender without an answer requests three times, 1.25 s apart, and aborts: one failure each time."""

    def tries(at):
        sent = [one for turn in range(3) for one in to_one(at + 1.2506 * turn)]
        return [*sent, frame(at + 3.752, control(HEATER, PANEL), ABORT.format(3))]

    assert seen(tries(2)).flags == []
    assert seen([*tries(2), *tries(12)]).flags == [(15.752, True)]


def test_a_packet_that_is_requested_again_is_no_failure(seen):
    """Packet 2 is lost and requested again after T1: the message succeeded."""
    mended = [
        one for at in (3, 9, 15) for one in (
            *to_one(at, ("<", CLEAR), (">", PACKETS[0])),
            frame(at + 0.7706, control(PANEL, HEATER), "11 02 02 FF FF EB FE 00"),
            frame(at + 0.78, packet(HEATER, PANEL), PACKETS[1]),
            frame(at + 0.79, packet(HEATER, PANEL), PACKETS[2]),
            frame(at + 0.8, control(PANEL, HEATER), DONE),
        )
    ]  # fmt: skip
    assert seen(mended).flags == []


def test_a_packet_that_only_the_log_lacks_is_none(seen):
    """The receiver acknowledged: the message succeeded, and ends the problem."""
    lacking = (("<", CLEAR), (">", PACKETS[0]), (">", PACKETS[2]), ("<", DONE))
    assert seen([one for at in (3, 9, 15) for one in to_one(at, *lacking)]).flags == []
    fail = [*to_one(3, ("<", ABORT.format(1))), *to_one(5, ("<", ABORT.format(1)))]
    assert seen([*fail, *to_one(9, *lacking)]).flags == [(5.01, True), (9.04, False)]


def test_a_log_that_starts_or_ends_in_the_middle_reports_nothing(seen):
    """Packets and answers without a request, and a request whose end is missing."""
    assert seen([*to_all(3)[1:], *to_one(5, *WHOLE)[1:], *to_one(29.9)]).flags == []


def test_a_silence_of_the_whole_bus_does_not_count_against_a_message(catalogue):
    """The recorder pauses for 20 s in the middle of it, twice: the rest comes afterwards, and it succeeded."""
    frames, watch, events = [*background(20), *background(60, 40), *background(100, 80)], Watch(catalogue), []
    for pause, length in ((20, 20), (60, 20)):
        start = pause - 0.06
        frames += to_one(start, *WHOLE[:3])
        resumed = to_one(start + length, *WHOLE)
        frames += [one for one in resumed if one.time >= round((start + length + 0.03) * SECOND_US)]
    for one in sorted(frames, key=lambda one: one.time):
        events += watch.observe(one)
    assert flags_of(events + watch.advance(100 * SECOND_US)) == []
    assert sum(flag.kind == "bus-quiet" for flag in watch.all_flags) == 2


def test_a_listener_that_is_full_is_no_failure(seen):
    """65 messages at once: that one of them cannot be followed is no failure."""
    crowd = [one for at in (3, 9) for source in range(65) for one in (
        frame(at + source / 1e4, control(source, 0xFF), ANNOUNCE),
        *(frame(at + 0.1 * n + source / 1e4, packet(source, 0xFF), PACKETS[n - 1]) for n in (1, 2, 3)),
    )]  # fmt: skip
    assert seen(crowd).flags == []


# A rig.


def rig(**accepted):
    """A heater and a panel."""
    devices = [
        {"name": "heater", "kind": "heater", "address": HEATER, "functions": {"furnace": 1}},
        {"name": "panel", "kind": "panel", "address": PANEL, "functions": {"control_panel": 1}},
    ]
    known = [{"flag": "failed-transfer", **accepted}] if accepted else []
    return Rig.model_validate({"schema": 1, "name": "t", "title": "T", "device": devices, "accepted": known})


def named():
    """Frames that identify both: a status of the furnace, the heartbeat of the panel."""
    return [frame(1, 0x19FFE45E, "01 FF FF FF FF FF FF FF"), frame(1, 0x19FECA44, "05 44 FF FF FF FF FF FF")]


def test_devices_are_reported_by_their_names(seen):
    """The sender and the destination."""
    fail = [*to_one(5, ("<", ABORT.format(1))), *to_one(8, ("<", ABORT.format(1)))]
    flag = seen([*named(), *fail], rig=rig()).told
    assert flag.subject == "heater"
    assert flag.text == (
        "PRODUCT_IDENTIFICATION to panel: failed 2 times; the last time, panel aborted it, reason 1: it is busy with "
        "another session and cannot take one more"
    )
    assert (
        flag.advice == "send one request at a time, when panel has finished others; if that does not help, restart it"
    )


def test_it_can_be_accepted(seen):
    """A rig that accepts it keeps it back, by its message or without one."""
    fail = [*to_one(5, ("<", ABORT.format(1))), *to_one(8, ("<", ABORT.format(1)))]
    for accepted in ({"device": "heater"}, {"device": "heater", "message": "PRODUCT_IDENTIFICATION"}):
        assert seen([*named(), *fail], rig=rig(**accepted)).flags == []
    assert len(seen([*named(), *fail], rig=rig(device="heater", message="FURNACE_STATUS")).flags) == 1


def test_a_message_without_a_name_is_reported_by_its_dgn(seen):
    """An addressed DGN without its destination byte."""
    fail = [*to_one(5, ("<", ABORT.format(1))), *to_one(8, ("<", ABORT.format(1)))]
    flag = seen([one._replace(data=one.data[:5] + bytes.fromhex("5E DF 00")) for one in fail]).told
    assert flag.text.startswith("DGN 0DF00 hex to address 44 hex: failed 2 times")
    assert flag.message == "0DF00"


# The same from a log, however the time advances, and how many of many.


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_events_do_not_depend_on_how_time_advances(catalogue, data):
    """Any mixture of failures, with or without time that advances between the frames."""
    chosen = data.draw(st.lists(st.tuples(st.sampled_from(sorted(FAILURES)), st.integers(0, 200)), max_size=6))
    frames = sorted(one for way, at in chosen for one in FAILURES[way][0](at / 10))
    frames += background(25, 12) if data.draw(st.booleans()) else []
    frames.sort(key=lambda one: one.time)
    plain, told, batched = Watch(catalogue), Watch(catalogue), []
    once = [event for one in frames for event in plain.observe(one)] + plain.advance(700 * SECOND_US)
    before = 0
    for one in frames:
        for step in sorted(data.draw(st.lists(st.integers(before, one.time), max_size=2))):
            batched += told.advance(step)
        batched += told.observe(one)
        before = one.time
    for step in sorted(data.draw(st.lists(st.integers(before, 700 * SECOND_US), max_size=3))):
        batched += told.advance(step)
    assert batched + told.advance(700 * SECOND_US) == once
    assert [event.time for event in once] == sorted(event.time for event in once)


def seeded(seed, broken):
    """An hour of a bus with many good messages, of which each of ``broken`` fails at least twice; sorted."""
    draw, frames = random.Random(seed), background(3600)
    for source in range(0x60, 0x80):
        way = draw.choice(sorted(FAILURES)) if source in broken else None
        for turn in range(12):
            at = 10 + 295 * turn + draw.random() * 100
            fails = way is not None and (turn in (3, 4) or draw.random() < 0.3)
            mine = FAILURES[way][0](at) if fails else draw.choice((to_all(at), to_one(at, *WHOLE)))
            swap = {HEATER: source, PANEL: PANEL}
            frames += [_as(one, swap) for one in mine]
    return sorted(frames, key=lambda one: one.time)


def _as(one, swap):
    """The same frame from and to other addresses."""
    low, high = one.identifier & 0xFF, one.identifier >> 8 & 0xFF
    return one._replace(identifier=one.identifier & ~0xFFFF | swap.get(high, high) << 8 | swap.get(low, low))


def test_of_many_senders_only_those_that_fail_are_reported(catalogue, capsys):
    """Five seeded hours, 32 senders each, 8 of whom fail at least twice: 40 of 40, no false alarm; log and live."""
    hits, false, missed = Counter(), Counter(), 0
    for seed in range(5):
        broken = set(random.Random(seed + 100).sample(range(0x60, 0x80), 8))
        frames = seeded(seed, broken)
        logged = {flag for flag in survey(frames, catalogue).flags if flag.kind == "failed-transfer"}
        found = {flag.subject for flag in logged}
        wanted = {f"address {source:02X} hex" for source in broken}
        hits["found"] += len(found & wanted)
        false["alarms"] += len(found - wanted)
        missed += len(wanted - found)
        live = Watch(catalogue, readings=False)
        for one in frames:
            live.advance(one.time)
            live.observe(one)
        live.advance(frames[-1].time)
        told = {
            (flag.subject, flag.since, flag.until, flag.text)
            for flag in live.all_flags
            if flag.kind == "failed-transfer"
        }
        assert {(flag.subject, flag.since, flag.until) for flag in logged} == {one[:3] for one in told}
    with capsys.disabled():
        print(f"\nLong messages: {hits['found']} of 40 failing senders told, {missed} missed, {false['alarms']} false")
    assert (hits["found"], missed, false["alarms"]) == (40, 0, 0)
