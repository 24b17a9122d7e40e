"""Requests that are refused, by frames written by hand: when that is reported, and when it ends.

The panel at 44 hex requests THERMOSTAT_AMBIENT_STATUS (9C FF 01) from the sensor at 91 hex; an acknowledgment has its
code in byte 0, the instance in byte 1, the requester in byte 4 and the DGN in the last three (dbc/general.dbc; SAE
J1939-21).
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rvsim.logs.survey import survey
from rvsim.watch.watch import FlagCleared, FlagRaised, Watch
from rvsim.wire.frame import SECOND_US, Frame

PANEL, SENSOR, TOOL = 0x44, 0x91, 0xF9
AMBIENT, FURNACE = "9C FF 01", "E4 FF 01"
UNKNOWN, DENIED, BUSY = 1, 2, 3


def frame(seconds, identifier, text):
    """A frame by its time and bytes."""
    return Frame(round(seconds * SECOND_US), identifier, bytes.fromhex(text))


def ask(at, asker=PANEL, asked=SENSOR, dgn=AMBIENT, instance=""):
    """A request, with RV-C's instance where one is given."""
    return frame(at, 0x18EA0000 | asked << 8 | asker, f"{dgn} {instance} FF FF FF FF" if instance else dgn)


def answer(at, code=UNKNOWN, asked=SENSOR, asker=PANEL, dgn=AMBIENT, instance="FF", to=0xFF):
    """An acknowledgment."""
    return frame(at, 0x18E80000 | to << 8 | asked, f"{code:02X} {instance} FF FF {asker:02X} {dgn}")


def refuse(at, code=UNKNOWN, **more):
    """A request and its refusal 2 ms later."""
    asking = {key: more[key] for key in ("asker", "asked", "dgn") if key in more}
    if more.get("instance", "FF") != "FF":
        asking["instance"] = more["instance"]  # type: ignore[index]
    return [ask(at, **asking), answer(at + 0.002, code, **more)]


def status(at, source=SENSOR, instance="01"):
    """The requested status."""
    return frame(at, 0x19FF9C00 | source, f"{instance} 00 24 FF FF FF FF FF")


class Seen:
    """The flags of a watch up to a time."""

    def __init__(self, catalogue, frames, seconds):
        talk = [frame(n / 2, 0x19FEF100 | 0x70 + n % 2, "01 FF FF FF FF FF FF FF") for n in range(round(seconds * 2))]
        self.watch = Watch(catalogue)
        everything = sorted([*frames, *talk], key=lambda one: one.time)
        events = [event for one in everything for event in self.watch.observe(one)]
        events += self.watch.advance(round(seconds * SECOND_US))
        self.all = [
            event
            for event in events
            if isinstance(event, FlagRaised | FlagCleared) and event.flag.kind == "failed-transfer"
        ]

    @property
    def flags(self):
        """(seconds, raised) of each."""
        return [(event.time / SECOND_US, type(event) is FlagRaised) for event in self.all]


@pytest.fixture
def seen(catalogue):
    """Let a watch observe frames: ``seen(frames, 30)``."""
    return lambda frames, seconds=30: Seen(catalogue, frames, seconds)


def three(code=UNKNOWN, start=2, **more):
    """Three refusals, at 2, 4 and 6 s."""
    return [one for turn in range(3) for one in refuse(start + 2 * turn, code, **more)]


@pytest.mark.parametrize(
    ("code", "words", "advice"),
    [
        (
            UNKNOWN,
            "it does not support this (code 1, negative acknowledgement)",
            "find the device that has this message",
        ),
        (DENIED, "access denied (code 2)", "see its manual"),
        (BUSY, "it cannot respond now (code 3)", "request less often"),
    ],
)
def test_the_third_refusal_in_a_row_is_reported(seen, code, words, advice):
    """Which device refuses what to which, how often, the last reason, and the frames."""
    found = seen(three(code))
    assert found.flags == [(6.002, True)]
    flag = found.all[0].flag
    assert (
        flag.text
        == f"refuses requests of address 44 hex for THERMOSTAT_AMBIENT_STATUS, 3 times in a row; the last time: {words}"
    )
    assert (flag.subject, flag.severity, flag.message) == ("address 91 hex", "notice", "THERMOSTAT_AMBIENT_STATUS")
    assert flag.evidence[2] == f"frame 18E8FF91 {code:02X} FF FF FF 44 9C FF 01 at 6.002 s"
    assert flag.advice.startswith(advice)


def test_two_refusals_are_not_reported(seen):
    """Just inside the limit."""
    assert seen(three()[:4]).flags == []


def test_refusals_of_any_code_are_one_row(seen):
    """Busy, then unknown, then denied: the last reason is reported."""
    found = seen([*refuse(2, BUSY), *refuse(4, UNKNOWN), *refuse(6, DENIED)])
    assert "access denied" in found.all[0].flag.text


