"""Tests for a temperature that two other sensors of its zone exclude."""

import pytest

AMBIENT = "THERMOSTAT_AMBIENT_STATUS"


def sensors(zone="cabin", count=3):
    """Planned ambient sensors of one zone."""
    return [
        {"name": f"sensor {number}", "address": 0x90 + number, "functions": {"ambient_sensor": number}, "zone": zone}
        for number in range(1, count + 1)
    ]


@pytest.fixture
def judge_places(bus, judge):
    """Judge sensors with these temperatures from 100 s on, 20 C before."""

    def go(*degrees, devices=None, end=900):
        made = bus()
        frames = [
            made.frame(
                second + number / 10,
                AMBIENT,
                0x90 + number,
                instance=number,
                ambient_temperature=round((273 + (one if second >= 100 else 20)) * 32) + second // 5 % 2,
            )
            for second in range(0, end, 5)
            for number, one in enumerate(degrees, 1)
        ]
        return judge(frames, end, *(sensors() if devices is None else devices), kinds=("bad-value",))

    return go


def test_a_sensor_that_two_others_exclude_is_reported(judge_places):
    """45 C in the outlet of a heater, while two others have 20 and 23 C, for ten minutes."""
    (found,) = judge_places(20, 45, 23)
    assert (found.subject, found.flag.since / 1e6) == ("sensor 2", 700.2)
    assert "while sensor 3 reports ambient temperature 23" in found.text
    assert "the outlet of a heater" in found.flag.advice


@pytest.mark.parametrize("degrees", [(20, 40, 24), (20, 45, 30), (20, 45), (-8, 20, 45)])
def test_sensors_that_can_all_be_right_are_not_reported(judge_places, degrees):
    """Near enough to one of the others; others that do not agree; two only."""
    assert judge_places(*degrees) == []


def test_sensors_outdoors_or_without_a_zone_are_not_compared(judge_places):
    """The sun shines on one side of the vehicle."""
    assert judge_places(20, 45, 20, devices=sensors("outdoors")) == []
    bare = [{key: value for key, value in one.items() if key != "zone"} for one in sensors()]
    assert judge_places(20, 45, 20, devices=bare) == []
