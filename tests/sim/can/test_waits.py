"""How long frames wait on the simulated pair: told where it is long, and never longer than the analysis allows."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.sim.can.wire_faults import Babble, Noise
from rvsim.wire.line_events import Waited
from rvsim.wire.response import PeriodicMessage, worst_responses
from rvsim.wire.timing import most_bits

MOST, BIT = 160 * 4, 4
"""Microseconds of the longest frame (160 bits with those between frames) and of a bit at 250 kbit/s."""


def test_who_waits_for_more_than_a_frame_is_told(pair):
    """Three ready at once: the second waits for one frame, the third for two; only that is longer than any frame."""
    wires = pair("a", "b", "c")
    for identifier, sender in ((0x100, "a"), (0x200, "b"), (0x300, "c")):
        wires.send(1000, identifier, bytes(8), sender)
    ends = [time for time, _, _ in wires.run()]
    assert wires.told(Waited) == [Waited(ends[2], "c", 0x300, 1000)]


def test_no_wait_no_word(pair):
    """Two ready at once, and others with room between them: nobody waits for more than one frame."""
    wires = pair("a", "b")
    for time in range(0, 100_000, 5000):
        wires.send(time, 0x100, bytes(8), "a")
        wires.send(time, 0x200, bytes(8), "b")
    wires.run()
    assert wires.told(Waited) == []


def test_a_frame_that_is_sent_again_has_waited_since_its_first_try(pair):
    """Errors on the wires lengthen the wait: ready at 0, through only after some failed tries."""
    wires = pair("a", "b", seed=2)
    wires.line.troubles.begin(Noise(0.03))
    wires.send(0, 0x100, bytes(8), "a")
    ((time, _, _),) = wires.run()
    assert time > 3 * MOST
    assert wires.told(Waited) == [Waited(time, "a", 0x100, 0)]


_SENDERS = st.lists(
    st.tuples(
        st.integers(0, 0x1FFFFFFF),  # identifier
        st.integers(1500, 20_000),  # gap
        st.integers(0, 20_000),  # first time
        st.integers(0, 1000),  # jitter
        st.binary(min_size=8, max_size=8),
    ),
    min_size=2,
    max_size=7,
    unique_by=lambda sender: sender[0],
)


def responses(pair, senders, random, trouble=None):
    """Run senders of one message each; return each one's longest time from being due to its end, and the promise."""
    wires, due, longest = pair(), {}, [0] * len(senders)
    if trouble is not None:
        wires.line.troubles.begin(trouble)
    for number, (identifier, gap, first, jitter, data) in enumerate(senders):
        wires.line.join(number)
        due[identifier] = []
        for time in range(first, 200_000, gap):
            due[identifier].append(time)
            wires.send(time + random.randint(0, jitter), identifier, data, number)
    for time, identifier, sender in wires.run(400_000):
        if identifier in due:
            longest[sender] = max(longest[sender], time - due[identifier].pop(0))
    streams = [PeriodicMessage(identifier, most_bits(8), gap, jitter) for identifier, gap, _, jitter, _ in senders]
    return longest, worst_responses(streams)


@given(_SENDERS, st.randoms(use_true_random=False))
def test_no_response_exceeds_the_analysis(pair_class, senders, random):
    """As long as its assumptions hold: gaps kept, jitter bounded, no errors, every node most urgent first.

    A frame is handed over before its stuff bits have gone by: at most 29 bits (Davis and others, 2007) are missing.
    """
    longest, promised = responses(pair_class, senders, random)
    for found, worst in zip(longest, promised, strict=True):
        assert worst is None or found <= worst


SHARP = [(number, 20_000, 0, 0, bytes(8)) for number in range(1, 6)]
"""Five that are all ready at once, of known order."""


class Never:
    """No jitter."""

    @staticmethod
    def randint(low, _high):
        """Return the earliest."""
        return low


def test_the_analysis_is_not_far_above_what_happens(pair):
    """Five at once: the last one waits for the four before it, which is all that the analysis adds up."""
    longest, promised = responses(pair, SHARP, Never)
    stuffed = [(worst - found) / MOST for found, worst in zip(longest, promised, strict=True)]
    assert longest == sorted(longest)
    assert 0 < stuffed[4] < 5 * 29 / 160
    assert longest[4] > 4 * 131 * BIT


@pytest.mark.parametrize(
    "trouble",
    [Noise(0.004), Babble("stranger", 0, bytes(8), gap_us=700)],
    ids=["errors", "a node that the plan does not have"],
)
def test_a_broken_assumption_breaks_the_promise(pair, trouble):
    """With errors, or with somebody who is not planned, a message is later than its computed worst case."""
    longest, promised = responses(pair, SHARP, Never, trouble)
    assert any(found > worst for found, worst in zip(longest, promised, strict=True))


def test_a_sender_that_does_not_keep_its_gap_breaks_the_promise(pair):
    """The plan has one frame in 20 ms, and the node sends one each 0.7 ms."""
    wires = pair("a", "b")
    for time in range(0, 60_000, 500):
        wires.send(time, 0x100, bytes(8), "a")
    wires.send(30_000, 0x200, bytes(8), "b")
    wires.run()
    promised = worst_responses(
        [PeriodicMessage(0x100, most_bits(8), 20_000), PeriodicMessage(0x200, most_bits(8), 20_000)]
    )
    waits = [event for event in wires.told(Waited) if event.node == "b"]
    assert waits[0].time - waits[0].since > promised[1]
