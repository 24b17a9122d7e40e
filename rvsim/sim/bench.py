"""The simulated devices of one rig, on one simulated pair of wires, in one time.

Knows: how devices, physics and wires are put together, how faults stand between a device and the wires, and that
a device which raises is taken out by name while the bench goes on. Does not know whether anyone observes: each
frame on the wires is handed to ``on_frame``.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from traceback import extract_tb
from typing import NamedTuple

from rvsim.devices.device import Device, DeviceContext, Site
from rvsim.errors import InputError
from rvsim.rig.model import DevicePlan, Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.can import Babble, Line, SimultaneousSenders, WireFault
from rvsim.sim.kernel import Kernel
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.wire.timing import BIT_RATE
from rvsim.world.world import World


class Passed(NamedTuple):
    """What of a frame gets through a gate, ``delay`` microseconds later than it came."""

    identifier: int
    data: bytes
    delay: int = 0


Gate = Callable[[int, int, bytes], Passed | None]
"""What a fault does to a frame on its way from a device or to it: time, identifier and data to what gets through."""
_HERE = Path(__file__).parents[1]
_PLANNED_PRIORITY = -1
"""The priority of what is planned for a time: before everything that happens by itself then."""


class Failure(NamedTuple):
    """A simulated device that raised and was taken out."""

    time: int
    device: str
    error: Exception

    @property
    def sentence(self) -> str:
        """Say what happened, and that the bench goes on."""
        return (
            f"the simulated device {self.device} stopped at {self.time / 1e6:.3f} s with "
            f"{type(self.error).__name__}: {self.error}{self._place}; the bench goes on without it"
        )

    @property
    def _place(self) -> str:
        """Say where it was raised: in the innermost code that is not of this package, or else in ours."""
        steps = extract_tb(self.error.__traceback__)
        step = next((one for one in reversed(steps) if _HERE not in Path(one.filename).parents), (steps or [None])[-1])
        return "" if step is None else f" ({step.filename}, line {step.lineno})"


def _kind(plan: DevicePlan, kinds: Iterable[str]) -> str:
    if not plan.kind:
        raise InputError(
            f'device "{plan.name}" cannot be simulated without a kind; add one to it in the rig: {", ".join(kinds)}'
        )
    return plan.kind


class Bench:
    """One run of a rig. Advance it with ``run_until``; it has no clock of its own."""

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
        on_failure: Callable[[Failure], None] | None = None,
        on_line: Callable[[LineEvent], None] | None = None,
        acknowledges: bool = True,
        bit_rate: int = BIT_RATE,
        absent: Collection[str] = (),
    ) -> None:
        """Put everything together, but for the ``absent`` devices of the rig: others stand in for those.

        The bench acknowledges every frame, as an adapter that takes part in the traffic does; with ``acknowledges``
        off only the devices do, and a device alone goes on trying. ``on_line`` takes what happens on the wires beside
        frames; nodes go by their devices' names.

        Raises:
            InputError: a device has no kind, or lacks a function that its kind needs.
        """
        self.kernel = Kernel()
        self._calls = self._call  # bound once, not for each timer
        self._next_second = 0
        self.world = World(rig.vehicle, weather or WeatherPlan())
        self.failures: list[Failure] = []
        self._stopped: set[Device] = set()
        """Devices that do nothing any more: without power, or taken out."""
        self.on_frame = on_frame
        """Takes each frame that went through; may be changed between two steps."""
        self._on_failure = on_failure
        self.line = Line(
            self.kernel, self._deliver, rate=bit_rate, acknowledges=acknowledges, seed=seed, on_line=on_line
        )
        """The wires; ``apply_wire_fault`` and ``remove_wire_fault`` say what is wrong with them."""
        self._switched_off: Counter[str] = Counter()
        self._wire_faults: dict[WireFault, set[object]] = {}  # each with those who want it
        plans = [plan for plan in rig.devices if plan.name not in absent]
        self.outgoing_gates: dict[str, list[Gate]] = {plan.name: [] for plan in plans}
        """What stands between each device and the wires, in this order; may be changed between two steps."""
        self.incoming_gates: dict[str, list[Gate]] = {}
        """What stands between the wires and the devices that have any, in this order."""
        self._device_makers = {
            plan.name: partial(self._make_device, plan, kinds[_kind(plan, kinds)], catalogue, seed, site or Site())
            for plan in plans
        }
        self._by_name = {name: make() for name, make in self._device_makers.items()}
        self._receivers: dict[int, list[Device]] = {}
        for device in self.devices:
            self.line.connect(device, device.name)
            for dgn in device.received_dgns | {ADDRESS_CLAIM, REQUEST_FOR_DGN}:
                self._receivers.setdefault(dgn, []).append(device)
            self.kernel.at(0, self._calls, (device, device.start))

    def _make_device(self, plan: DevicePlan, kind: type[Device], catalogue: Catalogue, seed: int, site: Site) -> Device:
        settings = kind.Settings.model_validate(plan.settings)
        self.world.set_load(plan.name, sum(rest for rest, _ in plan.amps.values()))  # until it says otherwise
        try:
            return kind(DeviceContext(plan, settings, catalogue, self.world, seed, site))
        except InputError:
            raise
        except Exception as error:  # another's package may raise anything
            raise InputError(
                f'device "{plan.name}": its kind "{plan.kind}", {kind.__module__}.{kind.__qualname__}, cannot be '
                f"created ({type(error).__name__}: {error}); correct that class"
            ) from error

    @property
    def devices(self) -> list[Device]:
        """The simulated devices, in the rig's order; one that has lost its power since is another one."""
        return list(self._by_name.values())

    def peek(self) -> int | None:
        """Return the time of the next thing that happens, in microseconds."""
        return self.kernel.peek()

    def run_until(self, time: int) -> None:
        """Let everything before ``time`` happen."""
        self.kernel.run_until(time)
        self.world.advance(time)

    @property
    def now(self) -> int:
        """How far it has come, in microseconds."""
        return self.kernel.now

    def plan(self, time: int, action: Callable[[], None]) -> None:
        """Have something done at a time, before all that happens by itself then."""
        self.kernel.at(time, lambda _: action(), priority=_PLANNED_PRIORITY)

    def call_device(self, name: str, do: Callable[[Device], None]) -> None:
        """Call into a device now."""
        self._call((self._by_name[name], partial(do, self._by_name[name])))

    def switch_off(self, name: str) -> None:
        """Take a device's power away: it sends, receives and does nothing any more, and forgets what it received."""
        self._switched_off[name] += 1
        device = self._by_name[name]
        self._stopped.add(device)
        for babble in self._babbles(name):
            self.line.remove(babble)
        self.line.disconnect(device)
        with suppress(Exception):  # it may be broken already
            device.on_stop()
        self.world.set_load(name, 0.0)

    def switch_on(self, name: str) -> None:
        """Give a device its power back, once it is given as often as it was taken; it starts as new."""
        self._switched_off[name] -= 1
        if self._switched_off[name] > 0:
            return
        before, device = self._by_name[name], self._device_makers[name]()
        self._by_name[name] = device
        for receiving in self._receivers.values():
            receiving[:] = [device if one is before else one for one in receiving]
        self.line.connect(device, name)
        for babble in self._babbles(name):
            self.line.apply(babble)
        self._call((device, device.start))

    def apply_wire_fault(self, fault: WireFault, by: object) -> None:
        """Let something be wrong with the wires until all who applied it have removed it."""
        self._wire_faults.setdefault(fault, set()).add(by)
        device = self._by_name.get(fault.node) if isinstance(fault, Babble) else None
        if device is None or device in self.line.controllers:
            self.line.apply(fault)

    def remove_wire_fault(self, fault: WireFault, by: object) -> None:
        """Remove a fault of the wires for one who applied it.

        After the last one it is over, and a node that only babbled is off the wires.
        """
        wanted = self._wire_faults.get(fault, set())
        wanted.discard(by)
        if wanted:
            return
        self._wire_faults.pop(fault, None)
        self.line.remove(fault)
        if isinstance(fault, Babble) and not self._babbles(fault.node):
            self.line.disconnect(fault.node)  # no device: those are not on the line by their names

    def _babbles(self, node: str) -> list[Babble]:
        return [fault for fault in self._wire_faults if isinstance(fault, Babble) and fault.node == node]

    def holder(self, address: int) -> str | None:
        """Return which simulated device may speak from an address now; None if none does."""
        there = (one.name for one in self.devices if one.address == address and one not in self._stopped)
        return next(there, None)

    def send(self, identifier: int, data: bytes) -> None:
        """Send a frame of a node that is not simulated now."""
        self.line.send(identifier, data, None)

    def _call(self, planned: tuple[Device, Callable[[], None]]) -> None:
        """Call into a device at the present time, then take what it wants to send and its timers."""
        device, call = planned
        if device in self._stopped:
            return
        kernel = self.kernel
        device.now = now = kernel.now
        if now >= self._next_second:  # the physics go from second to second
            self._next_second = now - now % SECOND_US + SECOND_US
            self.world.advance(now)
        try:
            call()
        except Exception as error:  # whatever a device raises must not stop the others
            self._take_out(device, error)
            return
        if device.timers:
            for delay, later in device.timers:
                kernel.at(now + delay, self._calls, (device, later), 1)
            device.timers.clear()
        if device.outbox:
            gates = self.outgoing_gates[device.name]
            for identifier, data in device.outbox:
                if gates:
                    self._send_through(gates, identifier, data, device)
                else:
                    self.line.send(identifier, data, device)
            device.outbox.clear()

    def _send_through(self, gates: Iterable[Gate], identifier: int, data: bytes, device: Device) -> None:
        passed = self._through(gates, identifier, data)
        if passed is None:
            return
        identifier, data, delay = passed
        if delay:
            self.kernel.at(self.kernel.now + delay, self._send_late, (identifier, data, device))
        else:
            self.line.send(identifier, data, device)

    def _through(self, gates: Iterable[Gate], identifier: int, data: bytes) -> Passed | None:
        """Return what gets through gates that stand one behind the other; their delays add up."""
        delay = 0
        for gate in gates:
            passed = gate(self.kernel.now, identifier, data)
            if passed is None:
                return None
            identifier, data, later = passed
            delay += later
        return Passed(identifier, data, delay)

    def _send_late(self, late: tuple[int, bytes, Device]) -> None:
        if late[2] in self.line.controllers:  # it may have lost its power meanwhile
            self.line.send(*late)

    def _deliver(self, frame: Frame, sender: object) -> None:
        if self.on_frame is not None:
            self.on_frame(frame)
        _, identifier, data = frame
        receiving = self._receivers.get(dgn_of(identifier), ())
        if self.line.not_receiving or sender.__class__ is SimultaneousSenders:
            excluded = self.line.not_receiving.union(sender if isinstance(sender, SimultaneousSenders) else ())
            receiving = [device for device in receiving if device not in excluded]
        for device in receiving:
            if device is sender:
                continue
            if self.incoming_gates and device.name in self.incoming_gates:
                self._receive_through(device, identifier, data)
            else:
                self._call((device, partial(device.receive, identifier, data)))

    def _receive_through(self, device: Device, identifier: int, data: bytes) -> None:
        passed = self._through(self.incoming_gates[device.name], identifier, data)
        if passed is None:
            return
        receive = partial(device.receive, passed.identifier, passed.data)
        if passed.delay:
            self.kernel.at(self.kernel.now + passed.delay, self._calls, (device, receive), priority=1)
        else:
            self._call((device, receive))

    def _take_out(self, device: Device, error: Exception) -> None:
        self.switch_off(device.name)  # for good: nobody gives this power back
        failure = Failure(self.kernel.now, device.name, error)
        self.failures.append(failure)
        if self._on_failure is not None:
            self._on_failure(failure)
