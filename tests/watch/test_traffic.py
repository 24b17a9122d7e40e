"""Tests for ages, gaps, silences and deadlines."""

import statistics

from hypothesis import given
from hypothesis import strategies as st

from rvsim.watch.traffic import DeadlineKind, Deadlines, Rhythm, Silences, normal_silence
from rvsim.wire.frame import SECOND_US


def rhythm(*times: int, defined: bool = True, promised: int | None = 5 * SECOND_US) -> Rhythm:
    """A topic whose frames came at these times."""
    made = Rhythm(promised, is_defined=defined)
    made.times.extend(times)
    return made


def test_a_promised_gap_counts_until_ten_of_its_own_are_known():
    """With nine gaps of 20 s the promise of 5 s counts, with ten the own median does."""
    slow = [20 * SECOND_US * number for number in range(11)]
    assert rhythm(*slow[:10]).gap() == 5 * SECOND_US
    assert rhythm(*slow).gap() == 20 * SECOND_US


def test_the_longer_of_promise_and_median_counts():
    """A message that comes more often than it promises is held to its promise only."""
    assert rhythm(*range(0, 11 * SECOND_US, SECOND_US)).gap() == 5 * SECOND_US


def test_the_latest_gaps_count():
    """Thirty-two of them: of 17 gaps of 20 s and then 16 of 6 s the first is forgotten, and the median is between."""
    times = [0]
    for gap in [20] * 17 + [6] * 16:
        times.append(times[-1] + gap * SECOND_US)
    assert rhythm(*times).gap() == 13 * SECOND_US


def test_a_message_that_promises_nothing_has_no_gap_however_regular_it_is():
    """Commands and answers are sent when they are needed."""
    assert rhythm(*range(0, 30 * SECOND_US, SECOND_US), promised=None).gap() is None
    assert rhythm(*range(0, 30 * SECOND_US, SECOND_US), promised=None).missed_from(0) is None


def test_an_undefined_message_is_known_by_the_gap_that_nine_in_ten_keep():
    """Pairs 1 ms apart, every 3 s: the gap is 3 s and not the median of the two; below ten gaps nothing is known."""
    pairs = [start + step for start in range(0, 33 * SECOND_US, 3 * SECOND_US) for step in (0, 1000)]
    assert rhythm(*pairs, defined=False, promised=None).gap() == 3 * SECOND_US - 1000
    assert rhythm(*pairs[:10], defined=False, promised=None).gap() is None


def test_what_can_be_expected_at_all():
    """What promises a gap, or has kept one for a minute in every gap that is remembered; not what is sent as needed."""
    minute = [SECOND_US * number for number in range(62)]
    assert rhythm(0).is_periodic
    assert not rhythm(*minute, promised=None).is_periodic
    undefined = rhythm(*minute, defined=False, promised=None)
    assert not undefined.is_periodic  # nobody knows since when
    undefined.first_at = 0
    assert undefined.is_periodic
    assert (undefined.min_limit, undefined.limit()) == (2 * SECOND_US, 3 * SECOND_US)
    undefined.first_at = 2 * SECOND_US
    assert not undefined.is_periodic
    torn = rhythm(*minute[:50], *(time + 3 * SECOND_US for time in minute[50:]), defined=False, promised=None)
    torn.first_at = 0
    assert not torn.is_periodic  # one gap of four seconds


def test_a_message_is_late_after_three_gaps_and_never_before_two_seconds():
    """Three of 5 s; two seconds for one of 100 ms."""
    assert rhythm(0).limit() == 15 * SECOND_US == rhythm(0).min_limit
    assert rhythm(0, promised=100_000).limit() == 2 * SECOND_US == rhythm(0, promised=100_000).min_limit
    assert rhythm(0, promised=None).min_limit is None


def test_the_age_counts_from_the_return_of_the_device():
    """A restart moves the beginning of the age, not the gaps."""
    one = rhythm(0, 5 * SECOND_US)
    assert one.last == 5 * SECOND_US
    one.restart(60 * SECOND_US)
    assert one.last == 60 * SECOND_US
    one.times.append(61 * SECOND_US)
    assert one.last == 61 * SECOND_US


