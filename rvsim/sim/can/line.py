"""The simulated pair of wires: one frame at a time, the lowest identifier first, and what goes wrong.

Knows: arbitration, acknowledgement, error frames and the pair's times in bits (CAN Specification 2.0, 1991, part B;
ISO 11898-1 from memory). Each transmission is foreseen when it starts and planned as one event of the kernel. Does not
know what frames mean, nor who is interested in them.

A frame is handed over at its start plus the fewest bits a frame of its length takes: this time gives the start exactly,
and is at most 29 bits before the real end. The exact length of a frame is worked out only where another frame waits or
comes within those bits: the next one starts at the exact end. Frames that become ready in the microsecond in which one
starts take part in its arbitration.

Three shortcuts keep the common cases cheap. A frame that starts on a pair at rest gets no ``Transmission`` as long as
nothing else happens near it; a frame that nobody acknowledges is repeated without an event for each repeat. Whatever
else happens first ends both (``_end_shortcuts``), and finds the state that it would have found without them. Frames
that wait go through one after the other without an event for each, as long as nothing else is planned meanwhile.
"""

import sys
from collections.abc import Callable

from rvsim.sim.can.arbitration import Arbitration
from rvsim.sim.can.bit_time import BitTime
from rvsim.sim.can.bus_off import BusOffRecovery
from rvsim.sim.can.controller import Controller, ReadyFrame
from rvsim.sim.can.transmission import INTERMISSION_BITS, PAUSE_BITS, BitConflict, FailedBit, Transmission
from rvsim.sim.can.unacknowledged import UnacknowledgedRepeats
from rvsim.sim.can.wire_fault_effects import Babblers, ReversedControllers
from rvsim.sim.can.wire_faults import Babble, BitErrors, ReversedPair, WireFault, WireFaults
from rvsim.sim.kernel import Kernel
from rvsim.wire.frame import PlainFrame
from rvsim.wire.line_events import Collided, ErrorState, LineEvent, NotAcknowledged, Overflowed, StateChanged, Waited
from rvsim.wire.timing import BIT_RATE, exact_bits, max_bits, min_bits

Deliver = Callable[[PlainFrame, object], None]
_LENGTHS = range(9)
_NEVER = sys.maxsize
_MAX_KEPT_LENGTHS = 4096
"""Of so many frames the exact length is kept: most are sent again and again with the same data."""
_new = tuple.__new__
"""Makes an event in half the time of its constructor."""


