"""The simulated devices of one rig, on one simulated CAN pair, in one simulated time.

Knows: how devices, physics and line work together, the gates of faults between a device and the line, and that a device
that raises an exception is removed while the bench goes on. Does not know who observes: each frame on the line goes to
``on_frame``.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from traceback import extract_tb
from typing import Any, NamedTuple

from rvsim.devices.device import NO_IDENTIFIER, Broadcast, Device, DeviceContext, Site
from rvsim.errors import InputError
from rvsim.rig.contact_plans import contact_plans
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import ModuleParts, module_parts
from rvsim.rig.panel_parts import PanelParts, panel_parts
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.can import Babble, Line, SimultaneousSenders, WireFault
from rvsim.sim.kernel import Action, Kernel
from rvsim.sim.low_supply import LowSupply
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import SECOND_US, Frame, PlainFrame, as_frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.wire.timing import BIT_RATE
from rvsim.world.contacts import Contacts
from rvsim.world.world import World


class Passed(NamedTuple):
    """A frame as it leaves a gate, ``delay`` microseconds after it came."""

    identifier: int
    data: bytes
    delay: int = 0


_Receiver = tuple[Device, Callable[[bytes], None], list[Any], list[Any], list[Any]]
"""A device, what receives the data of frames of one identifier, and what the device then may have filled: its outbox,
timers and new broadcasts, at hand because every frame asks for them."""
Gate = Callable[[int, int, bytes], Passed | None]
"""A fault's effect on a frame on its way from a device or to it: (time, identifier, data) to the frame that leaves the
gate, None for a frame that is lost."""
_PACKAGE = Path(__file__).parents[1]
_MAX_KEPT_IDENTIFIERS = 512
"""For so many identifiers it is kept who receives them, by the first byte of the data; a vehicle has some hundred."""
_PLANNED_PRIORITY = -1
"""The kernel priority of planned actions: before everything else of the same time."""


class Failure(NamedTuple):
    """A simulated device that raised an exception and was removed."""

    time: int
    device: str
    error: Exception
    told: str = ""
    """The sentence, where the error was raised in another process; ``error`` then only has the same text."""

    @property
    def sentence(self) -> str:
        """What happened, and that the bench goes on."""
        return self.told or (
            f"the simulated device {self.device} stopped at {self.time / 1e6:.3f} s with "
            f"{type(self.error).__name__}: {self.error}{self._place}; the bench goes on without it"
        )

    @property
    def sendable(self) -> "Failure":
        """The same as it can be passed to another process: a device of another package may raise anything."""
        return Failure(self.time, self.device, RuntimeError(str(self.error)), self.sentence)

    @property
    def _place(self) -> str:
        """Where it was raised: in the innermost code outside this package, else in this package."""
        steps = extract_tb(self.error.__traceback__)
        outside = (step for step in reversed(steps) if _PACKAGE not in Path(step.filename).parents)
        place = next(outside, steps[-1] if steps else None)
        return "" if place is None else f" ({place.filename}, line {place.lineno})"


def _kind(plan: DevicePlan, kinds: Iterable[str]) -> str:
    if not plan.kind:
        raise InputError(
            f'device "{plan.name}" cannot be simulated without a kind; add one to it in the rig: {", ".join(kinds)}'
        )
    return plan.kind


class DeviceMistakesError(InputError):
    """Devices of a rig cannot be created: the lines of each begin with ``device "NAME"``."""

    def __init__(self, by_device: Mapping[str, Sequence[str]]) -> None:
        super().__init__(*(problem for problems in by_device.values() for problem in problems))
        self.by_device = by_device
        """The lines by the device's name."""