def test_a_fourth_refusal_renews_the_text(seen):
    """One flag, with its present count and reason."""
    found = seen([*three(), *refuse(9, BUSY)])
    assert len(found.flags) == 1
    assert "4 times in a row; the last time: it cannot respond now" in found.watch.flags[0].text


@pytest.mark.parametrize(
    "other",
    [{"asker": TOOL}, {"asked": 0x92}, {"dgn": FURNACE}, {"instance": "02"}],
    ids=["another asker", "another node", "another message", "another instance"],
)
def test_other_kinds_do_not_add_up(seen, other):
    """Two of one kind and one of another."""
    assert seen([*three()[:4], *refuse(6, **other)]).flags == []


def test_an_instance_is_reported(seen):
    """The sensor has no instance 2."""
    found = seen(three(instance="02"))
    assert found.all[0].flag.text.startswith(
        "refuses requests of address 44 hex for THERMOSTAT_AMBIENT_STATUS, instance 2"
    )


# What ends it.


@pytest.mark.parametrize("asked", [SENSOR, 0xFF])
def test_it_ends_when_the_message_comes_after_a_request(seen, asked):
    """Requested again, alone or with all, it sends its status: that ends the flag, and the row."""
    end = [ask(8, asked=asked), status(8.01)]
    found = seen([*three(), *end])
    assert found.flags == [(6.002, True), (8.01, False)]
    assert seen([*three()[:4], ask(5, asked=asked), status(5.01), *refuse(6)]).flags == []


def test_a_status_that_was_heard_before_is_an_answer_too(seen):
    """The same bytes as before, which the watch need not examine otherwise."""
    usual = [status(at) for at in range(30)]
    found = seen([*usual, *three(), ask(8.5)])
    assert found.flags == [(6.002, True), (9.0, False)]


def test_a_message_without_a_definition_is_an_answer_too(seen):
    """DGN 1FA00, which has no definition, sent each second."""
    usual = [frame(at, 0x19FA0091, "01 02 03 04 05 06 07 08") for at in range(30)]
    found = seen([*usual, *three(dgn="00 FA 01"), ask(8.5, dgn="00 FA 01")])
    assert found.flags == [(6.002, True), (9.0, False)]


def test_a_message_without_a_request_is_no_answer(seen):
    """Its periodic status continues while it refuses requests."""
    found = seen([*[status(at + 0.5) for at in range(29)], *three()])
    assert found.flags == [(6.002, True)]


def test_a_refused_request_is_answered(seen):
    """After the refusal only the periodic status comes, until it is requested again."""
    found = seen([*three(), *refuse(8), status(9), status(10), ask(11), status(12)])
    assert found.flags == [(6.002, True), (12.0, False)]


@pytest.mark.parametrize(
    "frames",
    [
        [ask(8, asker=TOOL), status(8.01)],  # another asks
        [ask(8, asked=0x92), status(8.01)],  # another is asked
        [ask(8, dgn=FURNACE), status(8.01)],  # for another message
        [ask(8), status(8.01, source=0x92)],  # another answers
        [ask(8), frame(8.01, 0x19FFE491, "01 FF FF FF FF FF FF FF")],  # with another message
        [answer(8, 0, dgn=FURNACE)],
    ],
)
def test_it_does_not_end_when(seen, frames):
    """None of these is the answer that was refused."""
    assert seen([*three(), *frames]).flags == [(6.002, True)]


def test_the_instance_that_was_refused_has_to_come(seen):
    """Instance 1 does not answer for 2; a request without one may be answered by any."""
    refused = three(instance="02")
    assert len(seen([*refused, ask(8, instance="02"), status(8.01)]).flags) == 1
    assert len(seen([*refused, ask(8, instance="01"), status(8.01, instance="02")]).flags) == 1
    assert len(seen([*refused, ask(8, instance="02"), status(8.01, instance="02")]).flags) == 2
    assert len(seen([*refused, ask(8), status(8.01, instance="02")]).flags) == 2
    usual = [status(at + 0.5, instance=one) for at in range(30) for one in ("01", "02")]
    turns = [*usual, *refused, ask(8, instance="02")]
    assert seen(turns).flags == [(6.002, True), (8.5, False)]


def test_a_positive_acknowledgment_ends_it(seen):
    """Code 0: a command that was denied at first is done now; without it the flag stays."""
    found = seen([*[answer(at, DENIED, dgn="00 7F 01") for at in (2, 4, 6)], answer(8, 0, dgn="00 7F 01")])
    assert found.flags == [(6.0, True), (8.0, False)]


def test_a_long_answer_ends_it(seen):
    """The product identification, refused while it was busy, comes in packets in the end."""
    packets = [
        frame(8.1, 0x1CECFF91, "20 0A 00 02 FF EB FE 00"),
        frame(8.2, 0x1CEBFF91, "01 41 2A 42 2A 43 2A 44"),
        frame(8.3, 0x1CEBFF91, "02 2A 45 46 FF FF FF FF"),
    ]
    found = seen([*three(BUSY, dgn="EB FE 00"), ask(8, dgn="EB FE 00"), *packets])
    assert found.flags == [(6.002, True), (8.3, False)]


