"""Digital inputs of a module or a keypad: debounce, ladders, DIGITAL_INPUT_STATUS on change.

Knows: how a module reads its inputs: the resistance of each through a pull-up, debounced, and a ladder by bands with a
hysteresis; what it sends of them. Does not know who presses a switch, nor what a device does then: its host is told.

DIGITAL_INPUT_STATUS (a keypad maker's integrator guide) is sent on change, as that guide says, and answered on request;
there is no gap, so an input at rest costs nothing. After the start each input is sent once, so that others know its
position (common practice, no source). The code of a maintained switch is not established: its configuration is sent as
no data.
"""

from collections.abc import Callable, Iterable, Mapping
from random import Random
from typing import NamedTuple, Protocol

from rvsim.rig.inputs import InputPlan, LadderPlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US
from rvsim.wire.spec import MessageSpec
from rvsim.world.world import World

STATUS = "DIGITAL_INPUT_STATUS"
CLOSED_BELOW_OHM = 1000.0
"""Below this resistance to ground an input without a ladder is on. Common practice, no source: a pull-up of 1 kohm and
a threshold at half of the reference."""
MOMENTARY_CODE = 1
"""The configuration "momentary"; the code for maintained is not established."""
POSITIONS = 2
"""Number of positions of a switch that is on or off."""
NO_BANK = 15


class InputHost(Protocol):
    """What inputs need of their device."""

    now: int
    catalogue: Catalogue
    world: World
    random: Random

    def after(self, delay_us: int, call: Callable[[], None], /) -> None:
        """Call once, ``delay_us`` from now."""

    def send(self, spec: MessageSpec, data: bytes, /) -> None:
        """Send a frame to all."""


class DigitalInput(NamedTuple):
    """One switch as the network knows it.

    ``name`` is that by which it is pressed; without an ``instance`` it is not on the network. ``rung`` is the name of
    the switch in its ladder.
    """

    name: str
    instance: int | None
    rung: str | None = None
    is_maintained: bool = False
    bank: int = NO_BANK


class InputLine(NamedTuple):
    """One electrical input with what is wired to it: one switch, or those of a ladder."""

    name: str
    switches: tuple[DigitalInput, ...]
    debounce_us: int
    ladder: LadderPlan | None = None


class InputReading(NamedTuple):
    """What an input reads now: its resistance, infinite for open; counts of a ladder; the switch that is on."""

    name: str
    ohm: float
    counts: int | None
    switch: DigitalInput | None


OnSwitch = Callable[[DigitalInput, bool], None]
"""Receives a switch and whether it is on now."""


def line_of(plan: InputPlan) -> InputLine:
    """Return the electrical input that a rig's input describes."""
    is_maintained = plan.switch == "maintained"
    switches = tuple(
        DigitalInput(position.name, position.instance, position.rung, is_maintained) for position in plan.positions
    )
    return InputLine(plan.name, switches, plan.debounce, plan.ladder)


class _LineState:
    """What one input has read: the switch that counts, and the one that is read since ``reads``."""

    def __init__(self, line: InputLine) -> None:
        self.line = line
        self.accepted: DigitalInput | None = None
        self.read: DigitalInput | None = None
        self.reads = 0


