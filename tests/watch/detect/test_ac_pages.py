"""Tests for units that lose a line or a direction of alternating current, in messages whose gap is not established."""

import pytest

PAGE = "CHARGER_AC_STATUS_1"
CHARGER = {"name": "charger", "address": 0x4A, "functions": {"charger": 1}}


@pytest.fixture
def judge_pages(bus, judge):
    """Judge pages (line, direction, instance, seconds), with a heartbeat; kinds of late and impossible values."""

    def go(*pages, devices=(), gap=2, end=200):
        made, frames = bus(), []
        for place, (line, direction, instance, seconds) in enumerate(pages):
            frames += [
                made.frame(second + place / 8, PAGE, 0x4A, ac_line=line, input_output=direction, instance=instance)
                for second in range(0, end, gap)
                if second in seconds
            ]
        frames += [made.frame(second + 0.9, "DM_RV", 0x4A, dsa=74, spn=0x7FFFF, fmi=31) for second in range(0, end, 5)]
        return judge(frames, end, *devices, kinds=("late-message", "bad-value"))

    return go


ALWAYS = range(200)


@pytest.mark.parametrize("devices", [(CHARGER,), ()], ids=["with a rig", "without"])
@pytest.mark.parametrize("stops", [(1, 0), (0, 1)], ids=["line 2", "output"])
def test_a_page_that_stops_while_another_one_comes_is_late(judge_pages, devices, stops):
    """Three of its own gaps after the last one; it ends when the page is back."""
    (found,) = judge_pages((0, 0, 1, ALWAYS), (*stops, 1, {*range(101), *range(150, 200)}), devices=devices)
    assert (found.kind, found.flag.since / 1e6, found.until) == ("late-message", 106.125, 150.125)
    assert PAGE in found.text
    assert ("line 2, input" if stops == (1, 0) else "line 1, output") in found.text


def test_pages_that_need_not_come_are_not_late(judge_pages):
    """Both stop: shore power is gone. It came for less than a minute, or without a rhythm; another unit goes on."""
    assert judge_pages((0, 0, 1, range(100)), (1, 0, 1, range(101))) == []
    assert judge_pages((0, 0, 1, ALWAYS), (1, 0, 1, range(58))) == []
    assert judge_pages((0, 0, 1, ALWAYS), (1, 0, 1, {*range(40), *range(60, 100)})) == []
    assert judge_pages((0, 0, 2, ALWAYS), (1, 0, 1, range(100))) == []


def test_a_line_that_is_none_is_impossible(judge_pages):
    """Two in the field of the line, or of the direction: an error by its code."""
    for page in ((2, 0), (0, 2)):
        found = judge_pages((0, 0, 1, ALWAYS), (*page, 1, range(50, 200)))
        assert [one.kind for one in found] == ["bad-value"]


def test_a_unit_that_no_longer_says_which_line_it_is_has_lost_it(judge_pages):
    """No data in the field of the line: the page of line 2 is late."""
    found = judge_pages((0, 0, 1, ALWAYS), (1, 0, 1, range(100)), (3, 0, 1, range(100, 200)))
    assert [(one.kind, one.flag.since / 1e6) for one in found] == [("late-message", 104.125)]
