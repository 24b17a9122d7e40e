"""Whose next frame is awaited, held against going through every message each time."""

from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from rvsim.watch.awaited import AwaitedMessages
from rvsim.watch.traffic import Rhythm, Times
from rvsim.wire.frame import SECOND_US

STEPS = st.lists(
    st.tuples(st.sampled_from(["frame", "return", "silence", "ask"]), st.integers(0, 5), st.integers(0, 20)),
    min_size=1,
    max_size=120,
)


def message(source: int, promised: int | None, defined: bool = True):
    """What is asked of a message: who sends it, whether that is heard, and its rhythm."""
    return SimpleNamespace(
        topic=SimpleNamespace(source=source),
        device=SimpleNamespace(is_heard=True),
        rhythm=Rhythm(promised, is_defined=defined),
    )


class Message(SimpleNamespace):
    """As ``message``, and a key of dictionaries."""

    __hash__ = object.__hash__  # type: ignore[assignment]


def moments_of_all(messages, now: int) -> list[int]:
    """The same by the definition: every message looked at."""
    found = [
        (one.topic.source, one.rhythm.missed_from(now)) for one in messages if one.device.is_heard and one.rhythm.times
    ]
    sources = {source for source, moment in found if moment is not None}
    return sorted(min(moment for who, moment in found if who == source and moment is not None) for source in sources)


@given(STEPS)
def test_the_same_as_looking_at_every_message(steps):
    """Frames, returns, silences and questions in any order: what rests is awaited again as soon as it comes."""
    promises = [
        (1, 2 * SECOND_US, True),
        (1, 5 * SECOND_US, True),
        (2, None, True),
        (2, None, False),
        (3, SECOND_US, True),
    ]
    messages = [Message(**vars(message(*each))) for each in [*promises, (4, None, False)]]
    awaited, now = AwaitedMessages(), 0
    for what, which, wait in steps:
        one, now = messages[which], now + wait * SECOND_US // 4
        if what == "frame":
            if not one.rhythm.times:
                awaited.add(one)
            one.rhythm.times.append(now)
        elif what == "return" and one.rhythm.times:
            one.rhythm.restart(now)
        elif what == "silence":
            one.device.is_heard = not one.device.is_heard
        else:
            assert awaited.missed_moments(now) == moments_of_all(messages, now)
    assert awaited.missed_moments(now) == moments_of_all(messages, now)


def test_what_is_missed_is_not_looked_at_again_until_it_comes():
    """A message that was missed costs nothing more: its rhythm is not asked; with its next frame it is."""
    one = Message(**vars(message(1, SECOND_US)))
    awaited = AwaitedMessages()
    awaited.add(one)  # type: ignore[arg-type]
    one.rhythm.times.append(0)
    assert awaited.missed_moments(0) == [3 * SECOND_US // 2]
    assert awaited.missed_moments(9 * SECOND_US) == []
    asked = []
    missed, one.rhythm = one.rhythm.missed_from, one.rhythm
    one.rhythm = SimpleNamespace(times=one.rhythm.times, missed_from=lambda now: asked.append(now) or missed(now))
    awaited.missed_moments(10 * SECOND_US)
    assert asked == []


@given(st.lists(st.integers(0, 4), max_size=80))
def test_a_gap_that_was_asked_for_before_is_the_same_as_asked_for_once(steps):
    """The gap is worked out anew whenever other times can have given another one."""
    often, now = Rhythm(None, is_defined=False), 0
    for step in steps:
        now += step
        often.times.append(now)
        fresh = Rhythm(None, is_defined=False)
        fresh.replace_times(Times(often.times))
        assert often.gap() == fresh.gap()
