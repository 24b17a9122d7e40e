"""Tests for two NAMEs on one address."""

import pytest

from rvsim.wire.frame import Frame
from rvsim.wire.name import Name

FURNACE, NULL = "FURNACE_STATUS", 0xFE
RAISED, CLEARED = "raised", "cleared"


def claim(seconds, source, serial, maker=0):
    """An address claim of a maker's unit."""
    return Frame(round(seconds * 1_000_000), 0x18EEFF00 | source, Name(serial, maker).to_bytes())


def contested(made, until=60.0, last=60.0):
    """Unit 5 at address 5E, speaking every second up to ``last``; unit 6 claims the same address at 10 s."""
    made.claim(0, 0x5E, 5)
    for second in range(1, 10):
        made.say(second, FURNACE, 0x5E, instance=1)
    made.claim(10, 0x5E, 6)
    if until > 10:
        made.run(until, made.every(1, FURNACE, 0x5E, 10.5, ((last, 999),)))
    return made


def test_two_units_that_both_stay_share_an_address(bus):
    """A fault after two seconds, once, with both units' makers and serial numbers, however often they claim."""
    made = (
        bus().observe(claim(0, 0x5E, 5, 1774)).observe(claim(0.2, 0x5E, 123456, 29)).observe(claim(0.3, 0x5E, 5, 1774))
    )
    assert made.until(2.2).flags == []
    made.until(2.200001)
    made.observe(claim(3, 0x5E, 123456, 29)).observe(claim(3.1, 0x5E, 5, 1774)).until(9)
    assert made.flags == [(2.2, RAISED, "shared-address", "address 5E hex")]
    (flag,) = made.watch.flags
    assert (str(flag.severity), flag.since) == ("fault", 2_200_000)
    units = "manufacturer code 1774, serial number 5 and manufacturer code 29, serial number 123456"
    assert flag.text == f"2 units claim address 5E hex, and none gives way: {units}"
    assert flag.evidence == (f"NAME {int(Name(5, 1774)):016X}", f"NAME {int(Name(123456, 29)):016X}")
    assert "another address" in flag.advice
    assert "does not follow the rules of address claiming: unplug one to see which of them stops" in flag.advice


def test_the_planned_device_is_the_subject(bus):
    """Where it is heard from the address."""
    assert contested(bus("heater"), until=15).flags == [(12.0, RAISED, "shared-address", "heater")]


@pytest.mark.parametrize("loser", [5, 6])
@pytest.mark.parametrize("to", [NULL, 0x70])
@pytest.mark.parametrize("after", [0.01, 0.25, 2.0])
def test_a_contest_that_ends_by_the_rules_is_no_flag(bus, loser, to, after):
    """Either unit says that it cannot claim or claims another address, up to two seconds later."""
    made = contested(bus(), until=0).claim(10 + after, to, loser)
    made.run(40, made.every(1, FURNACE, 0x5E, 13.0))
    assert [fact for fact in made.flags if fact[2] == "shared-address"] == []


@pytest.mark.parametrize("to", [NULL, 0x70])
def test_it_is_over_when_one_of_them_gives_way_after_all(bus, to):
    """And a third unit begins another contest."""
    made = contested(bus(), until=30).claim(30.5, to, 5)
    assert [fact for fact in made.flags if fact[2] == "shared-address"] == [
        (12.0, RAISED, "shared-address", "address 5E hex"),
        (30.5, CLEARED, "shared-address", "address 5E hex"),
    ]
    made.forget().claim(31, 0x5E, 7).run(35, made.every(1, FURNACE, 0x5E, 31.5))
    assert made.flags == [(33.0, RAISED, "shared-address", "address 5E hex")]
    assert "serial number 6 and manufacturer code 0, serial number 7" in made.watch.flags[-1].text


def test_it_is_over_when_the_address_falls_silent(bus):
    """Fifteen seconds after its last frame; who claims it then has it alone."""
    made = contested(bus(), until=50, last=20)
    assert [fact for fact in made.flags if fact[2] == "shared-address"] == [
        (12.0, RAISED, "shared-address", "address 5E hex"),
        (34.5, CLEARED, "shared-address", "address 5E hex"),
    ]
    made.forget().claim(50, 0x5E, 5).until(55)
    assert [fact for fact in made.flags if fact[2] == "shared-address"] == []
    made.claim(56, 0x5E, 6).say(57, FURNACE, 0x5E, instance=1).until(59)
    assert made.flags[-1] == (58.0, RAISED, "shared-address", "address 5E hex")


@pytest.mark.parametrize(("gap", "flags"), [(15.0, 1), (15.1, 0), (100, 0)])
def test_a_unit_that_was_exchanged_is_no_contest(bus, gap, flags):
    """Its predecessor had fallen silent: more than its heartbeat limit since the last frame from there."""
    made = bus().claim(0, 0x5E, 5).say(5, FURNACE, 0x5E, instance=1).claim(5 + gap, 0x5E, 6)
    made.run(140, made.every(2, FURNACE, 0x5E, 6 + gap))
    assert len([fact for fact in made.flags if fact[2] == "shared-address"]) == flags


