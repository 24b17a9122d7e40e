"""Temperatures that are too cold, in columns: a flag has the last one, whose frames were passed over."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.model import Rig
from rvsim.watch.flag import FlagKind
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US

BAY, OUTDOORS, TANKS = 0x91, 0x92, 0x93
OWN, OTHER = "8000000000000001", "8000000000000002"
RIG = Rig.model_validate(
    {
        "schema": 1,
        "name": "test",
        "title": "Test",
        "device": [
            {"name": "bay sensor", "address": BAY, "functions": {"ambient_sensor": 1}, "zone": "bay",
             "claimed_name": OWN},
            {"name": "outdoor sensor", "address": OUTDOORS, "functions": {"ambient_sensor": 2}, "zone": "outdoors"},
            {"name": "grey tank", "address": TANKS, "functions": {"tank": 2}},
            {"name": "heater", "address": 0x5E, "functions": {"furnace": 1}},
            {"name": "monitor", "address": 0x22, "functions": {"dc_source": 9}},
        ],
        "zone": [{"name": "bay"}],
        "grey_tank": {"zone": "bay"},
        "fuel": {"grade": "B"},
    }
)  # fmt: skip


def raw(celsius):
    """Return a temperature in steps of 1/32 degree from -273."""
    return round((celsius + 273) * 32)


class Bay:
    """A log made by hand: a bay with a grey tank, whose sensor sends each 5 s."""

    def __init__(self, made, survey_both):
        self.made, self._survey_both = made, survey_both

    def air(self, celsius, until=1000, start=0, **raws):
        """Add the temperature of the bay, a function of the second."""
        for second in range(start, until, 5):
            self.made.say(
                second, "THERMOSTAT_AMBIENT_STATUS", BAY, instance=1, ambient_temperature=raw(celsius(second)), **raws
            )

    def tank(self, level=lambda _: 50, until=1000):
        """Add the level of the tank, a function of the second."""
        for second in range(0, until, 5):
            self.made.say(second + 0.5, "TANK_STATUS", TANKS, instance=2, relative_level=level(second), resolution=100)

    def flags(self, planned=RIG, sizes=(65_536, 100)):
        """Return the flags of what is too cold; few frames were examined for them."""
        self.made.keep_busy(int(max(self.made.frames).time / SECOND_US))
        found, self._examined = self._survey_both(self.made, planned, sizes)
        assert len(self._examined) < 300
        return [flag for flag in found.flags if flag.kind is FlagKind.FREEZE_RISK]

    def flag(self, **given):
        """Return the one flag of something too cold."""
        (flag,) = self.flags(**given)
        return flag

    def examined_of(self, source):
        """Return how many frames of a source were examined in columns."""
        return sum(frame.identifier & 0xFF == source for frame in self._examined)


@pytest.fixture
def bay(hand_made, survey_both):
    """Return an empty log."""
    return Bay(hand_made(), survey_both)


def falling(second):
    """Return a temperature that falls by half a degree each 50 s."""
    return -2 - second // 50 / 2


def test_a_flag_has_the_first_frame_with_the_last_temperature(bay):
    """The last step is at 950 s; the frames after it are the same."""
    bay.air(falling)
    bay.tank()
    flag = bay.flag()
    assert flag.since == 60.5 * SECOND_US
    assert "-11.50 °C" in flag.text
    assert "at 950.000 s" in flag.evidence[0]


@pytest.mark.parametrize("end", ["the tank is emptied", "the bay is warm", "none, the sensor is silent"])
def test_a_flag_has_the_temperature_before_its_end(bay, end):
    """Something happens some 45 s after the last step of the temperature."""
    bay.air(
        lambda second: 8 if end == "the bay is warm" and second >= 395 else falling(second),
        until=400 if "silent" in end else 1000,
    )
    bay.tank(lambda second: 0 if end == "the tank is emptied" and second >= 395 else 50)
    flag = bay.flag()
    assert flag.until == {"the tank is emptied": 395_500_000, "the bay is warm": 395_000_000}.get(end)
    assert "-5.50 °C" in flag.text
    assert "at 350.000 s" in flag.evidence[0]


@pytest.mark.parametrize(
    ("names", "subjects", "moved_at"),
    [((OWN, OTHER), ("bay sensor", "address 91 hex"), 402), ((OTHER, OWN), ("address 91 hex", "bay sensor"), 405)],
    ids=["another one", "the planned one"],
)
def test_a_flag_of_a_device_that_is_known_as_another_one_ends(bay, names, subjects, moved_at):
    """Another NAME is claimed at the address of the sensor, which may be that of the rig. The flag ends when it is
    claimed, or with the next temperature, and another one stands; each has the last temperature of its time.
    """
    bay.made.claim(1, BAY, names[0])
    bay.air(falling, until=600)
    bay.made.claim(402, BAY, names[1])
    bay.tank(until=600)
    first, second = bay.flags()
    assert (first.subject, second.subject) == subjects
    assert (first.until, second.until) == (moved_at * SECOND_US, None)
    assert "-6.00 °C" in first.text
    assert "-7.50 °C" in second.text


@pytest.mark.parametrize("name", ["flags", "all_flags", "causes"])
def test_what_is_asked_for_has_the_last_temperature(bay, monkeypatch, name):
    """Whenever the watch decides something, it says the same frame by frame and in columns.

    Two units claim the address of the sensor: that is a cause, with the flag.
    """
    bay.made.claim(1.25, BAY, OTHER)
    bay.made.claim(20.25, BAY, OWN)
    bay.air(falling)
    bay.tank()
    shown, count = {}, []
    await_frame = Watch.await_frame

    def ask(watch, time, **rest):
        await_frame(watch, time, **rest)
        count.append(time)
        said = str(getattr(watch, name))
        assert shown.setdefault(time, said) == said

    monkeypatch.setattr(Watch, "await_frame", ask)
    bay.flag(sizes=(65_536,))
    assert len(shown) < len(count)
    assert "-10.00 °C" in "".join(shown.values())


def test_little_is_examined_while_it_is_too_cold(bay):
    """The temperature falls with each frame; the last one but one has another priority and the same data."""
    bay.air(lambda second: -2 - min(second, 900) / 160)
    bay.tank()
    one = next(frame for frame in bay.made.frames if frame.time == 950 * SECOND_US and frame.identifier & 0xFF == BAY)
    bay.made.frames.remove(one)
    bay.made.frames.append(one._replace(identifier=one.identifier ^ 1 << 26))
    flag = bay.flag()
    assert "at 900.000 s" in flag.evidence[0]
    assert bay.examined_of(BAY) < 20


def test_a_battery_that_is_charged_in_the_cold_has_its_last_temperature(bay):
    """It falls by half a degree each 50 s, at the same current."""
    for second in range(0, 1000, 2):
        temperature = raw(falling(second))
        bay.made.say(second, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=260, dc_current=2_000_000_000 - 9000)
        bay.made.say(second + 0.1, "DC_SOURCE_STATUS_2", 0x46, instance=1, source_temperature=temperature)
        bay.made.say(second + 0.2, "DC_SOURCE_STATUS_4", 0x46, instance=1, battery_type=3)
    assert "-11.50 °C" in bay.flag(planned=None).text


@given(seed=st.integers(0, 2**32))
def test_cold_places_at_random_are_reported_the_same_in_columns(hand_made, survey_both, seed):
    """Temperatures that fall and rise, a tank that is filled and emptied, claims, pauses and a quiet bus."""
    rng, made, until = random.Random(seed), hand_made(), 400
    quiet = (rng.uniform(50, until), rng.choice((0, 0, 3, 30)))
    for source, instance in ((BAY, 1), (OUTDOORS, 2), *(((0x99, 1),) if rng.random() < 0.2 else ())):
        celsius = float(rng.choice((-30, -8, -1, 1, 2, 5)))
        away = rng.uniform(50, until), rng.choice((0, 0, 0, 8, 40))
        step, shift = rng.choice((0, 0.1, 1, 5)), rng.uniform(0, 5)
        for number in range(until // 5):
            second = 5 * number + shift
            celsius = round(celsius + rng.choice((0, 0, step, -step)), 2)
            value = 0xFFFF if rng.random() < 0.01 else raw(max(celsius, -60))
            if not away[0] <= second < sum(away):
                made.say(second, "THERMOSTAT_AMBIENT_STATUS", source, instance=instance, ambient_temperature=value)
    level, every = 50, rng.choice((5, 5, 15))
    for second in range(0, until, every):
        level = rng.choice((level,) * 20 + (0, 50, 0xFF))
        if rng.random() < 0.95:
            made.say(second + 0.5, "TANK_STATUS", TANKS, instance=2, relative_level=level, resolution=100)
    for _ in range(rng.choice((0, 0, 1, 3))):
        made.claim(rng.uniform(0, until), rng.choice((BAY, 0x99)), rng.choice((OWN, OTHER)))
    made.keep_busy(until)
    made.frames = [one for one in made.frames if not quiet[0] <= one.time / SECOND_US < sum(quiet)]
    survey_both(made, rng.choice((RIG, RIG, RIG, None)), (65_536, rng.randint(37, 300)))
