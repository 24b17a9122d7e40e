"""Long messages, one after another between the same nodes, on a bus whose receivers repeatedly miss frames for a while.

This is where packets of one message could end up in another: same sender, same DGN, the end of one and the beginning
of the next unheard.
"""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage

FRAME_US = 500  # about what a frame takes at 250 kbit/s


class Storm:
    """Two nodes and a listener; ``chance`` decides who hears what."""

    def __init__(self, chance, deaf, sharp, repeats, swaps, busy=0.2):
        self.chance, self.deaf, self.sharp, self.repeats, self.swaps = chance, deaf, sharp, repeats, swaps
        self.busy = busy
        self.nodes = {1: LongMessages(1, window=chance.choice([1, 2, 16])), 2: LongMessages(2)}
        self.ears = {**self.nodes, "listener": LongMessageListener()}  # type: ignore[misc]
        self.queues = {1: [], 2: []}
        self.is_deaf = dict.fromkeys(self.ears, False)
        self.time = 0
        self.sent, self.given = set(), []

    def note(self, address, outcome):
        """Queue frames, keep messages."""
        frames, events = outcome if isinstance(outcome, tuple) else ([], outcome)
        if frames:
            self.queues[address] += frames
        self.given += [(address, *event[:4]) for event in events if isinstance(event, LongMessage)]

    def send(self):
        """Send a message that no other is like; often the next of the same size in packets."""
        source = self.chance.choice([1, 1, 2])
        destination = self.chance.choice([3 - source, 3 - source, 255])
        data = self.chance.randbytes(self.chance.choice([9, 13, 14, 16, 20, 20, 28]))
        dgn = self.chance.choice([0xDF00, 0xDF00, 0x1FEB0])
        outcome = self.nodes[source].send(self.time, dgn, data, destination)
        self.sent.add((source, destination, dgn, data))
        self.note(source, outcome)

    def transmit(self):
        """Put a frame on the wires; each ear may be deaf for a while, or hear it twice."""
        address = self.chance.choice([address for address, queue in self.queues.items() if queue])
        queue = self.queues[address]
        place = 1 if len(queue) > 1 and self.chance.random() < self.swaps else 0
        identifier, data = queue.pop(place)
        self.time += FRAME_US
        for name, ear in self.ears.items():
            if self.chance.random() < (self.sharp if self.is_deaf[name] else self.deaf):
                self.is_deaf[name] = not self.is_deaf[name]
            for _ in range(1 + (self.chance.random() < self.repeats)):
                if name != address and not self.is_deaf[name]:
                    self.note(name, ear.receive(self.time, identifier, data))

    def step(self):
        """Let the next thing happen; tell whether there was one."""
        if any(self.queues.values()):
            self.transmit()
            return True
        moments = [moment for ear in self.ears.values() if (moment := ear.due()) is not None]
        if not moments:
            return False
        self.time = max(self.time, min(moments))
        for name, ear in self.ears.items():
            self.note(name, ear.expire(self.time))
        return True

    def hold(self, busy):
        """Let a node be busy or ready."""
        address = self.chance.choice([1, 2])
        if busy:
            self.nodes[address].hold()
        else:
            self.note(address, self.nodes[address].resume(self.time))

    def run(self, messages):
        """Send messages at moments of their own, now and then to busy nodes, until nothing is left to do."""
        for _ in range(messages):
            self.send()
            self.hold(busy=self.chance.random() < self.busy)
            for _ in range(self.chance.randrange(40)):
                self.step()
        for address, node in self.nodes.items():
            self.note(address, node.resume(self.time))
        for _ in range(20_000):
            if not self.step():
                return
        raise AssertionError("it does not come to rest")


@given(
    seed=st.integers(0, 2**32),
    deaf=st.sampled_from([0.05, 0.2, 0.5]),
    sharp=st.sampled_from([0.1, 0.3, 0.7]),
    repeats=st.sampled_from([0, 0.1]),
    swaps=st.sampled_from([0, 0.1]),
)
def test_no_message_is_mixed_from_two(seed, deaf, sharp, repeats, swaps):
    """Whatever goes unheard, is heard twice or out of turn: what is given out was sent, byte for byte, to this ear."""
    storm = Storm(random.Random(seed), deaf, sharp, repeats, swaps)
    storm.run(20)
    for ear, *message in storm.given:
        assert tuple(message) in storm.sent
        assert ear == "listener" or message[1] in (ear, 255)
    assert all(ear.open_sessions == 0 for ear in storm.ears.values())


@pytest.mark.parametrize("seed", range(5))
def test_in_fair_weather_all_arrive(seed):
    """Where every ear hears everything once, every message is given out once to each, and nothing is counted."""
    storm = Storm(random.Random(seed), 0, 0, 0, 0, busy=0)
    storm.run(12)
    expected = [(ear, *message) for message in storm.sent for ear in (3 - message[0], "listener")]
    assert sorted(map(repr, storm.given)) == sorted(map(repr, expected))
    assert [dict(ear.counts) for ear in storm.ears.values()] == [{}] * 3
