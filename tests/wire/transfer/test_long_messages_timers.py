"""Which losses the timers of long messages recover from, with two nodes of rvsim on one bus.

SAE J1939-21 (timers as can-j1939 2.0.12 j1939_21.py has them): T2, after which a receiver asks again, is as long as T3,
after which a sender gives up, and it begins later. A clear to send that is lost after a turn is lost for good.
"""

import pytest

from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, LongMessageSent, ProblemKind, TransferProblem

ONE, OTHER = 0x90, 0x9B
TEXT = bytes(range(1, 101))
"""15 packets."""
ON_THE_WIRES_US = 550
"""A frame of eight bytes takes so long at 250 kbit/s, some bits stuffed (131 to 160 bits)."""


class Two:
    """A sender and a receiver, who hear each other's frames one after the other; ``lose`` picks what is lost."""

    def __init__(self, lose, window=5):
        self.nodes = {ONE: LongMessages(ONE), OTHER: LongMessages(OTHER, window=window)}
        self.lose = lose
        self.frames, self.events = [], {ONE: [], OTHER: []}
        self.time, self.waiting = 0, []

    def put(self, address, outcome):
        """Queue what a node sends behind what is on its way."""
        self.events[address] += outcome.events
        for frame in outcome.frames:
            begun = max(self.time, self.waiting[-1][0] if self.waiting else 0)
            self.waiting.append((begun + ON_THE_WIRES_US, address, frame))

    def run(self):
        """Go on until nothing is on its way and nothing is due."""
        self.put(ONE, self.nodes[ONE].send(0, 0xDF00, TEXT, OTHER))
        while True:
            dues = [(due, address) for address, node in self.nodes.items() if (due := node.due()) is not None]
            if self.waiting and (not dues or self.waiting[0][0] <= min(dues)[0]):
                self.time, address, (identifier, data) = self.waiting.pop(0)
                text = f"{identifier:08X} {data.hex(' ').upper()}"
                lost = self.lose(text, self.frames)
                self.frames.append((self.time, text, lost))
                other = OTHER if address == ONE else ONE
                if not lost:
                    self.put(other, self.nodes[other].receive(self.time, identifier, data))
            elif dues:
                self.time, address = min(dues)
                self.put(address, self.nodes[address].expire(self.time))
            else:
                return self

    def kinds(self, address):
        """What went wrong for a node."""
        return [event.kind for event in self.events[address] if isinstance(event, TransferProblem)]


def first(begin):
    """Lose the first frame that begins like this."""
    return lambda text, before: text.startswith(begin) and not any(old.startswith(begin) for _, old, _ in before)


def test_with_nothing_lost_it_arrives():
    """Three turns of five packets."""
    two = Two(lambda text, before: False).run()
    assert [event.data for event in two.events[OTHER]] == [TEXT]
    assert isinstance(two.events[ONE][-1], LongMessageSent)


def test_a_lost_first_clear_to_send_is_made_good():
    """The sender was never answered: after T3 it asks again, the receiver clears again, and the message arrives."""
    two = Two(first("1CEC909B 11 05 01")).run()
    assert [event.data for event in two.events[OTHER] if isinstance(event, LongMessage)] == [TEXT]
    assert (two.kinds(ONE), two.kinds(OTHER)) == ([ProblemKind.RETRIED], [ProblemKind.RESTARTED])
    requests = [time for time, text, _ in two.frames if text.startswith("1CEC9B90 10")]
    assert requests == [550, 1_250_550]


@pytest.mark.parametrize("number", [6, 11])
def test_a_clear_to_send_that_is_lost_later_ends_the_message(number):
    """The sender aborts T3 after its last packet (reason 3); the receiver, whose T2 is not over, never asks again."""
    lost = f"1CEC909B 11 05 {number:02X}"
    two = Two(first(lost)).run()
    [(cleared, _, _)] = [frame for frame in two.frames if frame[1].startswith(lost)]
    aborts = [(time, text[:11]) for time, text, _ in two.frames if " FF 03 " in text]
    # The sender has waited since it handed its last packets to the wires, the receiver since the last one arrived.
    assert aborts == [(pytest.approx(cleared + 1_250_000, abs=10_000), "1CEC9B90 FF")]
    assert aborts[0][0] < cleared + 1_250_000
    assert (two.kinds(ONE), two.kinds(OTHER)) == ([ProblemKind.TIMEOUT], [ProblemKind.ABORTED])
    assert not any(isinstance(event, LongMessage) for event in two.events[OTHER])


def test_a_lost_acknowledgement_ends_it_for_the_sender_alone():
    """The receiver has the whole message and is done; the sender aborts after T3, and that is a stray to the other."""
    two = Two(first("1CEC909B 13")).run()
    assert (two.kinds(ONE), two.kinds(OTHER)) == ([ProblemKind.TIMEOUT], [ProblemKind.UNEXPECTED])
    assert [event.data for event in two.events[OTHER] if isinstance(event, LongMessage)] == [TEXT]


def test_a_lost_packet_is_made_good():
    """T1 is shorter than T3: what is lost within a turn is asked for in time."""
    two = Two(first("1CEB9B90 05")).run()
    assert [event.data for event in two.events[OTHER] if isinstance(event, LongMessage)] == [TEXT]
    assert (two.kinds(ONE), two.kinds(OTHER)) == ([ProblemKind.RETRIED], [ProblemKind.RETRIED])
