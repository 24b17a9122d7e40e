"""A controller's two error counters and what they make of it."""

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from rvsim.sim.can.controller import Controller
from rvsim.wire.line_events import ErrorState


def node(transmit=0, receive=0):
    """Return a node with these counters."""
    made = Controller("key", "a")
    made.transmit_errors, made.receive_errors = transmit, receive
    return made


@pytest.mark.parametrize(
    ("transmit", "receive", "state"),
    [
        (0, 0, ErrorState.ACTIVE),
        (127, 127, ErrorState.ACTIVE),
        (128, 0, ErrorState.PASSIVE),
        (0, 128, ErrorState.PASSIVE),
        (255, 300, ErrorState.PASSIVE),
        (256, 0, ErrorState.BUS_OFF),
    ],
)
def test_the_limits(transmit, receive, state):
    """Above 127 error passive, above 255 of the transmit counter alone bus-off (ISO 11898-1, CAN 2.0 part B, 8)."""
    assert node(transmit, receive).state is state


def test_steps():
    """8 up for its own failed frame, 1 for another's; 1 down for a good one, never below 0."""
    one = node()
    one.count_failed_transmission()
    one.count_failed_reception()
    one.count_failed_reception()
    assert (one.transmit_errors, one.receive_errors) == (8, 2)
    one.count_transmission()
    one.count_reception()
    assert (one.transmit_errors, one.receive_errors, one.has_errors) == (7, 1, True)
    for _ in range(9):
        one.count_transmission()
        one.count_reception()
    assert (one.transmit_errors, one.receive_errors, one.has_errors) == (0, 0, False)


def test_one_counter_is_enough_to_have_errors():
    """Either counter above 0 is remembered."""
    assert node(1, 0).has_errors
    assert node(0, 1).has_errors


def test_a_good_frame_brings_a_passive_receiver_back():
    """From above 127 the receive counter falls to 127 at the first good frame (119 to 127 are allowed)."""
    one = node(receive=140)
    one.count_reception()
    assert one.receive_errors == 127


def test_without_acknowledgement_it_rises_to_128_and_stays():
    """A microcontroller maker's application note, SLAAET4 (2025): to 128, error passive, never bus-off."""
    one = node()
    for _ in range(1000):
        one.count_unacknowledged()
    assert (one.transmit_errors, one.state) == (128, ErrorState.PASSIVE)


def test_other_errors_go_on_to_bus_off():
    """32 failed frames are 256."""
    one = node()
    states = [(one.count_failed_transmission(), one.state)[1] for _ in range(32)]
    assert states == [ErrorState.ACTIVE] * 15 + [ErrorState.PASSIVE] * 16 + [ErrorState.BUS_OFF]
    one.is_unacknowledged = True
    one.recover()
    assert (one.transmit_errors, one.receive_errors, one.state) == (0, 0, ErrorState.ACTIVE)
    assert not one.is_unacknowledged


def test_what_went_through_ends_being_alone():
    """Somebody acknowledged it; what others send says nothing of that."""
    one = node(128)
    one.is_unacknowledged = True
    one.count_reception()
    assert one.is_unacknowledged
    one.count_transmission()
    assert not one.is_unacknowledged


def test_who_takes_part():
    """A node that is bus-off or whose wires are swapped hears and acknowledges nothing."""
    assert node(128).takes_part
    assert not node(256).takes_part
    crossed = node()
    crossed.is_reversed = True
    assert not crossed.takes_part


def test_frames_come_out_by_identifier_and_then_in_their_order():
    """The most urgent first."""
    one = node()
    for ready in ((5, 1, 0, b"z"), (3, 3, 0, b"a"), (3, 2, 0, b"b")):
        one.hold(ready)
    assert one.most_urgent == (3, 2, 0, b"b")
    assert sorted(one.waiting) == [(3, 2, 0, b"b"), (3, 3, 0, b"a"), (5, 1, 0, b"z")]
    assert [one.take() for _ in range(3)] == [(3, 2, 0, b"b"), (3, 3, 0, b"a"), (5, 1, 0, b"z")]
    assert one.most_urgent is None


def test_it_has_room_for_64_frames():
    """Full at 64, empty when all are given up."""
    one = node()
    for number in range(63):
        one.hold((1, number, 0, b""))
    assert not one.is_full
    one.hold((1, 63, 0, b""))
    assert one.is_full
    one.clear()
    assert one.most_urgent is None


CHANGES = [
    "count_failed_transmission", "count_unacknowledged", "count_failed_reception", "count_transmission",
    "count_reception",
]  # fmt: skip


class Counters(RuleBasedStateMachine):
    """Any history leaves the counters where fault confinement can have them."""

    def __init__(self):
        super().__init__()
        self.node = node()

    @rule(change=st.sampled_from(CHANGES))
    def change(self, change):
        """Whatever happens on the pair while it takes part."""
        if self.node.state is not ErrorState.BUS_OFF:
            getattr(self.node, change)()

    @invariant()
    def bounds(self):
        """Not below 0; one step behind the limit at most."""
        assert 0 <= self.node.transmit_errors <= 255 + 8
        assert self.node.receive_errors >= 0


TestCounters = Counters.TestCase
