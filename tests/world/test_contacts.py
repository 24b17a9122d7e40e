"""Contacts that people press: bounce, hold, age and stick, on a clock of their own."""

import heapq
import math
from functools import partial
from itertools import count, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.contact_plans import ContactPlan
from rvsim.rig.ladder import Ladder
from rvsim.world.contacts import MAX_BOUNCE_RATIO, MAX_BOUNCES, Contacts

LADDER = Ladder(1000, {"galley": 470.0, "bed": 1500.0})


class Clock:
    """Contacts of one vehicle, and each change of an input as (microseconds, input, ohms)."""

    def __init__(self, *plans: ContactPlan, seed: int = 1):
        self.now, self._planned, self._number = 0, [], count()
        self.changes: list[tuple[int, str, float]] = []
        self.contacts = Contacts({plan.name: plan for plan in plans}, seed, self._after, self._note)

    def _after(self, delay, call):
        assert delay > 0
        heapq.heappush(self._planned, (self.now + delay, next(self._number), call))

    def _note(self, device, name):
        assert device == "module"
        self.changes.append((self.now, name, self.contacts.input_ohm(name)))

    def until(self, time: int) -> "Clock":
        """Let time go on to a moment in microseconds."""
        while self._planned and self._planned[0][0] <= time:
            self.now, _, call = heapq.heappop(self._planned)
            call()
        self.now = time
        return self

    def edges(self, since: int = 0) -> list[bool]:
        """Return whether the input was closed after each change."""
        return [math.isfinite(ohm) for time, _, ohm in self.changes if time >= since]


def switch(name="door", **given) -> ContactPlan:
    """Return a switch on an input of its own."""
    return ContactPlan(name, name, "module", **given)


def rung(name: str, **given) -> ContactPlan:
    """Return a switch of the ladder."""
    return ContactPlan(f"ladder.{name}", "ladder", "module", name, ladder=LADDER, **given)


@pytest.mark.parametrize("seed", range(5))
def test_a_contact_bounces_and_rests(seed):
    """Closed at once, open and closed again a few times within its bounce, and at rest closed; the same to release."""
    clock = Clock(switch(bounce_us=1600), seed=seed)
    clock.contacts.press("door")
    clock.until(50_000)
    edges = clock.edges()
    assert edges == [place % 2 == 0 for place in range(len(edges))]
    assert edges[-1]
    assert 3 <= len(edges) <= 2 * MAX_BOUNCES + 1
    assert clock.changes[-1][0] <= 2 + MAX_BOUNCE_RATIO * 1600
    clock.contacts.release("door")
    clock.until(100_000)
    released = clock.edges(50_000)
    assert not released[0]
    assert not released[-1]


