"""The simulated pair of wires: one frame at a time, the lowest identifier first, and what goes wrong.

Knows: arbitration, acknowledgement, error frames and the pair's times in bits (CAN Specification 2.0, 1991, part B;
ISO 11898-1 from memory). Each attempt to send is foreseen when it starts and planned as one event of the kernel.

A frame is handed over at its start plus the fewest bits a frame of its length takes: this time gives the start
exactly, and is at most 29 bits before the real end. How long the frame really is, is worked out only where another
waits or comes within those bits: the next one starts at the exact end. Frames that become ready in the microsecond in
which one starts take part in its arbitration.
"""

import sys
from collections.abc import Callable

from rvsim.sim.can.arbitration import Contenders
from rvsim.sim.can.bit_time import Pace
from rvsim.sim.can.bus_off import Recovery
from rvsim.sim.can.controller import Node, Ready
from rvsim.sim.can.transmission import BETWEEN, PAUSE, Attempt, Fault, Split
from rvsim.sim.can.unacknowledged import RESTS, Endless
from rvsim.sim.can.wire_fault_effects import Troubles
from rvsim.sim.can.wire_faults import Hits
from rvsim.sim.kernel import Kernel
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import Collided, ErrorState, LineEvent, Overflowed, StateChanged
from rvsim.wire.timing import BIT_RATE, exact_bits, max_bits, min_bits

Deliver = Callable[[Frame, object], None]
_LENGTHS = range(9)
_NEVER = sys.maxsize
_new = tuple.__new__
"""Makes a frame in half the time."""