def test_a_short_text_ends_it_and_is_read(seen):
    """A product identification in one frame: an answer, and the product of the node."""
    text = frame(8.1, 0x18FEEB91, "41 2A 42 2A FF FF FF FF")
    found = seen([*three(BUSY, dgn="EB FE 00"), ask(8, dgn="EB FE 00"), text])
    assert found.flags == [(6.002, True), (8.1, False)]
    assert any(record.product is not None for record in found.watch.roll_call)


def test_it_ends_after_ten_minutes_without_refusal(seen):
    """The message is not requested any more."""
    found = seen(three(), 610)
    assert [raised for _, raised in found.flags] == [True, False]
    assert found.flags[1][0] == pytest.approx(606.002, abs=0.6)


# What does not count.


def test_the_first_refusal_after_its_start_does_not_count(seen):
    """It claims its address at 1 s: three refusals are two that count."""
    start = frame(1, 0x18EEFF91, "91 00 00 00 00 00 00 00")
    assert seen([start, *three()]).flags == []
    assert seen([start, *three(), *refuse(8)]).flags == [(8.002, True)]
    assert seen([start, answer(1.5, 0), *three()]).flags == [(6.002, True)]


@pytest.mark.parametrize(
    "odd",
    [
        lambda at: frame(at, 0x18E8FF91, "04 FF FF FF 44 9C FF 01"),  # a reserved code
        lambda at: frame(at, 0x18E8FF91, "01 FF FF FF 44 9C FF"),  # seven bytes
        lambda at: frame(at, 0x18E8FF91, "01 FF FF FF 44 9C FF 04"),  # a DGN of 19 bits
        lambda at: frame(at, 0x18E8FF91, "01 FF FF FF FF 9C FF 01"),  # to nobody
        lambda at: frame(at, 0x18E8FFFE, "01 FF FF FF 44 9C FF 01"),  # from nobody
    ],
)
def test_what_is_no_refusal(seen, odd):
    """Such acknowledgments do not report a refusal between two nodes."""
    assert seen([odd(at) for at in (2, 4, 6, 8)]).flags == []


def test_the_requester_may_be_the_destination(seen):
    """An acknowledgment to one, with FF in byte 4 (SAE J1939-21 before RV-C's use of it, from memory)."""
    found = seen([answer(at, asker=0xFF, to=PANEL) for at in (2, 4, 6)])
    assert "of address 44 hex for THERMOSTAT_AMBIENT_STATUS, 3 times" in found.all[0].flag.text


def test_a_log_gives_the_same(catalogue, seen):
    """Ten rows of two to six refusals, five of them answered after the second: those of three and more are reported."""
    frames, wanted = [], set()
    for number in range(10):
        asked, count = 0xA0 + number, 2 + number // 2
        frames += [one for turn in range(count) for one in refuse(2 + turn, asked=asked)]
        if number % 2:  # answered after the second
            frames += [ask(3.5, asked=asked), frame(3.6, 0x19FF9C00 | asked, "01 00 24 FF FF FF FF FF")]
        if count - (2 if number % 2 else 0) >= 3:
            wanted.add(f"address {asked:02X} hex")
    frames.sort(key=lambda one: one.time)
    logged = {flag.subject for flag in survey(frames, catalogue).flags if flag.kind == "failed-transfer"}
    live = {event.flag.subject for event in seen(frames).all}
    assert logged == live == wanted
    assert len(wanted) == 6


@settings(deadline=None)
@given(st.lists(st.tuples(
    st.integers(0, 3 * SECOND_US),
    st.sampled_from([0x18EA91, 0x18EAFF, 0x18E8FF, 0x18E844, 0x19FF9C, 0x18EEFF, 0x1CEC44, 0x1CEBFF, 0x18FEEB]),
    st.sampled_from([PANEL, SENSOR, 0xFE]),
    st.sampled_from([bytes.fromhex(text) for text in (
        "9C FF 01", "00 EE 00", "01 FF FF FF 44 9C FF 01", "03 01 FF FF 44 9C FF 01", "00 FF FF FF 44 9C FF 01",
        "01 00 24 FF FF FF FF FF", "FF 01 FF FF FF EB FE 00", "10 14 00 03 FF EB FE 00", "")]) | st.binary(max_size=8),
), max_size=60))  # fmt: skip
def test_nothing_on_a_bus_is_an_error(catalogue, heard):
    """Any order of requests, refusals, answers and starts: a flag is cleared once, and never before it was raised."""
    watch, time, standing = Watch(catalogue), 0, set()
    for step, dgn, source, data in heard:
        time += step
        for event in [*watch.advance(time), *watch.observe(Frame(time, dgn << 8 | source, data))]:
            if isinstance(event, FlagRaised):
                assert event.flag.number not in standing
                standing.add(event.flag.number)
            elif isinstance(event, FlagCleared):
                standing.remove(event.flag.number)
    assert {flag.number for flag in watch.flags} == standing
