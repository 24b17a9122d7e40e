"""Long messages among three nodes and a listener on a bus that loses, repeats and swaps frames.

Every message that anybody gives out was sent like that, byte for byte; nothing stays open after its timers; and where
nothing was lost, repeated or swapped, every message arrives.
"""

import random
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.long_messages import LongMessages
from rvsim.wire.transfer.outcomes import LongMessage, LongMessageSent, TransferProblem

ADDRESSES = (1, 2, 3)
STRANGER = 9
FRAME_US = 500  # about what a frame takes at 250 kbit/s
SIZES = [9, 10, 14, 15, 21, 30, 60]
MOST = 6  # as many pairs as three nodes can make


class Transfers(RuleBasedStateMachine):
    """Each frame reaches each ear once, not at all, or twice; frames of one node may swap places."""

    @initialize(window=st.integers(1, 8))
    def build(self, window):
        """Put nodes and a listener on the bus."""
        self.time = 0
        self.nodes = {address: LongMessages(address, window=window, max_sessions=MOST) for address in ADDRESSES}
        self.listener = LongMessageListener(max_sessions=MOST)
        self.queues = {address: [] for address in (*ADDRESSES, STRANGER)}
        self.sent = {}
        self.troubles = []
        self.disturbed = False
        self.number = 0

    def note(self, address, outcome):
        """Queue what a node sends; look at what it received."""
        assert all(identifier & 0xFF == address for identifier, _ in outcome.frames)
        self.queues[address] += outcome.frames
        self.look(address, outcome.events)

    def look(self, ear, events):
        """Whatever is given out was sent just like that, and whatever is said to have arrived was given out."""
        for event in events:
            if isinstance(event, TransferProblem):
                self.troubles.append(event)
            elif isinstance(event, LongMessage) and event.source != STRANGER:
                assert event.started <= event.ended <= self.time
                ears = self.sent[event[:4]]
                ears.append(ear)
            elif isinstance(event, LongMessageSent) and event.destination != 255:
                assert any(event.destination in ears for key, ears in self.sent.items() if key[1:3] == event[1:])

    def transmit(self, address, place, fates):
        """Put one frame of a node on the wires."""
        queue = self.queues[address]
        place = min(place, len(queue) - 1)
        self.disturbed |= place > 0
        identifier, data = queue.pop(place)
        self.time += FRAME_US
        ears = [ear for ear in ADDRESSES if ear != address]
        for ear, times in zip([*ears, "listener"], fates, strict=False):
            self.disturbed |= times != 1
            for _ in range(times):
                if ear == "listener":
                    self.look(ear, self.listener.receive(self.time, identifier, data))
                else:
                    self.note(ear, self.nodes[ear].receive(self.time, identifier, data))  # type: ignore[index]

    fates = st.lists(st.sampled_from([1, 1, 1, 1, 0, 2]), min_size=4, max_size=4)
    most_fates = st.one_of(st.just([1, 1, 1, 1]), fates)

    @rule(
        source=st.sampled_from(ADDRESSES),
        destination=st.sampled_from([1, 2, 3, 255]),
        dgn=st.sampled_from([0xDF00, 0x1FEB0]),
        size=st.sampled_from(SIZES),
    )
    def send(self, source, destination, dgn, size):
        """Send a message whose bytes no other has."""
        if source == destination:
            return
        self.number += 1
        data = random.Random(self.number).randbytes(size)
        outcome = self.nodes[source].send(self.time, dgn, data, destination)
        if not outcome.events:  # no event: there was room for it
            self.sent[source, destination, dgn, data] = []
        self.note(source, outcome._replace(events=[]))

    @rule(pick=st.integers(0, 3), place=st.sampled_from([0, 0, 0, 1, 2]), fates=most_fates)
    def transmit_one(self, pick, place, fates):
        """Let one of the nodes that have something to send have its turn."""
        waiting = [address for address, queue in self.queues.items() if queue]
        if waiting:
            self.transmit(waiting[pick % len(waiting)], place, fates)

    @rule(data=st.data(), count=st.integers(1, 40))
    def transmit_many(self, data, count):
        """Let many frames pass, in the order of the identifiers, with few disturbances."""
        bad = data.draw(st.dictionaries(st.integers(0, count - 1), self.fates, max_size=2))
        for turn in range(count):
            waiting = [address for address, queue in self.queues.items() if queue]
            if not waiting:
                return
            self.transmit(min(waiting, key=lambda one: self.queues[one][0]), 0, bad.get(turn, [1, 1, 1, 1]))

    def flush(self):
        """Let everything that waits pass undisturbed: no frame waits long on a real bus."""
        for _ in range(2000):
            waiting = [address for address, queue in self.queues.items() if queue]
            if not waiting:
                return
            self.transmit(waiting[0], 0, [1, 1, 1, 1])
        raise AssertionError("the bus does not come to rest")

    @rule(lose=st.sampled_from([False, False, True]), steps=st.integers(1, 3))
    def wait_until_due(self, lose, steps):
        """Let time pass to what is due next; sometimes all that waited is lost before."""
        for _ in range(steps):
            if lose:
                self.disturbed |= any(self.queues.values())
                for queue in self.queues.values():
                    queue.clear()
            self.flush()
            ears: list[Any] = [*self.nodes.values(), self.listener]
            due = min((moment for ear in ears if (moment := ear.due()) is not None), default=self.time)
            self.expire(max(self.time, due))

    @rule(microseconds=st.sampled_from([10_000, 60_000, 800_000, 1_300_000]))
    def wait(self, microseconds):
        """Let time pass, and be late with what was due in it."""
        self.flush()
        self.disturbed |= microseconds > 60_000
        self.expire(self.time + microseconds)

    def expire(self, time):
        """Let everybody do what is due."""
        self.time = time
        for address, node in self.nodes.items():
            self.note(address, node.expire(time))
        self.look("listener", self.listener.expire(time))

    @rule(address=st.sampled_from(ADDRESSES), busy=st.booleans())
    def hold(self, address, busy):
        """Let a node be busy or ready."""
        if busy:
            self.disturbed = True  # for longer than 3.75 s nobody waits
            self.nodes[address].hold()
        else:
            self.note(address, self.nodes[address].resume(self.time))

    @rule(
        control=st.sampled_from([0xEC, 0xEB]),
        destination=st.sampled_from([1, 2, 255]),
        head=st.sampled_from([1, 2, 3, 16, 17, 19, 32, 255]),
        rest=st.one_of(
            st.binary(max_size=8),
            st.sampled_from([bytes.fromhex(text) for text in ("09 00 02 FF 00 DF 00", "00 FF FF FF 00 DF 00")]),
        ),
    )
    def babble(self, control, destination, head, rest):
        """Let a stranger send anything."""
        self.disturbed = True
        self.queues[STRANGER].append((0x1C000009 | control << 16 | destination << 8, bytes([head, *rest])[:8]))

    @invariant()
    def little_is_kept(self):
        """The number of sessions is bounded, whatever comes."""
        for node in getattr(self, "nodes", {}).values():
            assert node.open_sessions <= 2 * MOST + 16
        assert not hasattr(self, "listener") or self.listener.open_sessions <= 2 * MOST

    def teardown(self):
        """Everything ends by its timers."""
        if not hasattr(self, "nodes"):
            return
        for address, node in self.nodes.items():
            self.note(address, node.resume(self.time))
        ears: list[Any] = [*self.nodes.values(), self.listener]
        for _ in range(3000):
            self.flush()
            moments = [moment for ear in ears if (moment := ear.due()) is not None]
            if not moments:
                break
            self.expire(max(self.time, min(moments)))
        assert all(ear.due() is None and ear.open_sessions == 0 for ear in ears)
        for (source, destination, _, _), heard in self.sent.items():
            to = [ear for ear in ADDRESSES if ear != source] if destination == 255 else [destination]
            assert set(heard) <= {*to, "listener"}
            if not self.disturbed:
                assert self.troubles == []
                assert sorted(map(str, heard)) == sorted(map(str, [*to, "listener"]))


TestTransfers = Transfers.TestCase
TestTransfers.settings = settings(stateful_step_count=40, deadline=None)
