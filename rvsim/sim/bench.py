"""The simulated devices of one rig, on one simulated pair of wires, in one time.

Knows: how devices, physics and wires are put together, how faults stand between a device and the wires, and that
a device which raises is taken out by name while the bench goes on. Does not know whether anyone listens: each
frame on the wires is handed to ``on_frame``.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from traceback import extract_tb
from typing import NamedTuple

from rvsim.devices.device import Device, Role, Site
from rvsim.errors import InputError
from rvsim.rig.model import DevicePlan, Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.can.controller import Together
from rvsim.sim.can.line import Line
from rvsim.sim.can.wire_faults import Babble, Trouble
from rvsim.sim.kernel import Kernel
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN
from rvsim.wire.frame import Frame
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
_SECOND = 1_000_000
_FIRST = -1
"""The priority of what a plan does at a time: before everything that happens by itself then."""


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
        self._gone: set[Device] = set()
        """Devices that do nothing any more: without power, or taken out."""
        self.on_frame = on_frame
        """Takes each frame that went through; may be changed between two steps."""
        self._on_failure = on_failure
        self.line = Line(
            self.kernel, self._deliver, rate=bit_rate, acknowledges=acknowledges, seed=seed, on_line=on_line
        )
        """The wires; what is wrong with them is begun by ``spoil`` and ended by ``mend``."""
        self._switched_off: Counter[str] = Counter()
        self._spoilt: dict[Trouble, set[object]] = {}
        plans = [plan for plan in rig.devices if plan.name not in absent]
        self.gates: dict[str, list[Gate]] = {plan.name: [] for plan in plans}
        """What stands between each device and the wires, in this order; may be changed between two steps."""
        self.ears: dict[str, list[Gate]] = {}
        """What stands between the wires and the devices that have any, in this order."""
        self._makers = {
            plan.name: partial(self._put_in, plan, kinds[_kind(plan, kinds)], catalogue, seed, site or Site())
            for plan in plans
        }
        self._by_name = {name: make() for name, make in self._makers.items()}
        self._listeners: dict[int, list[Device]] = {}
        for device in self.devices:
            self.line.join(device, device.name)
            for dgn in device.listens_to | {ADDRESS_CLAIM, REQUEST_FOR_DGN}:
                self._listeners.setdefault(dgn, []).append(device)
            self.kernel.at(0, self._calls, (device, device.start))

    def _put_in(self, plan: DevicePlan, kind: type[Device], catalogue: Catalogue, seed: int, site: Site) -> Device:
        settings = kind.Settings.model_validate(plan.settings)
        self.world.set_load(plan.name, sum(rest for rest, _ in plan.amps.values()))  # until it says otherwise
        try:
            return kind(Role(plan, settings, catalogue, self.world, seed, site))
        except InputError:
            raise
        except Exception as error:  # another's package may raise anything
            raise InputError(
                f'device "{plan.name}": its kind "{plan.kind}", {kind.__module__}.{kind.__qualname__}, cannot be put '
                f"in ({type(error).__name__}: {error}); mend that class"
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
        self.kernel.at(time, lambda _: action(), priority=_FIRST)

    def make(self, name: str, do: Callable[[Device], None]) -> None:
        """Make a device do something now."""
        self._call((self._by_name[name], partial(do, self._by_name[name])))

    def switch_off(self, name: str) -> None:
        """Take a device's power away: it sends, hears and does nothing any more, and forgets all that it was told."""
        self._switched_off[name] += 1
        device = self._by_name[name]
        self._gone.add(device)
        for babble in self._babbles(name):
            self.line.troubles.end(babble)
        self.line.leave(device)
        with suppress(Exception):  # it may be broken already
            device.on_stop()
        self.world.set_load(name, 0.0)

    def switch_on(self, name: str) -> None:
        """Give a device its power back, once it is given as often as it was taken; it starts as new."""
        self._switched_off[name] -= 1
        if self._switched_off[name] > 0:
            return
        before, device = self._by_name[name], self._makers[name]()
        self._by_name[name] = device
        for hearing in self._listeners.values():
            hearing[:] = [device if one is before else one for one in hearing]
        self.line.join(device, name)
        for babble in self._babbles(name):
            self.line.troubles.begin(babble)
        self._call((device, device.start))

    def spoil(self, trouble: Trouble, by: object) -> None:
        """Let something be wrong with the wires until all who want it so have mended it."""
        self._spoilt.setdefault(trouble, set()).add(by)
        device = self._by_name.get(trouble.node) if isinstance(trouble, Babble) else None
        if device is None or device in self.line.nodes:
            self.line.troubles.begin(trouble)

    def mend(self, trouble: Trouble, by: object) -> None:
        """Want a trouble no more. When nobody does it is over, and a stranger who babbled is off the wires."""
        wanted = self._spoilt.get(trouble, set())
        wanted.discard(by)
        if wanted:
            return
        self._spoilt.pop(trouble, None)
        self.line.troubles.end(trouble)
        if isinstance(trouble, Babble) and not self._babbles(trouble.node):
            self.line.leave(trouble.node)  # a stranger; devices do not go by their names there

    def _babbles(self, node: str) -> list[Babble]:
        return [trouble for trouble in self._spoilt if isinstance(trouble, Babble) and trouble.node == node]

    def holder(self, address: int) -> str | None:
        """Return which simulated device may speak from an address now; None if none does."""
        there = (one.name for one in self.devices if one.address == address and one not in self._gone)
        return next(there, None)

    def put(self, identifier: int, data: bytes) -> None:
        """Put a frame of a node that is not simulated onto the wires now."""
        self.line.send(identifier, data, None)

    def _call(self, planned: tuple[Device, Callable[[], None]]) -> None:
        """Call into a device at the present time, then take what it wants to send and its timers."""
        device, call = planned
        if device in self._gone:
            return
        kernel = self.kernel
        device.now = now = kernel.now
        if now >= self._next_second:  # the physics go from second to second
            self._next_second = now - now % _SECOND + _SECOND
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
            gates = self.gates[device.name]
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
        if late[2] in self.line.nodes:  # it may have lost its power meanwhile
            self.line.send(*late)

    def _deliver(self, frame: Frame, sender: object) -> None:
        if self.on_frame is not None:
            self.on_frame(frame)
        _, identifier, data = frame
        hearing = self._listeners.get(dgn_of(identifier), ())
        if self.line.deaf or sender.__class__ is Together:
            silent = self.line.deaf.union(sender if isinstance(sender, Together) else ())
            hearing = [device for device in hearing if device not in silent]
        for device in hearing:
            if device is sender:
                continue
            if self.ears and device.name in self.ears:
                self._hear_through(device, identifier, data)
            else:
                self._call((device, partial(device.receive, identifier, data)))

    def _hear_through(self, device: Device, identifier: int, data: bytes) -> None:
        passed = self._through(self.ears[device.name], identifier, data)
        if passed is None:
            return
        hear = partial(device.receive, passed.identifier, passed.data)
        if passed.delay:
            self.kernel.at(self.kernel.now + passed.delay, self._calls, (device, hear), priority=1)
        else:
            self._call((device, hear))

    def _take_out(self, device: Device, error: Exception) -> None:
        self.switch_off(device.name)  # for good: nobody gives this power back
        failure = Failure(self.kernel.now, device.name, error)
        self.failures.append(failure)
        if self._on_failure is not None:
            self._on_failure(failure)