class Line:
    """Carries frames between the simulated nodes in the kernel's time, at ``rate`` bits a second.

    ``deliver`` takes each frame that went through and its sender, ``on_line`` what else happens. With ``acknowledges``
    somebody beside the nodes acknowledges every frame, as an adapter that takes part does. ``seed`` is that of the
    errors which wires make.
    """

    def __init__(
        self,
        kernel: Kernel,
        deliver: Deliver,
        *,
        rate: int = BIT_RATE,
        acknowledges: bool = True,
        seed: int = 1,
        on_line: Callable[[LineEvent], None] | None = None,
    ) -> None:
        self.kernel = kernel
        self.pace = Pace(rate)
        self.nodes: dict[object, Node] = {}
        self.deaf: set[object] = set()
        """The senders that hear nothing now: bus-off, or their wires swapped."""
        self._deliver = deliver
        self._on_line = on_line
        self._acknowledges = self._plain = acknowledges
        self._least = [self.pace.us(min_bits(length)) for length in _LENGTHS]
        self._most = [self.pace.us(max_bits(length)) for length in _LENGTHS]
        self._ready = Contenders()
        self._marked: dict[Node, None] = {}  # those whose counters are not both 0
        self.attempt: Attempt | None = None
        """What is under way, but for a frame that began on a pair at rest with nothing else near it."""
        self._alone: Frame | None = None  # began on a pair at rest, and nothing has happened since
        self._alone_sender: object = None
        self._last: Frame | None = None  # what went through, if its end is not worked out
        self._clear = 0  # when the pair is free again; not before, and with _last set perhaps earlier
        self._open = _NEVER  # from when on a frame may begin without a closer look at anything
        self._plan: int | None = None
        self._number = 0
        self._hits = Hits(seed)
        self._recovery = Recovery(self)
        self.endless = Endless(self, self._hits)
        self._at_end = self._end_alone  # bound once, not for each frame
        self.troubles = Troubles(self, self._hits)
        """What is wrong with the wires: begun and ended there."""

    # Who is on the pair, and what they send.

    def join(self, sender: object, name: str = "") -> Node:
        """Put a node onto the pair; from its next frame's start on it acknowledges others'."""
        node = self.nodes[sender] = Node(sender, name or ("outside" if sender is None else str(sender)))
        self.troubles.joined(node)
        self.resume()
        return node

    def leave(self, sender: object) -> None:
        """Take a node off the pair; what it has under way goes through as begun, what waits does not."""
        self.withdraw(sender)
        node = self.nodes.pop(sender, None)
        if node is not None:
            self._marked.pop(node, None)
            self.deaf.discard(sender)

    def withdraw(self, sender: object) -> None:
        """Give up the frames of a node that wait, one that is retried for ever among them."""
        node = self.nodes.get(sender)
        if node is not None:
            self.resume()
            if self.attempt is not None and self.attempt.endless and node in self.attempt.frames:
                self.attempt = None  # it would begin anew in this very microsecond
            node.forget()
            self._ready.pop(node, None)
            if self.attempt is None:
                self._wake()

    def send(self, identifier: int, data: bytes, sender: object) -> None:
        """Take a frame; it is handed over when it has won the pair and had it for its least length."""
        now = self.kernel.now
        if now >= self._open and sender in self.nodes:  # what nearly every frame finds: a pair at rest
            length = len(data)
            end = now + self._least[length]
            self._open = now + self._most[length]
            self._last = self._alone = alone = _new(Frame, (end, identifier, data))
            self._alone_sender = sender
            self.kernel.at(end, self._at_end, alone)
            return
        node = self.nodes.get(sender) or self.join(sender)
        self._see_alone()
        if node.is_full:
            self.tell(Overflowed(now, node.name, identifier))
            return
        node.hold(self._numbered(identifier, now, data))
        if sender in self.deaf:
            self.troubles.crossed.start(node)
            return
        self._ready[node] = None
        if self.attempt is None:
            self._wake()
        elif identifier <= self.attempt.identifier or self.attempt.endless:
            self._join_in(self.attempt, node, identifier)

    def _see_alone(self) -> None:
        """Make an attempt of the frame that began on a pair at rest: something else is about to happen."""
        if self._open != _NEVER:
            self._clear, self._open = self._open, _NEVER
        alone = self._alone
        if alone is not None:
            end, identifier, data = alone
            start = end - self._least[len(data)]
            node = self.nodes[self._alone_sender]
            self.attempt = Attempt(start, {node: self._numbered(identifier, start, data)})
            self.attempt.alone, self._alone = alone, None

    def _numbered(self, identifier: int, since: int, data: bytes) -> Ready:
        self._number += 1
        return (identifier, self._number, since, data)

    def _end_alone(self, alone: Frame) -> None:
        """Hand over a frame that began on a pair at rest."""
        if alone is self._alone:
            self._alone = None
            self._deliver(alone, self._alone_sender)
        elif self.attempt is not None and self.attempt.alone is alone:
            self._end(self.attempt)

    def _join_in(self, attempt: Attempt, node: Node, identifier: int) -> None:
        """Let a new frame into the arbitration that it comes to in time for."""
        if attempt.endless:
            if node not in attempt.frames or identifier < attempt.identifier:
                self.resume()
        elif attempt.start == self.kernel.now and node not in attempt.frames:
            self.attempt = None
            self._put_back(attempt)
            self._begin()

    def _put_back(self, attempt: Attempt) -> None:
        for node, ready in attempt.frames.items():
            self._hold_again(node, ready)

    def _hold_again(self, node: Node, ready: Ready) -> None:
        if self.nodes.get(node.sender) is node:
            node.hold(ready)
            if node.sender not in self.deaf:
                self._ready[node] = None

    # An attempt from its start to its end.

    def _wake(self) -> None:
        """Start the next attempt now, or plan to when the pair is free and somebody may send."""
        if not self._ready:
            return
        now = moment = self.kernel.now
        if now < self._clear:
            if self._last is not None:
                end, identifier, data = self._last
                self._clear = end - self._least[len(data)] + self.pace.us(exact_bits(identifier, data))
                self._last = None
            moment = max(now, self._clear)
        if self._marked:
            moment = max(moment, self._ready.free_from())
        if moment == now:
            self._begin()
        elif self._plan is None or moment < self._plan:
            self._plan = moment
            self.kernel.at(moment, self._planned, moment)

    def _planned(self, moment: int) -> None:
        if moment == self._plan:
            self._plan = None
            if self.attempt is None:
                self._wake()

    def _begin(self) -> None:
        """Let those who are ready contend; the lowest identifier has the pair."""
        kernel = self.kernel
        self._plan = None
        frames = self._ready.take(kernel.now)
        self.attempt = attempt = Attempt(kernel.now, frames)
        if self._plain and len(frames) == 1:
            kernel.at(kernel.now + self._least[len(attempt.data)], self._end, attempt)
        else:
            self._foresee(attempt)
        if self.deaf:
            self._recovery.began(attempt)

    def _foresee(self, attempt: Attempt) -> None:
        """Find out how an attempt ends and plan that."""
        fault = attempt.foresee(self._hits, self.troubles.crossed.sending, self._is_acknowledged(attempt))
        for split in attempt.splits:
            if fault is None or split.bit < fault.bit:
                self.kernel.at(self._time(attempt, split.bit), self._part, (attempt, split))
        if fault is None:
            self.kernel.at(attempt.start + self._least[len(attempt.data)], self._end, attempt)
        elif fault.unacknowledged and attempt.is_passive and not attempt.splits:
            self.endless.begin(attempt)
        else:
            self.kernel.at(self._time(attempt, fault.bit), self._fail, attempt)

    def _is_acknowledged(self, attempt: Attempt) -> bool:
        return self._acknowledges or any(node.takes_part for node in self.nodes.values() if node not in attempt.frames)

    def _time(self, attempt: Attempt, bits: int) -> int:
        return attempt.start + self.pace.us(bits)

    def _end(self, attempt: Attempt) -> None:
        """Hand over a frame that went through."""
        if attempt is not self.attempt:
            return
        self.attempt = None
        data = attempt.data
        self._last = frame = _new(Frame, (self.kernel.now, attempt.identifier, data))
        self._clear = attempt.start + self._most[len(data)]
        if self._marked or not self._plain:
            self._count_success(attempt)
        if self._on_line is not None and (attempt.start > attempt.ready or len(attempt.frames) > 1):
            for waited in attempt.waits(self.kernel.now, self._most[-1]):
                self.tell(waited)
        if self._plain and not (self._ready or self._marked):
            self._open = self._clear
        self._deliver(frame, attempt.sender)
        if not self._plain:
            self.troubles.babblers.went(attempt.frames)
        if self._ready and self.attempt is None:
            self._wake()

    def _count_success(self, attempt: Attempt) -> None:
        end = self._time(attempt, attempt.exact)
        self._hits.pass_by(attempt.exact - BETWEEN)
        self._recovery.ended(end)
        everyone = attempt.everyone
        for node in list(self._marked):
            if node in attempt.frames:
                self.count(node, node.sent)
            elif node.takes_part and node not in everyone:
                self.count(node, node.heard)
        self._pause(everyone, self._time(attempt, attempt.exact + PAUSE))

    def _pause(self, senders: list[Node], until: int) -> None:
        """Keep error passive nodes that have just sent from sending again at once."""
        for node in senders:
            if node.state is ErrorState.PASSIVE:
                node.free_from = until

    def _part(self, parting: tuple[Attempt, Split]) -> None:
        """Let error passive nodes drop out of a frame that others go on with."""
        attempt, split = parting
        if attempt is not self.attempt:
            return
        if split is attempt.splits[0]:
            self.tell(Collided(self.kernel.now, attempt.identifier, attempt.names))
        for node in split.losers:
            ready = attempt.frames.pop(node)
            self.count(node, node.sending_failed)
            self._hold_again(node, ready)

    def _fail(self, attempt: Attempt) -> None:
        """Let an attempt end in an error frame, and plan the next."""
        fault = attempt.fault
        if attempt is not self.attempt or fault is None:
            return
        self.attempt = self._last = None
        senders = attempt.everyone
        others = [node for node in self.nodes.values() if node.takes_part and node not in senders]
        bits = fault.bit + attempt.error_bits(others, self._acknowledges)
        self._clear = self._time(attempt, bits)
        self._hits.pass_by(fault.bit)
        for event in attempt.failure(self.kernel.now):
            self.tell(event)
        for node in attempt.frames:
            self.count(node, node.unacknowledged if fault.unacknowledged else node.sending_failed)
        for node in () if fault.unacknowledged else others:
            self.count(node, node.hearing_failed)
        self._put_back(attempt)
        self._pause(senders, self._time(attempt, bits + PAUSE))
        self._recovery.ended(self._clear)
        if fault.by is not None:
            self.troubles.crossed.met(fault.by)
        self._wake()

    def resume(self) -> None:
        """Work out where endless retries stand, and plan the next attempt as one of its own."""
        self._see_alone()
        attempt = self.attempt
        if attempt is None or not attempt.endless:
            return
        begun = self.endless.begun(attempt)
        self.attempt = self._last = None
        self._clear = self.endless.clear(attempt, begun)
        self._pause(list(attempt.frames), self._time(attempt, begun * attempt.cycle))
        self._hits.pass_by(begun * attempt.slot)
        self._recovery.ended(self._clear, RESTS * begun)
        self._put_back(attempt)
        self._wake()

    # Counters and states.

    def count(self, node: Node, change: Callable[[], None]) -> None:
        """Change a node's counters, and tell if its error state became another."""
        before = node.state
        change()
        if node.is_clean:
            self._marked.pop(node, None)
        elif self.nodes.get(node.sender) is node:
            self._marked[node] = None
        state = node.state
        if state is before:
            return
        self.tell(StateChanged(self.kernel.now, node.name, state, node.transmit_errors, node.receive_errors))
        if state is ErrorState.BUS_OFF:
            self.shut_out(node)
            self._recovery.watch(node)
        elif before is ErrorState.BUS_OFF:
            self.let_in(node)

    def tell(self, event: LineEvent) -> None:
        """Hand out what happened."""
        if self._on_line is not None:
            self._on_line(event)

    # What troubles do.

    def look_closer(self, close: bool) -> None:
        """Foresee every attempt bit by bit, or again only where nodes can bring something unusual about."""
        self.resume()
        self._plain = self._acknowledges and not close

    def shut_out(self, node: Node) -> None:
        """Let a node hear and send nothing in the ordinary way."""
        self.deaf.add(node.sender)
        self._ready.pop(node, None)

    def let_in(self, node: Node) -> None:
        """Let a node take part again, if nothing else keeps it out."""
        if not node.takes_part:
            return
        self.deaf.discard(node.sender)
        if node.most_urgent is not None:
            self._ready[node] = None
        self.resume()
        if self.attempt is None:
            self._wake()

    def disturb(self, by: Node) -> None:
        """Spoil the frame that is under way at its present bit."""
        self.resume()
        attempt = self.attempt
        if attempt is not None and not attempt.endless:
            attempt.fault = Fault(max(self.pace.bits(self.kernel.now - attempt.start), 1), by=by)
            self.kernel.at(self._time(attempt, attempt.fault.bit), self._fail, attempt)
