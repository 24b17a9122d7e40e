"""Tests for outputs that are off and draw current."""

import pytest

LOAD = "DC_LOAD_STATUS"
NO_CURRENT, STEP = 0x7D00, 20
"""The raw value of 0 A, and raw steps of an ampere: 0.05 A each, from -1600 A."""


@pytest.fixture
def off(bus, judge):
    """The flags of an output with these levels in percent and currents in amperes from these seconds on."""

    def go(*states, end=90.0, gap=5):
        made = bus()
        frames = made.frames(end, made.every(5, "DM_RV", 0x44, 0.3, dsa=68, spn=0x7FFFF, fmi=31))
        for (since, level, amps), (until, *_) in zip(states, [*states[1:], (end,)], strict=True):
            raw = 0xFFFF if amps is None else NO_CURRENT + round(amps * STEP)
            frames += [
                made.frame(since + n * gap, LOAD, 0x8E, instance=3, operating_status=2 * level, present_current=raw)
                for n in range(int((until - since) / gap))
            ]
        return [(one.kind, one.told, one.until) for one in judge(frames, end, kinds=("bad-value",))]

    return go


def test_an_output_that_is_off_and_draws_current_is_told_after_three_frames(off):
    """Off from 30 s on with what it drew before, until the fuse is taken out at 70 s."""
    assert off((0, 100, 12.0), (30, 0, 12.0), (70, 0, 0.0)) == [("bad-value", 45.0, 70.0)]
    assert off((0, 100, 12.0), (30, 0, 1.0)) == [("bad-value", 45.0, None)]


@pytest.mark.parametrize(
    "states",
    [
        pytest.param([(0, 100, 12.0), (30, 0, 0.0)], id="off and nothing"),
        pytest.param([(0, 100, 12.0), (30, 0, 0.95)], id="an offset"),
        pytest.param([(0, 100, 12.0), (30, 0, 12.0), (45, 0, 0.0)], id="it runs down"),
        pytest.param([(0, 100, 0.0)], id="on and nothing: a thermostat of its own"),
        pytest.param([(0, 1, 12.0)], id="the lowest level"),
        pytest.param([(0, 0, None)], id="not measured"),
    ],
)
def test_other_outputs_are_not(off, states):
    """What a healthy output does, and what a module that measures nothing says."""
    assert off(*states) == []