def test_bounces_of_one_seed_are_the_same():
    """And those of another are not, nor those of the next press."""
    times = []
    for seed in (1, 1, 2):
        clock = Clock(switch(), seed=seed)
        clock.contacts.press("door", 20_000)
        clock.until(100_000).contacts.press("door", 20_000)
        times.append([time for time, *_ in clock.until(200_000).changes])
    assert times[0] == times[1] != times[2]
    first, second = ([time % 100_000 for time in times[0] if time // 100_000 == part] for part in (0, 1))
    assert first != second


def test_the_mean_bounce():
    """Over 300 presses it is near the mean that is planned, and few last longer than 6.2 ms."""
    lasts = []
    for seed in range(300):
        clock = Clock(switch(), seed=seed)
        clock.contacts.press("door")
        lasts.append(clock.until(100_000).changes[-1][0])
    assert sum(lasts) / len(lasts) == pytest.approx(1600, rel=0.15)
    assert sum(time > 6200 for time in lasts) < 15


def test_a_contact_without_bounce():
    """One change each."""
    clock = Clock(switch(bounce_us=0))
    clock.contacts.press("door", 100_000)
    assert [time for time, *_ in clock.until(1_000_000).changes] == [0, 100_000]


def test_a_press_that_is_pressed_again_is_held():
    """The second press counts for the release; a release in between is a release."""
    clock = Clock(switch(bounce_us=0))
    clock.contacts.press("door", 100_000)
    clock.until(50_000).contacts.press("door", 200_000)
    assert clock.until(150_000).contacts.is_pressed("door")
    assert not clock.until(260_000).contacts.is_pressed("door")
    assert clock.edges() == [True, False]


@pytest.mark.parametrize("seed", range(10))
def test_bounces_end_where_the_contact_is_moved_again(seed):
    """Released in the middle of its bounces it rests open, whatever was still to come."""
    clock = Clock(switch(bounce_us=100_000), seed=seed)
    for _ in range(5):
        clock.contacts.press("door")
        clock.until(clock.now + 1000).contacts.release("door")
        clock.until(clock.now + 2_000_000)
        assert not clock.edges()[-1]
        assert math.isinf(clock.contacts.input_ohm("door"))


def test_it_rests_closed_however_short_it_bounces():
    """Also where several of its bounces fall into one microsecond."""
    for seed in range(100):
        clock = Clock(switch(bounce_us=3), seed=seed)
        clock.contacts.press("door")
        assert clock.until(1000).edges()[-1]


def test_resistance_of_an_input():
    """A closed contact has its own; a ladder that of its rungs, several of them together; open is infinite."""
    clock = Clock(switch(bounce_us=0), rung("galley", bounce_us=0), rung("bed", bounce_us=0))
    contacts = clock.contacts
    assert math.isinf(contacts.input_ohm("door"))
    assert math.isinf(contacts.input_ohm("ladder"))
    contacts.set("door", on=True)
    assert contacts.input_ohm("door") == pytest.approx(0.1)
    contacts.press("ladder.bed")
    assert contacts.input_ohm("ladder") == pytest.approx(1500.1)
    contacts.press("ladder.galley")
    assert contacts.input_ohm("ladder") == pytest.approx(1 / (1 / 1500.1 + 1 / 470.1))


def test_age_adds_to_the_resistance():
    """Of one contact or of all on an input, in the name of each owner; what is closed is told of it at once."""
    clock = Clock(rung("galley", bounce_us=0), rung("bed", bounce_us=0))
    contacts = clock.contacts
    contacts.age("fault 1", "ladder", 50.0)
    assert clock.changes == []
    contacts.press("ladder.galley")
    assert contacts.input_ohm("ladder") == pytest.approx(520.1)
    contacts.age("fault 2", "ladder.galley", 25.0)
    assert clock.changes[-1][2] == pytest.approx(545.1)
    contacts.age("fault 1", "ladder", 0.0)
    assert clock.changes[-1][2] == pytest.approx(495.1)
    contacts.age("fault 2", "ladder.galley", 0.0)
    assert clock.changes[-1][2] == pytest.approx(470.1)


def test_a_key_that_sticks():
    """What is pressed stays so: from the next press on, or at once where it is pressed; then it follows the finger."""
    clock = Clock(switch(bounce_us=0))
    contacts = clock.contacts
    contacts.stick("fault 1", "door")
    contacts.stick("fault 2", "door")
    assert clock.edges() == []
    contacts.press("door", 100_000)
    assert clock.until(1_000_000).edges() == [True]
    assert not contacts.is_pressed("door")
    contacts.press("door", 100_000)
    assert clock.until(2_000_000).edges() == [True]
    contacts.unstick("fault 1", "door")
    assert clock.edges() == [True]
    contacts.unstick("fault 2", "door")
    assert clock.edges() == [True, False]


def test_what_is_not_there():
    """A name that is none is an error, also of an input; without a device nobody is told."""
    contacts = Contacts({"door": switch()._replace(device=None)}, on_change=lambda *_: pytest.fail("nobody reads it"))
    contacts.press("door", 1000)
    assert contacts.is_pressed("door"), "without a clock it is not released"
    for use in (
        contacts.press,
        contacts.release,
        contacts.is_pressed,
        contacts.input_ohm,
        partial(contacts.stick, "fault"),
    ):
        with pytest.raises(KeyError):
            use("window")
    with pytest.raises(KeyError):
        contacts.age("fault", "window", 1.0)


@given(
    st.integers(0, 10_000),
    st.lists(st.tuples(st.integers(1, 20_000), st.booleans()), max_size=12),
    st.integers(0, 5000),
)
def test_at_rest_it_is_as_it_is_pressed(seed, moves, bounce_us):
    """However fast it is pressed and released, and however long it bounces."""
    clock = Clock(switch(bounce_us=bounce_us), seed=seed)
    pressed = False
    for wait, pressed in moves:
        clock.until(clock.now + wait).contacts.set("door", on=pressed)
    clock.until(clock.now + 100_000)
    assert math.isfinite(clock.contacts.input_ohm("door")) == pressed
    edges = clock.edges()
    assert all(a != b for a, b in pairwise(edges))