def test_a_slow_talker_is_heard_for_three_of_its_gaps(bus):
    """A message that comes every ten seconds: its node is not gone before thirty."""
    made = bus().claim(0, 0x5E, 5)
    for second in range(0, 121, 10):
        made.observe(Frame(second * 1_000_000, 0x19F8015E, bytes(8)))
    assert made.claim(149, 0x5E, 6).until(152).flags[-1] == (151.0, RAISED, "shared-address", "address 5E hex")


def test_a_unit_that_moved_away_before_left_no_claim(bus):
    """Address 5E was given up; the next one to claim it has it alone."""
    made = bus().claim(0, 0x5E, 5).claim(1, 0x70, 5).claim(2, 0x5E, 6)
    assert made.until(6).flags == []


def test_the_two_seconds_count_from_the_last_to_come(bus):
    """A third unit has its time too; all of them are named."""
    made = bus().claim(0, 0x5E, 5).claim(1, 0x5E, 6).claim(2.5, 0x5E, 7)
    assert made.until(4.5).flags == []
    assert made.until(5).flags == [(4.5, RAISED, "shared-address", "address 5E hex")]
    assert made.watch.flags[0].text.startswith("3 units claim address 5E hex, and none gives way: ")
    assert [fact[:3] for fact in made.claim(5.1, NULL, 6).flags[1:]] == [
        (5.1, CLEARED, "shared-address"),
        (5.1, RAISED, "shared-address"),
        (5.1, RAISED, "cannot-claim"),
    ]
    assert made.watch.flags[0].text.startswith("2 units claim address 5E hex")
    assert [fact[:3] for fact in made.claim(5.2, 0x71, 5).flags[4:]] == [(5.2, CLEARED, "shared-address")]


def test_another_unit_that_joins_a_shared_address_is_told_too(bus):
    """Two share it already; two seconds after the third came the flag names three."""
    made = bus().claim(0, 0x5E, 5).claim(1, 0x5E, 6).until(4).claim(5, 0x5E, 7).until(8)
    assert [fact[:2] for fact in made.flags] == [(3.0, RAISED), (7.0, CLEARED), (7.0, RAISED)]
    assert made.watch.flags[0].text.startswith("3 units claim address 5E hex")


def test_a_repeated_refusal_counts_again(bus):
    """Unit 6 tries twice and gives way twice, in the same words."""
    made = bus().claim(0, 0x5E, 5).claim(1, 0x5E, 6).claim(1.1, NULL, 6)
    made.claim(5, 0x5E, 6).claim(5.1, NULL, 6).claim(5.2, 0x5E, 5).until(12)
    assert [fact[:3] for fact in made.flags] == [(1.1, RAISED, "cannot-claim")]


def test_a_claim_repeated_in_the_same_words_is_heard(bus):
    """Unit 5 leaves, is back where it was, and unit 6 claims that address now."""
    made = bus().claim(0, 0x5E, 5).claim(1, 0x70, 5).claim(2, 0x5E, 5).claim(3, 0x5E, 6).until(6)
    assert made.flags == [(5.0, RAISED, "shared-address", "address 5E hex")]


def test_what_is_no_claim_contests_nothing(bus):
    """Seven bytes are no NAME; from the null and the global address nobody holds an address."""
    made = bus().claim(0, 0x5E, 5)
    made.observe(claim(1, 0x5E, 6)._replace(data=Name(6).to_bytes()[:7]))
    made.claim(2, NULL, 7).claim(2, NULL, 8).claim(2, 0xFF, 9).claim(2, 0xFF, 10).until(8)
    assert [fact for fact in made.flags if fact[2] == "shared-address"] == []


def test_who_has_claimed_from_the_global_address_is_still_where_it_was(bus):
    """Nobody can be everyone."""
    made = bus().claim(0, 0x5E, 5).claim(1, 0x5E, 6).claim(1.5, 0xFF, 6).until(5)
    assert made.flags == [
        (1.5, RAISED, "no-address", "address FF hex"),
        (3.0, RAISED, "shared-address", "address 5E hex"),
    ]


def test_ages_stand_still_for_a_contest_too(bus):
    """While the whole bus is quiet nobody can answer."""
    made = bus().claim(0, 0x5E, 5)
    talk = [made.every(0.2, "DC_SOURCE_STATUS_1", 0x40 + n, 0.05 * n, ((10.3, 30),), instance=n + 1) for n in range(3)]
    made.run(10.25, *talk).claim(10.28, 0x5E, 6).run(40, *talk, begin=10.25)
    raised = [fact for fact in made.flags if fact[2] == "shared-address"]
    assert len(raised) == 1
    assert 31.9 < raised[0][0] < 32.1


def test_a_flood_of_names_is_remembered_in_bounds(bus):
    """The newest eight NAMEs of an address."""
    made = bus()
    for number in range(30):
        made.claim(number / 100, 0x5E, number)
    made.until(5)
    assert made.watch.flags[0].text.startswith("8 units claim address 5E hex")
    assert "serial number 21" not in made.watch.flags[0].text
    assert "serial number 22 " in made.watch.flags[0].text


def test_an_address_that_was_left_without_a_claim_is_free(bus):
    """The heater was found at another address by its status: what it had claimed before is of no account."""
    made = (
        bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1).until(30).say(31, FURNACE, 0x70, instance=1)
    )
    made.claim(32, 0x5E, 6).run(40, made.every(1, FURNACE, 0x70, 33.0))
    assert [fact for fact in made.flags if fact[2] == "shared-address"] == []