class InputBank:
    """The inputs of one device, each debounced by itself.

    Args:
        host: the device; it passes ``on_contact`` on, and requests for the status to ``answer``.
        lines: its electrical inputs.
        on_switch: is told of each switch that goes on or off, after its status was sent.
    """

    def __init__(self, host: InputHost, lines: Iterable[InputLine], on_switch: OnSwitch | None = None) -> None:
        self._host, self._on_switch = host, on_switch
        self._spec = host.catalogue.by_name(STATUS)
        self._states = {line.name: _LineState(line) for line in lines}
        self._on: set[str] = set()
        self._has_started = False

    @property
    def switches(self) -> tuple[DigitalInput, ...]:
        """Every switch, in the order of the inputs."""
        return tuple(switch for state in self._states.values() for switch in state.line.switches)

    @property
    def dgn(self) -> int:
        """The DGN of the status."""
        return self._spec.dgn

    def is_on(self, name: str) -> bool:
        """Tell whether a switch is on, as the device has accepted it."""
        return name in self._on

    def readings(self) -> Mapping[str, InputReading]:
        """Return what each input reads now, before it is debounced."""
        return {name: self._reading(state) for name, state in self._states.items()}

    def start(self) -> None:
        """Read every input as it is, and send each once within a second; before this nothing is read."""
        self._has_started = True
        for state in self._states.values():
            state.read = state.accepted = self._reading(state).switch
            if state.accepted is not None:
                self._on.add(state.accepted.name)
        self._host.after(self._host.random.randrange(SECOND_US), lambda: self._send(*self.switches))

    def on_contact(self, name: str) -> None:
        """Read an input again; what it reads counts when it has stayed so for the time of its debounce."""
        state = self._states.get(name)
        if state is None or not self._has_started:
            return
        read = self._reading(state).switch
        if read == state.read:
            return
        state.read = read
        state.reads += 1
        reads = state.reads
        if state.line.debounce_us:
            self._host.after(state.line.debounce_us, lambda: self._accept(state, reads))
        else:
            self._accept(state, reads)

    def answer(self, instance: int | None) -> bool:
        """Send the status of one instance, or of all, as asked for; return whether there are any."""
        asked = [switch for switch in self.switches if switch.instance is not None]
        asked = [switch for switch in asked if instance in (None, switch.instance)]
        self._send(*asked)
        return bool(asked)

    def _reading(self, state: _LineState) -> InputReading:
        line = state.line
        ohm = self._host.world.contacts.input_ohm(line.name)
        if line.ladder is None:
            return InputReading(line.name, ohm, None, line.switches[0] if ohm < CLOSED_BELOW_OHM else None)
        counts = line.ladder.ladder.reading(ohm)
        rung = ladder_switch(line.ladder, counts, None if state.read is None else state.read.rung)
        switch = next((switch for switch in line.switches if switch.rung == rung), None) if rung is not None else None
        return InputReading(line.name, ohm, counts, switch)

    def _accept(self, state: _LineState, reads: int) -> None:
        if state.reads != reads or state.read == state.accepted:  # it has changed meanwhile, or is back where it was
            return
        before, state.accepted = state.accepted, state.read
        if before is not None:
            self._on.discard(before.name)
            self._tell(before, is_on=False)
        if state.accepted is not None:
            self._on.add(state.accepted.name)
            self._tell(state.accepted, is_on=True)

    def _tell(self, switch: DigitalInput, *, is_on: bool) -> None:
        self._send(switch)
        if self._on_switch is not None:
            self._on_switch(switch, is_on)

    # The status.

    def _send(self, *switches: DigitalInput) -> None:
        for switch in switches:
            if switch.instance is None:
                continue
            configuration = {} if switch.is_maintained else {"configuration": MOMENTARY_CODE}
            data = self._spec.pack(
                instance=switch.instance,
                switch_position=int(switch.name in self._on),
                number_of_positions=POSITIONS,
                bank_select=switch.bank,
                **configuration,
            )
            self._host.send(self._spec, data)


def ladder_switch(plan: LadderPlan, counts: int, before: str | None) -> str | None:
    """Return the switch that a module reads on a ladder, None for none.

    Two switches that are pressed together have one resistance: it is read as the switch in whose band it falls, which
    may be one that nobody presses; with ``between`` "none" also as no switch where it is in no band.

    Args:
        plan: the ladder.
        counts: the counts of the converter.
        before: the switch that it read before; it stays until the reading is beyond the hysteresis.
    """
    ladder = plan.ladder
    read = ladder.nearest if plan.between == "nearest" else ladder.within
    part, margin = (counts + 0.5) / ladder.counts, plan.hysteresis_counts / ladder.counts
    is_near = bool(margin) and before in (read(part - margin), read(part + margin))
    return before if is_near else read(part)
