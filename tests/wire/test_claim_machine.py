"""rvsim.wire.claim: several nodes on one bus, with starts, requests and delays in any order; no frame is lost."""

import random
from collections import deque

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from rvsim.wire.claim import Claimer, ClaimState
from rvsim.wire.name import Name

CHOICES = range(128, 131)
MAY_CHOOSE = 1 << 63


class Claims(RuleBasedStateMachine):
    """Each node hears the frames of the bus in their order, as late as it likes."""

    @initialize(
        numbers=st.lists(st.integers(0, (1 << 64) - 1), min_size=2, max_size=6, unique=True),
        wanted=st.lists(st.sampled_from([94, 95, 128, 130]), min_size=6, max_size=6),
        early=st.booleans(),
        step=st.sampled_from([-1, 1]),
    )
    def put_nodes_on_the_bus(self, numbers, wanted, early, step):
        """Draw NAMEs and the addresses they prefer."""
        self.time = 0
        self.numbers, self.wanted = numbers, wanted
        draw = random.Random(1).randrange
        self.nodes = [
            Claimer(
                Name.from_bytes(number.to_bytes(8, "little")), address, draw, choices=CHOICES, early=early, step=step
            )
            for number, address in zip(numbers, wanted, strict=False)
        ]
        self.inboxes = [deque() for _ in self.nodes]
        self.commanded = False

    def put(self, index, frames):
        """Let all others hear frames of a node, and look at what it says."""
        node = self.nodes[index]
        for identifier, data in frames:
            assert identifier & 0x1FFFFF00 == 0x18EEFF00  # a claim to all, and nothing else
            assert data == self.numbers[index].to_bytes(8, "little")
            assert identifier & 0xFF == (254 if node.state is ClaimState.CANNOT_CLAIM else node.claimed)
            for other, inbox in enumerate(self.inboxes):
                if other != index:
                    inbox.append((identifier, data))

    def deliver(self, index):
        """Let a node hear the next frame that is on its way to it."""
        if self.inboxes[index]:
            self.put(index, self.nodes[index].receive(self.time, *self.inboxes[index].popleft()))

    def pass_time(self, microseconds):
        """Let time pass; what is due happens on the way."""
        self.time += microseconds
        for index, node in enumerate(self.nodes):
            self.put(index, node.expire(self.time))

    @rule(pick=st.integers(0, 5))
    def start_one(self, pick):
        """Switch a node on."""
        index = pick % len(self.nodes)
        if self.nodes[index].state is ClaimState.SILENT:
            self.put(index, self.nodes[index].start(self.time))

    @rule(pick=st.integers(0, 5), count=st.integers(1, 3))
    def hear_some(self, pick, count):
        """Let one node catch up a little."""
        for _ in range(count):
            self.deliver(pick % len(self.nodes))

    @rule(microseconds=st.sampled_from([1, 600, 100_000, 250_000]))
    def wait(self, microseconds):
        """Let time pass."""
        self.pass_time(microseconds)

    @rule(destination=st.sampled_from([94, 128, 129, 255]))
    def ask(self, destination):
        """Ask for the claims, from an address that no node here has."""
        for inbox in self.inboxes:
            inbox.append((0x18EA00F9 | destination << 8, bytes.fromhex("00 EE 00")))

    @rule(pick=st.integers(0, 5), address=st.sampled_from([94, 95, 128, 130, 254, 255]))
    def command(self, pick, address):
        """Tell a node to claim another address."""
        index = pick % len(self.nodes)
        self.commanded = True
        self.put(index, self.nodes[index].command(self.time, address))

    @invariant()
    def nobody_speaks_without_an_address(self):
        """A node may speak from an address only when it holds it, and has one address at most."""
        for node in getattr(self, "nodes", []):
            assert (node.address is not None) == (node.state is ClaimState.HOLDING)
            assert node.address in (None, node.claimed)

    def teardown(self):
        """In the end every address has one owner: for static nodes, the lowest NAME that wants it."""
        if not hasattr(self, "nodes"):
            return
        for index in range(len(self.nodes)):
            self.start_one(index)
        for _ in range(200):
            for index in range(len(self.nodes)):
                while self.inboxes[index]:
                    self.deliver(index)
            self.pass_time(100_000)
        assert all(node.due() is None for node in self.nodes)
        owners = {}
        for node, number in zip(self.nodes, self.numbers, strict=True):
            if node.address is not None:
                assert owners.setdefault(node.address, number) == number
        for node, number, wanted in zip(self.nodes, self.numbers, self.wanted, strict=False):
            assert node.state in (ClaimState.HOLDING, ClaimState.CANNOT_CLAIM)
            if self.commanded:  # who is where then depends on when it was told
                continue
            rivals = [other for other, want in zip(self.numbers, self.wanted, strict=False) if want == wanted]
            if number < MAY_CHOOSE:
                assert node.address == (wanted if number == min(rivals) else None)
            elif node.address is None:
                assert all(address in owners for address in CHOICES)
            elif number == min(rivals) and wanted not in CHOICES:
                assert node.address == wanted


TestClaims = Claims.TestCase
TestClaims.settings = settings(stateful_step_count=30, deadline=None)
