"""What stands out when something is touched: against what a reading does by itself."""

import pytest

from rvsim.watch.touched import TouchedReadings
from rvsim.watch.transitions import ReadingChanged
from rvsim.wire.fields import Reading
from rvsim.wire.frame import SECOND_US

DIMMER, INPUT, BATTERY = "DC_DIMMER_STATUS_3", "DIGITAL_INPUT_STATUS", "DC_SOURCE_STATUS_1"


class Bus:
    """Changes of readings with their times in seconds."""

    def __init__(self, catalogue):
        self._catalogue, self.touched = catalogue, TouchedReadings()
        self._last = {}

    def say(self, seconds, message, field, value, instance=3):
        """A field has a value now, None for no data."""
        spec = self._catalogue.by_name(message)
        one = spec.by_name[field]
        raw = one.all_ones if value is None else one.raw(value)
        reading = Reading(one, raw, one.state(raw))
        key = (message, field, instance)
        before = self._last.get(key)
        self._last[key] = reading
        if before is None or before.raw != raw:
            time = round(seconds * SECOND_US)
            self.touched.observe(ReadingChanged(time, "load centre", 0x90, spec, instance, reading, before))

    def take(self, seconds):
        """What moved together up to a time: message, instance, before and after."""
        found = self.touched.take(round(seconds * SECOND_US))
        return None if found is None else [told(moved) for moved in found.movements]


def told(moved):
    """Return a movement as a tuple."""
    return moved.key.message, moved.key.instance, moved.before.brief, moved.after.brief


@pytest.fixture
def changes(catalogue):
    """A bus whose readings are known since its start."""
    made = Bus(catalogue)
    made.say(0, DIMMER, "operating_status", 0)
    made.say(0, DIMMER, "operating_status", 0, instance=4)
    made.say(0, INPUT, "switch_position", 0)
    made.say(0, BATTERY, "dc_voltage", 13.2)
    return made


def test_a_switch_and_its_lamp(changes):
    """Told once, two seconds after the last movement, the state before the quantity; other readings are not."""
    changes.say(20.0, INPUT, "switch_position", 1)
    changes.say(20.2, DIMMER, "operating_status", 50)
    changes.say(20.4, DIMMER, "operating_status", 100)
    changes.say(20.5, BATTERY, "dc_voltage", 13.15)  # less than a tenth of a volt
    assert changes.take(22.0) is None
    assert changes.take(22.5) == [(INPUT, 3, "off", "on"), (DIMMER, 3, "0 %", "100 %")]
    assert changes.take(30) is None


def test_a_state_that_comes_back_moved_and_a_quantity_did_not(changes):
    """A momentary press, off, on, off, is all that a switch without a command does; a dip of the voltage is none."""
    changes.say(20, INPUT, "switch_position", 1)
    changes.say(20.1, BATTERY, "dc_voltage", 12.5)
    changes.say(20.2, INPUT, "switch_position", 0)
    changes.say(20.3, BATTERY, "dc_voltage", 13.2)
    (moved,) = changes.touched.recent(23 * SECOND_US)
    assert (told(moved), moved.is_back, moved.between.brief) == ((INPUT, 3, "off", "off"), True, "on")
    changes.say(20.4, DIMMER, "operating_status", 100)
    assert changes.take(23) == [(INPUT, 3, "off", "off"), (DIMMER, 3, "0 %", "100 %")]


def test_what_came_back_is_known_for_five_seconds(changes):
    """Whoever names it in a note is not told that it did nothing."""
    changes.say(20, INPUT, "switch_position", 1)
    assert not changes.touched.came_back(round(20.1 * SECOND_US))
    changes.say(20.2, INPUT, "switch_position", 0)
    changes.say(20.3, DIMMER, "operating_status", 100)
    now = round(24.9 * SECOND_US)
    assert {(key.message, key.instance) for key in changes.touched.came_back(now)} == {(INPUT, 3)}
    assert [told(moved) for moved in changes.touched.recent(now)] == [
        (INPUT, 3, "off", "off"),
        (DIMMER, 3, "0 %", "100 %"),
    ]
    assert not changes.touched.came_back(26 * SECOND_US)


def test_a_reading_is_learnt_first(changes):
    """Whatever is heard for less than ten seconds may do anything by itself."""
    changes.say(9, DIMMER, "operating_status", 100)
    changes.say(9, BATTERY, "dc_voltage", 12.0)
    assert changes.take(30) is None
    changes.say(40, DIMMER, "operating_status", 30, instance=5)
    changes.say(45, DIMMER, "operating_status", 100, instance=5)
    assert changes.take(60) is None


def test_a_noisy_reading_has_to_move_by_more(changes):
    """Three times what it moves by itself; a steady one by a tenth of a volt."""
    for second in range(11, 30):
        changes.say(second, BATTERY, "dc_voltage", 13.2 + 0.05 * (second % 2))
    changes.say(31, BATTERY, "dc_voltage", 13.35)
    assert changes.take(40) is None
    changes.say(41, BATTERY, "dc_voltage", 12.8)
    assert changes.take(50) == [(BATTERY, 3, "13.4 V", "12.8 V")]


def test_what_never_rests_does_not_stand_out(changes):
    """A state that changes each ten seconds; after two quiet minutes it counts again."""
    found = []
    for second in range(20, 120, 10):
        changes.say(second, INPUT, "switch_position", (second // 10 + 1) % 2)
        found.append(changes.take(second + 5))
    assert found[0] is not None
    assert found[-3:] == [None] * 3
    changes.say(400, INPUT, "switch_position", 1)
    assert changes.take(405) is not None


def test_no_data_stands_out(changes):
    """A sensor that is pulled out, and plugged in again."""
    changes.say(20, BATTERY, "dc_voltage", None)
    assert changes.take(25) == [(BATTERY, 3, "13.2 V", "no data")]
    changes.say(30, BATTERY, "dc_voltage", 13.2)
    assert changes.take(35) == [(BATTERY, 3, "no data", "13.2 V")]


def test_something_that_goes_on_is_told_after_five_seconds(changes):
    """A long ramp: what it did so far, then the rest."""
    for step in range(1, 21):
        changes.say(20 + 0.5 * step, DIMMER, "operating_status", 5.0 * step)
    assert changes.take(26) is not None


def test_the_last_seconds(changes):
    """What a person asks for: each reading once, of the last five seconds only."""
    changes.say(20, DIMMER, "operating_status", 100, instance=4)
    changes.say(28, DIMMER, "operating_status", 40)
    changes.say(29, DIMMER, "operating_status", 80)
    assert [told(moved) for moved in changes.touched.recent(30 * SECOND_US)] == [(DIMMER, 3, "0 %", "80 %")]
    assert changes.touched.recent(40 * SECOND_US) == ()