class Line:
    """Carries frames between the simulated controllers in the kernel's time, at ``rate`` bits a second.

    ``deliver`` takes each frame that went through and its sender, ``on_line`` what else happens. With ``acknowledges``
    somebody beside the controllers acknowledges every frame, as an adapter that takes part does. ``seed`` is that of
    the errors which wires make.
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
        self.controllers: dict[object, Controller] = {}
        """Who is on the pair, by sender."""
        self.not_receiving: set[object] = set()
        """The senders whose controller does not take part now: bus-off, or its wires swapped. Kept beside
        ``Controller.takes_part`` because every frame that is handed over asks for it."""
        self._deliver = deliver
        self._on_line = on_line
        self._acknowledges = acknowledges
        self._bit_time = BitTime(rate)
        self._least = [self._bit_time.us(min_bits(length)) for length in _LENGTHS]
        self._most = [self._bit_time.us(max_bits(length)) for length in _LENGTHS]
        self._exact: dict[tuple[int, bytes], int] = {}
        """The exact length of frames in microseconds, by identifier and data."""
        self._number = 0

        # What is under way. At most one of the two is set.
        self._alone: PlainFrame | None = None  # started on a pair at rest, and nothing has happened since
        self._alone_sender: object = None
        self._transmission: Transmission | None = None  # any other one, the one that is repeated included

        # When the next one may start.
        self._ready = Arbitration()
        self._clear = 0  # when the pair is free again; not before, and with _last set perhaps earlier
        self._last: PlainFrame | None = None  # what went through, if its exact end is not worked out
        self._planned: int | None = None  # the soonest time at which _wake is planned

        # Kept for speed, so that ``send`` compares one number; each follows from other state where its comment says.
        self._is_simple = acknowledges  # every frame is acknowledged and no fault applied (_follow_faults)
        self._open = _NEVER  # _clear, where _is_simple and nobody has errors or is ready; else never (_end)
        self._with_errors: dict[Controller, None] = {}  # the controllers whose has_errors is true (_count)

        self._faults = WireFaults()
        self._bit_errors = BitErrors(seed)
        self._repeats = UnacknowledgedRepeats(
            kernel,
            self._bit_time,
            self._bit_errors,
            unacknowledged=self._report_unacknowledged,
            disturbed=self._end_shortcuts,
        )
        self._recovery = BusOffRecovery(
            kernel, self._bit_time, self._repeats, bring_up_to_date=self._end_shortcuts, recovered=self._recover
        )
        self._reversed = ReversedControllers(
            kernel, self._bit_time, disturb=self._disturb, count=self._count, report=self._report
        )
        self._babblers = Babblers(kernel, self._send_babble)
        self._at_end, self._upcoming = self._end_alone, kernel.upcoming  # bound once, not for each frame

    # Who is on the pair, and what they send.

    def connect(self, sender: object, name: str = "") -> Controller:
        """Put a controller onto the pair; from the next frame's start on it acknowledges others'."""
        controller = Controller(sender, name or ("outside" if sender is None else str(sender)))
        self.controllers[sender] = controller
        if self._faults.is_reversed(controller.name):
            self._reverse(controller)
        self._end_shortcuts()
        return controller

    def disconnect(self, sender: object) -> None:
        """Take a controller off the pair; what it has under way goes through as begun, what waits does not."""
        self.withdraw(sender)
        controller = self.controllers.pop(sender, None)
        if controller is not None:
            self._with_errors.pop(controller, None)
            self.not_receiving.discard(sender)
            self._recovery.stop(controller)

    def withdraw(self, sender: object) -> None:
        """Give up the frames of a controller that wait, one that repeats itself without acknowledgement among them."""
        controller = self.controllers.get(sender)
        if controller is not None:
            self._stop_repeats()
            controller.clear()
            self._ready.pop(controller, None)
            if self._transmission is None:
                self._wake()

    def send_last(self, identifier: int, data: bytes, sender: object) -> None:
        """Take a frame as the last thing that the present action of the kernel does.

        So a frame near which nothing else is planned can be handed over without an event.
        """
        kernel = self.kernel
        now = kernel.now
        if now >= self._open and sender in self.controllers:
            length = len(data)
            end = now + self._least[length]
            if end < self._upcoming[0]:  # what ``skip_to`` does, without a call for each frame
                kernel.now = end
                self._open = now + self._most[length]
                self._last = alone = end, identifier, data
                self._deliver(alone, sender)
                return
        self.send(identifier, data, sender)

    def send(self, identifier: int, data: bytes, sender: object) -> None:
        """Take a frame; it is handed over when it has won the pair and had it for its least length."""
        now = self.kernel.now
        if now >= self._open and sender in self.controllers:  # what nearly every frame finds: a pair at rest
            length = len(data)
            end = now + self._least[length]
            self._open = now + self._most[length]
            self._last = self._alone = alone = end, identifier, data
            self._alone_sender = sender
            self.kernel.at(end, self._at_end, alone)
            return
        controller = self.controllers.get(sender) or self.connect(sender)
        self._end_alone_shortcut()
        if controller.is_full:
            self._report(Overflowed(now, controller.name, identifier))
            return
        controller.hold(self._numbered(identifier, now, data))
        if sender in self.not_receiving:
            self._reversed.start(controller)
            return
        self._ready[controller] = None
        if self._transmission is None:
            self._wake()
        elif identifier <= self._transmission.identifier or self._repeats.transmission is not None:
            self._enter_arbitration(self._transmission, controller, identifier)

    def _numbered(self, identifier: int, since: int, data: bytes) -> ReadyFrame:
        self._number += 1
        return (identifier, self._number, since, data)

    def _enter_arbitration(self, transmission: Transmission, controller: Controller, identifier: int) -> None:
        """Let a new frame into the arbitration that it comes to in time for."""
        if self._repeats.transmission is not None:
            if controller not in transmission.frames or identifier < transmission.identifier:
                self._end_shortcuts()
        elif transmission.start == self.kernel.now and controller not in transmission.frames:
            self._transmission = None
            self._put_back(transmission)
            self._begin(self._ready.take(self.kernel.now))

    def _put_back(self, transmission: Transmission) -> None:
        for controller, frame in transmission.frames.items():
            self._hold_again(controller, frame)

    def _hold_again(self, controller: Controller, frame: ReadyFrame) -> None:
        if self.controllers.get(controller.sender) is controller:
            controller.hold(frame)
            if controller.sender not in self.not_receiving:
                self._ready[controller] = None

    # The shortcuts: a frame alone on a pair at rest, and repeats that nobody acknowledges.

    def _end_shortcuts(self) -> None:
        """Let the state be what it is without shortcuts: something else is about to happen."""
        if self._stop_repeats():
            self._wake()

    def _stop_repeats(self) -> bool:
        """End both shortcuts, but plan nothing anew; return whether repeats were stopped."""
        self._end_alone_shortcut()
        transmission = self._repeats.transmission
        if transmission is None:
            return False
        repeated = self._repeats.stop()
        self._transmission = self._last = None
        self._clear = repeated.clear
        self._pause(list(transmission.frames), repeated.free_from)
        self._recovery.transmission_ended(self._clear, repeated.rests)
        self._put_back(transmission)
        return True

    def _end_alone_shortcut(self) -> None:
        """Make a transmission of the frame that started on a pair at rest."""
        if self._open != _NEVER:
            self._clear, self._open = self._open, _NEVER
        alone = self._alone
        if alone is not None:
            end, identifier, data = alone
            start = end - self._least[len(data)]
            controller = self.controllers[self._alone_sender]
            self._transmission = Transmission(start, {controller: self._numbered(identifier, start, data)})
            self._transmission.alone, self._alone = alone, None

    def _end_alone(self, alone: PlainFrame) -> None:
        """Hand over a frame that started on a pair at rest."""
        if alone is self._alone:
            self._alone = None
            self._deliver(alone, self._alone_sender)
        elif self._transmission is not None and self._transmission.alone is alone:
            self._end(self._transmission)

    # A transmission from its start to its end.

    def _wake(self) -> None:
        """Start the next transmission now, or plan to when the pair is free and somebody may send."""
        if not self._ready:
            return
        now = moment = self.kernel.now
        if now < self._clear:
            moment = max(now, self._exact_clear())
        if self._with_errors:
            moment = max(moment, self._ready.free_from())
        if moment == now:
            self._begin(self._ready.take(now))
        elif self._planned is None or moment < self._planned:
            self._planned = moment
            self.kernel.at(moment, self._wake_planned, moment)

    def _exact_clear(self) -> int:
        """Work out when the pair is free again."""
        last = self._last
        if last is not None:
            end, identifier, data = last
            sent = identifier, data
            exact = self._exact.get(sent)
            if exact is None:
                if len(self._exact) >= _MAX_KEPT_LENGTHS:
                    self._exact.clear()
                exact = self._exact[sent] = self._bit_time.us(exact_bits(identifier, data))
            self._clear = end - self._least[len(data)] + exact
            self._last = None
        return self._clear

    def _wake_planned(self, moment: int) -> None:
        if moment == self._planned:
            self._planned = None
            self._send_waiting()

    def _send_waiting(self) -> None:
        """Send what waits, one after the other, as the last thing that the present action of the kernel does.

        As long as nothing else is planned meanwhile, a frame needs neither an event nor a ``Transmission``.
        """
        kernel, ready = self.kernel, self._ready
        while ready and self._transmission is None:
            if not self._is_simple or self._with_errors or self.not_receiving:
                self._wake()
                return
            start = kernel.now
            if start < self._clear:
                start = max(start, self._exact_clear())
            if not kernel.skip_to(start):
                self._wake()
                return
            frames = ready.take(start)
            if len(frames) > 1:
                self._begin(frames)
                return
            ((controller, (identifier, _, since, data)),) = frames.items()
            end = start + self._least[len(data)]
            if not kernel.skip_to(end):
                self._begin(frames)
                return
            self._last = frame = end, identifier, data
            self._clear = start + self._most[len(data)]
            if self._on_line is not None and start - since > self._most[-1]:
                self._on_line(_new(Waited, (end, controller.name, identifier, since)))
            if not ready:
                self._open = self._clear
            self._deliver(frame, controller.sender)

    def _begin(self, frames: dict[Controller, ReadyFrame]) -> None:
        """Let who has won the arbitration send; several where they have one identifier."""
        kernel = self.kernel
        self._planned = None
        self._transmission = transmission = Transmission(kernel.now, frames)
        if self._is_simple and len(frames) == 1:
            kernel.at(kernel.now + self._least[len(transmission.data)], self._end, transmission)
        else:
            self._foresee(transmission)
        if self.not_receiving:
            self._recovery.transmission_started()

    def _foresee(self, transmission: Transmission) -> None:
        """Find out how a transmission ends and plan that."""
        failed = transmission.foresee(
            self._bit_errors, self._reversed.sending, is_acknowledged=self._is_acknowledged(transmission)
        )
        for conflict in transmission.conflicts:
            if failed is None or conflict.bit < failed.bit:
                self.kernel.at(self._time(transmission, conflict.bit), self._drop_out, (transmission, conflict))
        if failed is None:
            self.kernel.at(transmission.start + self._least[len(transmission.data)], self._end, transmission)
        elif failed.unacknowledged and transmission.is_passive and not transmission.conflicts:
            self._repeats.start(transmission)
        else:
            self.kernel.at(self._time(transmission, failed.bit), self._fail, transmission)

    def _is_acknowledged(self, transmission: Transmission) -> bool:
        others = (one for one in self.controllers.values() if one not in transmission.frames)
        return self._acknowledges or any(other.takes_part for other in others)

    def _time(self, transmission: Transmission, bits: int) -> int:
        return transmission.start + self._bit_time.us(bits)

    def _end(self, transmission: Transmission) -> None:
        """Hand over a frame that went through, and what waits behind it; the last thing that an action does."""
        if transmission is not self._transmission:
            return
        self._transmission = None
        data = transmission.data
        self._last = frame = self.kernel.now, transmission.identifier, data
        self._clear = transmission.start + self._most[len(data)]
        if self._with_errors or not self._is_simple:
            self._count_success(transmission)
        if self._on_line is not None and transmission.start - transmission.ready > self._most[-1]:
            for waited in transmission.waits(self.kernel.now, self._most[-1]):
                self._report(waited)
        if self._is_simple and not (self._ready or self._with_errors):
            self._open = self._clear
        self._deliver(frame, transmission.sender)
        if not self._is_simple:
            self._babblers.sent(transmission.frames)
        self._send_waiting()

    def _count_success(self, transmission: Transmission) -> None:
        self._bit_errors.pass_by(transmission.bits - INTERMISSION_BITS)
        self._recovery.transmission_ended(self._time(transmission, transmission.bits))
        everyone = transmission.everyone
        for controller in list(self._with_errors):
            if controller in transmission.frames:
                self._count(controller, controller.count_transmission)
            elif controller.takes_part and controller not in everyone:
                self._count(controller, controller.count_reception)
        self._pause(everyone, self._time(transmission, transmission.bits + PAUSE_BITS))

    def _pause(self, controllers: list[Controller], until: int) -> None:
        """Keep error passive controllers that have just sent from sending again at once."""
        for controller in controllers:
            if controller.state is ErrorState.PASSIVE:
                controller.free_from = until

    def _drop_out(self, conflicting: tuple[Transmission, BitConflict]) -> None:
        """Let error passive controllers drop out of a frame that others go on with."""
        transmission, conflict = conflicting
        if transmission is not self._transmission:
            return
        if conflict is transmission.conflicts[0]:
            self._report(Collided(self.kernel.now, transmission.identifier, transmission.names))
        for controller in conflict.losers:
            frame = transmission.frames.pop(controller)
            self._count(controller, controller.count_failed_transmission)
            self._hold_again(controller, frame)

    def _fail(self, transmission: Transmission) -> None:
        """Let a transmission end in an error frame, and plan the next."""
        failed = transmission.fails_at
        if transmission is not self._transmission or failed is None:
            return
        self._transmission = self._last = None
        senders = transmission.everyone
        others = [one for one in self.controllers.values() if one.takes_part and one not in senders]
        bits = failed.bit + transmission.error_bits(others, is_answered=self._acknowledges)
        self._clear = self._time(transmission, bits)
        self._bit_errors.pass_by(failed.bit)
        for event in transmission.failure_events(self.kernel.now):
            self._report(event)
        for one in transmission.frames:
            self._count(one, one.count_unacknowledged if failed.unacknowledged else one.count_failed_transmission)
        for other in () if failed.unacknowledged else others:
            self._count(other, other.count_failed_reception)
        self._put_back(transmission)
        self._pause(senders, self._time(transmission, bits + PAUSE_BITS))
        self._recovery.transmission_ended(self._clear)
        if failed.by is not None:
            self._reversed.collide(failed.by)
        self._wake()

    # Counters, states and events.

    def _count(self, controller: Controller, change: Callable[[], None]) -> None:
        """Change a controller's counters, and report if its error state became another."""
        before = controller.state
        change()
        if not controller.has_errors:
            self._with_errors.pop(controller, None)
        elif self.controllers.get(controller.sender) is controller:
            self._with_errors[controller] = None
        state = controller.state
        if state is before:
            return
        transmit, receive = controller.transmit_errors, controller.receive_errors
        self._report(StateChanged(self.kernel.now, controller.name, state, transmit, receive))
        if state is ErrorState.BUS_OFF:
            self._exclude(controller)
            self._recovery.start(controller)
        elif before is ErrorState.BUS_OFF:
            self._admit(controller)

    def _recover(self, controller: Controller) -> None:
        self._count(controller, controller.recover)

    def _exclude(self, controller: Controller) -> None:
        """Let a controller receive and send nothing in the ordinary way."""
        self.not_receiving.add(controller.sender)
        self._ready.pop(controller, None)

    def _admit(self, controller: Controller) -> None:
        """Let a controller take part again, if nothing else keeps it out."""
        if not controller.takes_part:
            return
        self.not_receiving.discard(controller.sender)
        if controller.most_urgent is not None:
            self._ready[controller] = None
        self._end_shortcuts()
        if self._transmission is None:
            self._wake()

    def _report_unacknowledged(self, controller: Controller, identifier: int) -> None:
        """Report a controller whose frame is repeated, once until something of its goes through."""
        if not controller.is_unacknowledged:
            controller.is_unacknowledged = True
            self._report(NotAcknowledged(self.kernel.now, controller.name, identifier, endless=True))

    def _report(self, event: LineEvent) -> None:
        if self._on_line is not None:
            self._on_line(event)

    # What is wrong with the wires.

    def apply(self, fault: WireFault) -> None:
        """Let something be wrong with the wires from now on; the same twice is one."""
        if self._faults.add(fault):
            self._follow_faults()
            if isinstance(fault, Babble):
                self._babblers.start(fault)
            for controller in self._reversed_by(fault):
                self._reverse(controller)

    def remove(self, fault: WireFault) -> None:
        """Put right what was wrong; what is not wrong stays so."""
        if self._faults.discard(fault):
            self._follow_faults()
            if isinstance(fault, Babble):
                self._babblers.stop(fault)
            for controller in self._reversed_by(fault):
                controller.is_reversed = False
                self._reversed.stop(controller)
                self._admit(controller)

    def _follow_faults(self) -> None:
        """Foresee every transmission bit by bit where a fault is applied, with errors at its rate."""
        self._end_shortcuts()
        self._is_simple = self._acknowledges and not self._faults
        self._bit_errors.set_rate(self._faults.error_rate)

    def _reversed_by(self, fault: WireFault) -> list[Controller]:
        name = fault.node if isinstance(fault, ReversedPair) else None
        return [controller for controller in self.controllers.values() if controller.name == name]

    def _reverse(self, controller: Controller) -> None:
        controller.is_reversed = True
        self._exclude(controller)
        self._reversed.start(controller)

    def _disturb(self, by: Controller) -> None:
        """Spoil the frame that is under way at its present bit."""
        self._end_shortcuts()
        transmission = self._transmission
        if transmission is not None and self._repeats.transmission is None:
            begun = self._bit_time.begun_bits(self.kernel.now - transmission.start)
            transmission.fails_at = FailedBit(max(begun, 1), by=by)
            self.kernel.at(self._time(transmission, transmission.fails_at.bit), self._fail, transmission)

    def _send_babble(self, babble: Babble) -> None:
        """Send a frame of a babbling node, who may be a new one, unless one like it waits still."""
        named = (controller for controller in self.controllers.values() if controller.name == babble.node)
        controller = next(named, None) or self.connect(babble.node, babble.node)
        if not any(waiting[0] == babble.identifier for waiting in controller.waiting):
            self.send(babble.identifier, babble.data, controller.sender)