class Bench:
    """One run of a rig. Advance it with ``run_until``; it has no clock."""

    def __init__(
        self,
        rig: Rig,
        catalogue: Catalogue,
        kinds: Mapping[str, type[Device]],
        *,
        weather: WeatherPlan | None = None,
        site: Site | None = None,
        seed: int = 1,
        on_frame: Callable[[Frame], None] | None = None,
        on_plain_frame: Callable[[PlainFrame], None] | None = None,
        on_failure: Callable[[Failure], None] | None = None,
        on_line: Callable[[LineEvent], None] | None = None,
        acknowledges: bool = True,
        bit_rate: int = BIT_RATE,
        absent: Collection[str] = (),
    ) -> None:
        """Create the devices of the rig except the real ones, and the ``absent`` ones, whose place another takes.

        The bench acknowledges every frame, as an adapter that takes part in the traffic does. Without ``acknowledges``
        only the devices do, and a device that is alone repeats its frame. ``on_line`` receives all other events of the
        line; a node has the name of its device.

        Raises:
            InputError: a device has no kind.
            DeviceMistakesError: devices lack a function that their kind needs, or cannot be created: all of them.
        """
        self.kernel = Kernel()
        self._next_second = 0
        vehicle = rig.vehicle
        self.world = World(vehicle, weather or WeatherPlan())
        self.world.contacts = Contacts(contact_plans(rig), seed, self._plan_after, self._on_contact)
        self.world.motions.after = self._plan_after
        self.site = site or Site()
        """What is around the devices; may be changed between two steps."""
        self.world.set_shore(connected=self.site.shore_power)
        self.failures: list[Failure] = []
        self._stopped: set[Device] = set()
        """Devices without power, removed devices, and those that have not started yet: they are not called."""
        self._starting: set[Device] = set()
        """Devices that have power and have not started yet."""
        self.on_frame = on_frame
        """Receives each frame that was sent without error; may be changed between two steps."""
        self._on_plain_frame = on_plain_frame
        """Receives them sooner, before they are made frames: for whoever keeps many."""
        self._on_failure = on_failure
        self.line = Line(
            self.kernel, self._deliver, rate=bit_rate, acknowledges=acknowledges, seed=seed, on_line=on_line
        )
        """The simulated CAN pair; its faults are set by ``apply_wire_fault`` and ``remove_wire_fault``."""
        self._switched_off: Counter[str] = Counter()
        self._wire_faults: dict[WireFault, set[object]] = {}  # each with those who applied it
        plans = [plan for plan in rig.devices if not plan.real and plan.name not in absent]
        self.outgoing_gates: dict[str, list[Gate]] = {plan.name: [] for plan in plans}
        """The gates between each device and the line, in this order; each list may be changed between two steps."""
        self.incoming_gates: dict[str, list[Gate]] = {}
        """The gates between the line and each device that has any, in this order."""
        self.conditions: dict[str, list[Callable[[Device], None]]] = {}
        """What is wrong with each device itself, as calls; a device that gets its power back is called with all."""
        self._device_makers = {
            plan.name: partial(
                self._make_device,
                plan,
                kinds[_kind(plan, kinds)],
                catalogue,
                seed,
                {},
                module_parts(vehicle, plan.name) if rig.modules else None,
                panel_parts(rig, plan.name),
            )
            for plan in plans
        }
        self._by_name = self._make_devices()
        self.world.on_change = self._tell_of_change
        self.world.on_weather = lambda: self.plan(self.now, self._tell_of_site)
        self.site.followers.append(self.world.on_weather)
        self._low_supply = LowSupply(self.world, self._by_name, self.switch_off, self.switch_on, self.plan)
        self._receivers: dict[int, list[Device]] = {}
        for device in self.devices:
            self.line.connect(device, device.name)
            for dgn in device.received_dgns | {ADDRESS_CLAIM, REQUEST_FOR_DGN}:
                self._receivers.setdefault(dgn, []).append(device)
            self._start_later(device)
        self._receivers_of: dict[int, dict[int, list[_Receiver]]] = {}
        """Who receives the frames of each identifier and first byte that were sent, in the order of ``_receivers``."""

    def _make_devices(self) -> dict[str, Device]:
        devices, mistakes = {}, {}
        for name, make in self._device_makers.items():
            try:
                devices[name] = make()
            except InputError as error:
                mistakes[name] = error.problems
        if mistakes:
            raise DeviceMistakesError(mistakes)
        return devices

    def _make_device(
        self,
        plan: DevicePlan,
        kind: type[Device],
        catalogue: Catalogue,
        seed: int,
        memory: dict[str, float],
        module: ModuleParts | None,
        panel: PanelParts | None,
    ) -> Device:
        settings = kind.Settings.model_validate(plan.settings)
        self.world.set_load(plan.name, sum(idle for idle, _ in plan.amps.values()))  # until the device sets its load
        try:
            return kind(DeviceContext(plan, settings, catalogue, self.world, seed, self.site, memory, module, panel))
        except InputError:
            raise
        except Exception as error:  # a kind of another package may raise anything
            raise InputError(
                f'device "{plan.name}": its kind "{plan.kind}", {kind.__module__}.{kind.__qualname__}, cannot be '
                f"created ({type(error).__name__}: {error}); correct that class"
            ) from error

    def _start_later(self, device: Device) -> None:
        """Start a device that gets its power now, when it is ready to claim its address."""
        self._starting.add(device)
        self._stopped.add(device)
        self.kernel.at(self.kernel.now + device.start_delay_us, self._start, device)

    def _start(self, device: Device) -> None:
        if device in self._starting:  # it may have lost its power meanwhile
            self._starting.remove(device)
            self._stopped.remove(device)
            for condition in self.conditions.get(device.name, ()):
                self.call_device(device.name, condition)
            self._call(device, device.start)

    @property
    def devices(self) -> list[Device]:
        """The simulated devices, in the rig's order; a device that gets its power back is a new object."""
        return list(self._by_name.values())

    def peek(self) -> int | None:
        """Return the time of the next action in microseconds, None where there is none."""
        return self.kernel.peek()

    def run_until(self, time: int) -> int:
        """Run every action before ``time`` (microseconds); return the time at which it ended, see ``stop``."""
        ended = self.kernel.run_until(time)
        self.world.advance(ended)
        return ended

    def stop(self) -> None:
        """End the present run before the next microsecond, so that whoever called can do something now."""
        self.kernel.stop()

    @property
    def now(self) -> int:
        """The simulated time that the run has reached, in microseconds."""
        return self.kernel.now

    def plan(self, time: int, action: Callable[[], None]) -> None:
        """Plan an action for a time, before everything else of that time."""

        def act(_: None) -> None:
            action()

        self.kernel.at(time, act, priority=_PLANNED_PRIORITY)

    def _plan_after(self, delay_us: int, action: Callable[[], None]) -> None:
        self.plan(self.kernel.now + delay_us, action)

    def _on_contact(self, device: str, name: str) -> None:
        """Tell a device that a contact on one of its inputs has opened or closed; an absent one is not told."""
        if device in self._by_name:
            self.call_device(device, lambda reader: reader.on_contact(name))

    def call_device(self, name: str, action: Callable[[Device], None]) -> None:
        """Call ``action`` with a device now."""
        device = self._by_name[name]

        def call() -> None:
            action(device)

        self._call(device, call)

    def _tell_of_change(self, name: str) -> None:
        """Call a device, if it is simulated, because something has changed at its terminals."""
        device = self._by_name.get(name)
        if device is not None:
            self._call(device, device.on_world_change)

    def _tell_of_site(self) -> None:
        """Call every device because the weather or something else has changed around the vehicle."""
        for device in self.devices:
            self._call(device, device.on_site_change)

    def switch_off(self, name: str) -> None:
        """Take a device's power away: it no longer sends or receives, and loses its state."""
        self._switched_off[name] += 1
        device = self._by_name[name]
        self._stopped.add(device)
        self._starting.discard(device)
        for babble in self._babble_faults(name):
            self.line.remove(babble)
        self.line.disconnect(device)
        device.now = self.kernel.now
        with suppress(Exception):  # it may have failed already
            device.on_stop()
        self.world.remove(name)

    def switch_on(self, name: str) -> None:
        """Give a device its power back; when it was given as often as taken, the device starts as a new one."""
        self._switched_off[name] -= 1
        if self._switched_off[name] > 0:
            return
        before, device = self._by_name[name], self._device_makers[name]()
        self._by_name[name] = device
        for receiving in self._receivers.values():
            receiving[:] = [device if receiver is before else receiver for receiver in receiving]
        self._receivers_of.clear()
        self.line.connect(device, name)
        for babble in self._babble_faults(name):
            self.line.apply(babble)
        self._start_later(device)

    def apply_wire_fault(self, fault: WireFault, by: object) -> None:
        """Apply a fault of the wires; it stays until every caller ``by`` that applied it has removed it."""
        self._wire_faults.setdefault(fault, set()).add(by)
        device = self._by_name.get(fault.node) if isinstance(fault, Babble) else None
        if device is None or device in self.line.controllers:
            self.line.apply(fault)

    def remove_wire_fault(self, fault: WireFault, by: object) -> None:
        """Remove a fault of the wires for one caller that applied it.

        After the last caller the fault ends, and a node that exists only as a babbling one leaves the line.
        """
        appliers = self._wire_faults.get(fault, set())
        appliers.discard(by)
        if appliers:
            return
        self._wire_faults.pop(fault, None)
        self.line.remove(fault)
        if isinstance(fault, Babble) and not self._babble_faults(fault.node):
            self.line.disconnect(fault.node)  # not a device: devices are on the line as objects

    def _babble_faults(self, node: str) -> list[Babble]:
        return [fault for fault in self._wire_faults if isinstance(fault, Babble) and fault.node == node]

    def holder(self, address: int) -> str | None:
        """Return the name of the simulated device that holds an address now, None if none does."""
        running = (device for device in self.devices if device not in self._stopped)
        return next((device.name for device in running if device.address == address), None)

    def send(self, identifier: int, data: bytes) -> None:
        """Send a frame of a node that is not simulated, now."""
        self.line.send(identifier, data, None)

    def send_as(self, name: str, identifier: int, data: bytes) -> None:
        """Send a frame from the controller of a device now, past its gates; nothing while it has no power."""
        device = self._by_name[name]
        if device not in self._stopped:
            self.line.send(identifier, data, device)

    def _call(self, device: Device, call: Callable[[], None]) -> None:
        """Call into a device at the present time."""
        if device in self._stopped:
            return
        device.now = now = self.kernel.now
        if now >= self._next_second:
            self._advance_world(now)
        try:
            call()
        except Exception as error:  # no error of a device stops the others
            self._remove_failed(device, error)
            return
        if device.outbox or device.timers or device.new_broadcasts:
            self._take_from(device)

    def _caller(self, device: Device, call: Callable[[], int | None]) -> Action:
        """Return what calls into a device as an action of the kernel, and returns the time of the next call.

        It is made once for each timer, with everything at hand that each call needs. This, ``_broadcaster`` and
        ``_deliver`` repeat what ``_call`` does: a function for it would cost one more call for each frame.
        """
        kernel, stopped = self.kernel, self._stopped
        outbox, timers, new_broadcasts = device.outbox, device.timers, device.new_broadcasts

        def act(_: None) -> int | None:
            if device in stopped:
                return None
            device.now = now = kernel.now
            if now >= self._next_second:
                self._advance_world(now)
            try:
                delay = call()
            except Exception as error:
                self._remove_failed(device, error)
                return None
            if outbox or timers or new_broadcasts:
                self._take_from(device)
            return None if delay is None else now + delay

        return act

    def _broadcaster(self, device: Device, planned: Broadcast) -> Action:
        """Return what sends a broadcast of a device as an action of the kernel, and returns the time of the next."""
        kernel, stopped, send_last = self.kernel, self._stopped, self.line.send_last
        outbox, timers, gates = device.outbox, device.timers, self.outgoing_gates[device.name]
        build, silence, own_gap_us = planned.build, planned.silence, planned.gap_us
        own_times, next_delay_us = planned.timing.own_times, planned.timing.next_delay_us
        leaves = planned.timing.leaves if planned.timing.has_turns else None

        def act(_: None) -> int | None:
            if device in stopped:
                return None
            device.now = now = kernel.now
            if now >= self._next_second:
                self._advance_world(now)
            due, identifier = planned.due, planned.identifier
            if due <= now:  # else it was sent early
                planned.has_started = True
                gap_us = own_times[own_gap_us]
                try:
                    data = build() if silence is None or silence.until <= now else None
                except Exception as error:
                    self._remove_failed(device, error)
                    return None
                due += gap_us
                if due <= now or silence is not None:
                    due = planned.due_after(now, due, gap_us)
                planned.due = due
            else:
                data = None
            again = due + next_delay_us() if leaves is None else leaves(due)
            if outbox or timers:
                self._take_from(device)
            if data is not None and identifier != NO_IDENTIFIER:
                if gates:
                    self._send_through(gates, identifier, data, device)
                else:
                    send_last(identifier, data, device)
            return again

        return act

    def _advance_world(self, now: int) -> None:
        """Advance the physics, in whole seconds."""
        self._next_second = now - now % SECOND_US + SECOND_US
        self.world.advance(now)
        self._low_supply.follow(now)

    def _take_from(self, device: Device) -> None:
        """Take a device's frames, its timers and its new broadcasts."""
        kernel = self.kernel
        if device.timers:
            for delay, later in device.timers:
                kernel.at(kernel.now + delay, self._caller(device, later), None, 1)
            device.timers.clear()
        for delay, planned in device.new_broadcasts:
            kernel.at(kernel.now + delay, self._broadcaster(device, planned), None, 1)
        device.new_broadcasts.clear()
        gates = self.outgoing_gates[device.name]
        for identifier, data in device.outbox:
            if gates:
                self._send_through(gates, identifier, data, device)
            else:
                self.line.send(identifier, data, device)
        device.outbox.clear()

    def _send_through(self, gates: Iterable[Gate], identifier: int, data: bytes, device: Device) -> None:
        passed = self._pass_gates(gates, identifier, data)
        if passed is None:
            return
        identifier, data, delay = passed
        if delay:
            self.kernel.at(self.kernel.now + delay, self._send_delayed, (identifier, data, device))
        else:
            self.line.send(identifier, data, device)

    def _pass_gates(self, gates: Iterable[Gate], identifier: int, data: bytes) -> Passed | None:
        """Return the frame after all gates, None if one of them loses it; their delays add up."""
        delay = 0
        for gate in gates:
            passed = gate(self.kernel.now, identifier, data)
            if passed is None:
                return None
            identifier, data, later = passed
            delay += later
        return Passed(identifier, data, delay)

    def _send_delayed(self, delayed: tuple[int, bytes, Device]) -> None:
        if delayed[2] in self.line.controllers:  # the device may have lost its power meanwhile
            self.line.send(*delayed)

    def _deliver(self, sent: PlainFrame, sender: object) -> None:
        if self._on_plain_frame is not None:
            self._on_plain_frame(sent)
        if self.on_frame is not None:
            self.on_frame(as_frame(sent))
        _, identifier, data = sent
        try:
            receiving = self._receivers_of[identifier][data[0]]
        except LookupError:
            receiving = self._find_receivers(identifier, data[:1])
        if not receiving:
            return
        if self.incoming_gates or self.line.not_receiving or sender.__class__ is SimultaneousSenders:
            self._deliver_to_some(receiving, sender, identifier, data)
            return
        now, stopped = self.kernel.now, self._stopped
        if now >= self._next_second:
            self._advance_world(now)
        for device, receive, outbox, timers, new_broadcasts in receiving:
            if device is sender or device in stopped:
                continue
            device.now = now
            try:
                receive(data)
            except Exception as error:
                self._remove_failed(device, error)
                continue
            if outbox or timers or new_broadcasts:
                self._take_from(device)

    def _deliver_to_some(self, receiving: Iterable[_Receiver], sender: object, identifier: int, data: bytes) -> None:
        """Deliver a frame where faults decide who receives it, and what of it."""
        excluded = self.line.not_receiving.union(sender if isinstance(sender, SimultaneousSenders) else (sender,))
        for device, receive, *_ in receiving:
            if device in excluded:
                continue
            if device.name in self.incoming_gates:
                self._receive_through(device, identifier, data)
            else:
                self._call(device, partial(receive, data))

    def _find_receivers(self, identifier: int, first: bytes) -> list[_Receiver]:
        """Find who receives the frames of an identifier and a first byte, which is mostly the instance."""
        receivers = self._receivers.get(dgn_of(identifier), ())
        found = [
            (each, each.receiver_of(identifier), each.outbox, each.timers, each.new_broadcasts)
            for each in receivers
            if each.heeds(identifier, first)
        ]
        if len(self._receivers_of) >= _MAX_KEPT_IDENTIFIERS:
            self._receivers_of.clear()
        for byte in first:  # a frame without data is rare
            self._receivers_of.setdefault(identifier, {})[byte] = found
        return found

    def _receive_through(self, device: Device, identifier: int, data: bytes) -> None:
        passed = self._pass_gates(self.incoming_gates[device.name], identifier, data)
        if passed is None:
            return
        identifier, data, delay = passed
        if delay:
            receive = partial(device.receive, identifier, data)
            self.kernel.at(self.kernel.now + delay, self._caller(device, receive), priority=1)
        else:
            self._call(device, partial(device.receive, identifier, data))

    def _remove_failed(self, device: Device, error: Exception) -> None:
        self.switch_off(device.name)  # for good: nobody switches it on again
        failure = Failure(self.kernel.now, device.name, error)
        self.failures.append(failure)
        if self._on_failure is not None:
            self._on_failure(failure)