def test_a_frame_counts_as_missed_half_a_gap_after_it_was_due():
    """Due at 15 s: missed from 17.5 s on, unless that had gone by already."""
    one = rhythm(10 * SECOND_US)
    assert one.missed_from(11 * SECOND_US) == 17_500_000
    assert one.missed_from(17_499_999) == 17_500_000
    assert one.missed_from(17_500_000) is None


@given(st.lists(st.integers(0, 10 * SECOND_US), min_size=20, max_size=400))
def test_the_usual_silence_is_the_median_of_the_latest(steps):
    """Held against the median of Python's statistics module, over the latest 256 silences."""
    heard, now = Silences(), 0
    heard.times.append(now)
    for step in steps:
        now += step
        heard.times.append(now)
    assert heard.median() == int(statistics.median(steps[-256:]))


def test_the_latest_silences_count():
    """Two hundred and fifty-six: of 129 of 3 ms and then 128 of 1 ms the first is forgotten."""
    heard = Silences()
    heard.times.extend([*range(0, 130 * 3000, 3000), *range(388_000, 388_000 + 128_000, 1000)])
    assert len(heard.times) == 257
    assert heard.median() == 2000


def test_the_usual_silence_is_unknown_before_twenty():
    """Nineteen silences tell nothing yet."""
    heard = Silences()
    heard.times.extend(range(20))
    assert heard.median() is None
    heard.times.append(20)
    assert heard.median() == 1


def test_a_silence_is_normal_up_to_ten_times_the_median_and_to_a_second():
    """Whichever is longer."""
    assert normal_silence(3_000) == SECOND_US
    assert normal_silence(500_000) == 5 * SECOND_US


class MovableSubjects:
    """Subjects whose deadlines can be moved; what expires is kept."""

    def __init__(self):
        self.due: dict[str, int | None] = {}
        self.expired: list[tuple[str, int, int]] = []
        self.deadlines = Deadlines()

    def duty(self, order: int = 0) -> DeadlineKind:
        """One sort of deadline."""
        return DeadlineKind(
            order,
            lambda name, passed: self.due[name],
            lambda name, time, since: self.expired.append((name, time, since)),
        )


def test_a_deadline_expires_for_the_first_moment_after_it():
    """At the deadline itself it has not passed."""
    one = MovableSubjects()
    one.due["a"] = 100
    one.deadlines.schedule(100, one.duty(), 0, "a")
    assert one.deadlines.due_before(100) is None
    assert one.deadlines.due_before(101) == 100
    one.deadlines.expire_first(105, 100)
    assert one.expired == [("a", 105, 100)]
    assert one.deadlines.earliest is None


def test_a_deadline_that_moved_on_waits_for_its_new_moment():
    """The old moment passes unnoticed, and so does one whose subject has no deadline any more."""
    one, duty = MovableSubjects(), MovableSubjects().duty()
    duty = one.duty()
    one.due.update(a=300, b=None)
    one.deadlines.schedule(100, duty, 0, "a")
    one.deadlines.schedule(100, duty, 1, "b")
    assert one.deadlines.due_before(250) is None
    assert one.deadlines.earliest == 300
    assert one.deadlines.has(duty, 0)
    assert not one.deadlines.has(duty, 1)


def test_each_duty_has_one_deadline_for_a_subject():
    """A second one is not planned while the first stands; another duty has its own, and after expiry it is free."""
    one = MovableSubjects()
    early, late = one.duty(0), one.duty(1)
    one.due["a"] = 50
    one.deadlines.schedule(50, early, 7, "a")
    one.deadlines.schedule(50, early, 7, "a")
    one.deadlines.schedule(50, late, 7, "a")
    for _ in range(2):
        assert one.deadlines.due_before(51) == 50
        one.deadlines.expire_first(51, 50)
    assert one.deadlines.due_before(51) is None
    one.deadlines.schedule(60, early, 7, "a")
    assert one.deadlines.earliest == 60


def test_deadlines_of_one_moment_go_by_duty_and_then_by_number():
    """The order does not depend on the order of planning."""
    one = MovableSubjects()
    for name, order, number in [("d", 1, 0), ("c", 0, 9), ("b", 0, 3), ("a", 0, 1)]:
        one.due[name] = 10
        one.deadlines.schedule(10, one.duty(order), number, name)
    while one.deadlines.due_before(11) is not None:
        one.deadlines.expire_first(11, 10)
    assert [name for name, _, _ in one.expired] == ["a", "b", "c", "d"]
