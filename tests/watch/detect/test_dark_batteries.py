"""Tests for batteries whose voltage has gone."""

import pytest

SOURCE = "DC_SOURCE_STATUS_1"
STEP = 20
"""Raw steps of a volt: 0.05 V each."""


@pytest.fixture
def dark(bus, judge):
    """The flags of a monitor that sends these voltages from these seconds on: ``dark((0, 13.2), (30, 0.0))``."""

    def go(*voltages, end=60.0):
        made = bus()
        frames = made.frames(end, made.every(5, "DM_RV", 0x44, 0.3, dsa=68, spn=0x7FFFF, fmi=31))
        for (since, volts), (until, _) in zip(voltages, [*voltages[1:], (end, None)], strict=True):
            frames += [
                made.frame(since + n / 2, SOURCE, 0x45, instance=1, dc_voltage=round(volts * STEP))
                for n in range(int((until - since) * 2))
            ]
        found = judge(frames, end, kinds=("low-voltage",))
        return [(one.told, one.until) for one in found if "disconnected" in one.text]

    return go


def test_a_voltage_that_falls_to_nothing_is_told_after_two_seconds(dark):
    """Seen first at 30 s; cleared when it is back."""
    assert dark((0, 13.2), (30, 0.0), (40, 13.2)) == [(32.5, 40.0)]
    assert dark((0, 13.2), (30, 1.95)) == [(32.5, None)]


@pytest.mark.parametrize(
    "voltages",
    [
        pytest.param([(0, 0.0)], id="never had one"),
        pytest.param([(0, 0.0), (2, 13.2)], id="not measured yet"),
        pytest.param([(0, 7.9), (30, 0.0)], id="no battery before"),
        pytest.param([(0, 13.2), (30, 6.0), (35, 12.5)], id="an engine cranks"),
        pytest.param([(0, 13.2), (30, 0.0), (32, 13.2)], id="four frames"),
        pytest.param([(0, 13.2), (30, 2.0)], id="the limit itself"),
    ],
)
def test_other_low_voltages_are_not_called_a_disconnected_battery(dark, voltages):
    """A start, an engine that cranks, four frames."""
    assert dark(*voltages) == []


def test_the_word_names_no_part_as_certain_and_bridges_no_protection(bus):
    """What has opened is not known."""
    made = bus()
    for n in range(20):
        made.say(n / 2, SOURCE, 0x45, instance=1, dc_voltage=264 if n < 8 else 0)
    (flag,) = made.watch.all_flags
    assert "disconnected from what it feeds" in flag.text
    assert "find what has opened" in flag.advice
    assert "bridge no protection" in flag.advice
