"""Pages that keep a rhythm: the checks whether one is late, held against the rhythm with the frames that had come."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rvsim.logs.kept_rhythm import KeptRhythm
from rvsim.watch.flag import FlagKind
from rvsim.watch.traffic import MAX_GAPS, MIN_LATE_LIMIT_US, Rhythm, Times
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US

STEPS = st.one_of(
    st.integers(100_000, 9_000_000),
    st.sampled_from((2_500_000, 2_500_000, 2_499_000, 2_501_000, 500_000, 7_500_000, MIN_LATE_LIMIT_US, 30_000_000)),
)


def check_by_check(times, check, known_until):
    """Return the first check that does not find the page in time, each with the frames up to it."""
    while check <= known_until:
        rhythm = Rhythm(None, is_defined=True)
        rhythm.first_at, rhythm.stored = times[0], Times(time for time in times if time <= check)
        last = rhythm.times[-1]
        limit = rhythm.kept_limit() if last + MIN_LATE_LIMIT_US <= check else MIN_LATE_LIMIT_US
        if limit is None or last + limit <= check:
            break
        check = last + limit
    return check


@given(
    steps=st.lists(STEPS, min_size=60, max_size=120),
    regular=st.integers(MAX_GAPS, 100),
    jitter=st.integers(0, 1),
    known=st.integers(0, 120),
    later=st.one_of(st.just(7_500_000), st.integers(1, 9_000_000)),
)
@example(steps=[7_500_000] + [2_500_000] * 60, regular=40, jitter=0, known=80, later=7_500_000)
@example(steps=[2_500_000] * 60, regular=40, jitter=0, known=20, later=7_500_000)
def test_checks_are_those_of_the_rhythm(steps, regular, jitter, known, later):
    """Steps at random after some that are nearly regular; the frames after a moment are not known."""
    times = np.cumsum([2_500_000 + place % 7 * jitter for place in range(regular)] + steps).tolist()
    stored = times[: MAX_GAPS + 1]
    check, known_until = stored[-1] + later, times[min(MAX_GAPS + known, len(times) - 1)]
    kept = KeptRhythm(stored, np.array(times[MAX_GAPS + 1 :], np.int64))
    assert kept.next_check(check, known_until) == check_by_check(times, check, known_until)


@pytest.mark.parametrize("stops", [(), (1200.0,), (1200.0, 1203.2)], ids=["never", "late", "late after a short gap"])
def test_a_page_is_found_late_in_columns_and_little_is_looked_at(hand_made, survey_both, monkeypatch, stops):
    """Two pages of a charger each 2.5 s, with some jitter; one stops, perhaps with a last frame out of its rhythm."""
    log, awaited = hand_made(), []
    for step in range(800):
        seconds = 2.5 * step + step % 5 / 100
        log.say(seconds + 0.9, "DM_RV", 0x4A, dsa=74, spn=0x7FFFF, fmi=31)
        for line in range(2):
            if line == 0 or not stops or seconds < stops[0]:
                log.say(seconds + line / 8, "CHARGER_AC_STATUS_1", 0x4A, instance=1, ac_line=line, rms_voltage=2400)
    for seconds in stops[1:]:
        log.say(seconds, "CHARGER_AC_STATUS_1", 0x4A, instance=1, ac_line=1, rms_voltage=2400)
    await_frame = Watch.await_frame

    def count(watch, time, **rest):
        if rest:  # in columns
            awaited.append(time)
        await_frame(watch, time, **rest)

    monkeypatch.setattr(Watch, "await_frame", count)
    found, _ = survey_both(log, sizes=(65_536,))
    assert 0 < len(awaited) < 60  # there are 270 checks of each page
    late = [flag.since / SECOND_US for flag in found.flags if flag.kind is FlagKind.LATE_MESSAGE]
    assert len(late) == bool(stops)
    if stops:
        assert stops[-1] + 4 < late[0] < stops[-1] + 7.6
