"""Tests for pauses: how the bus goes on afterwards."""

import pytest


def senders(bus, first=0.0, gap=0.5, off=()):
    """Six sensors, each with its own place in the rhythm."""
    places = (0x91, 0.0), (0x92, 0.13), (0x93, 0.22), (0x94, 0.29), (0x95, 0.35), (0x96, 0.41)
    return [
        bus.every(gap, "THERMOSTAT_AMBIENT_STATUS", source, first + place, off=off, instance=number)
        for number, (source, place) in enumerate(places, start=1)
    ]


def resumption(made):
    """The one pause of a bus."""
    (found,) = made.watch.pauses.resumptions.values()
    return found


def test_everybody_goes_on_in_rhythm(bus):
    """The recorder paused, or the bus did: every message comes where its rhythm puts it, and nobody claims."""
    made = bus()
    made.run(60, *senders(made, off=((20.2, 30.2),)))
    found = resumption(made)
    assert (found.ended, found.length_us) == (30_220_000, 10_090_000)
    assert (found.claims, found.back, found.is_unnoticed) == ((), 6, True)
    assert found.in_rhythm == found.judged >= 3


@pytest.mark.parametrize("late", [0.0, 0.07, 0.1])
def test_everybody_begins_anew(bus, late):
    """The rhythm has moved: somebody stopped and started the devices; a tenth of a second is more than the jitter."""
    made = bus()
    made.run(20.2, *senders(made))
    made.run(60, *senders(made, first=30.2 + late + 0.1), begin=20.2)
    found = resumption(made)
    assert not found.is_unnoticed
    assert found.judged >= 3


def test_addresses_that_are_claimed_anew(bus):
    """They had no power, whatever their rhythm looks like."""
    made = bus()
    made.run(20.2, *senders(made))
    made.claim(30.21, 0x91, 1).claim(30.22, 0x92, 2)
    made.run(60, *senders(made), begin=30.23)
    found = resumption(made)
    assert found.claims == (0x91, 0x92)
    assert not found.is_unnoticed


def test_a_claim_long_afterwards_says_nothing_about_the_pause(bus):
    """Six seconds are looked at."""
    made = bus()
    made.run(35.9, *senders(made, off=((20.2, 30.2),)))
    made.claim(36.4, 0x91, 1)
    made.run(60, *senders(made), begin=36.5)
    assert resumption(made).is_unnoticed


def test_a_pause_across_which_no_rhythm_can_be_followed(bus):
    """After 50 gaps the place of the next message is not known any more: nothing is claimed about it."""
    made = bus()
    made.run(90, *senders(made, off=((20.2, 50.2),)))
    found = resumption(made)
    assert (found.judged, found.is_unnoticed) == (0, False)
    assert found.back == 6


def test_of_two_pauses_in_a_row_the_first_cannot_be_seen_to_its_end(bus):
    """The bus has to go on for six seconds before anything is said."""
    made = bus()
    made.run(60, *senders(made, off=((20.2, 30.2), (33.2, 45.2))))
    assert list(made.watch.pauses.resumptions) == [45_220_000]


def test_a_log_that_ends_too_soon(bus):
    """Nothing is said about a pause whose end was only just heard."""
    made = bus()
    made.run(35, *senders(made, off=((20.2, 30.2),)))
    assert not made.watch.pauses.resumptions
