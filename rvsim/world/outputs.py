"""The outputs of all modules as circuits: a load, or the coil of a relay and its contact; and overrides by hand.

Knows: what hangs on each output, what a person has set by hand at the module, and what is wrong with a load or a
contact. Does not know what a module decides: it hands in the duty of each output, and measures the current.

The current of an output is counted by its module. The current through the contact of a relay does not go through the
module: it is counted here, also while the module has no power.
"""

from collections.abc import Callable
from typing import Literal

from rvsim.rig.module_parts import contact_owner
from rvsim.rig.switching import OutputPlan
from rvsim.rig.vehicle import VehiclePlan
from rvsim.world.electric import ElectricSystem
from rvsim.world.loads import Load, Transient
from rvsim.world.motions import Motions
from rvsim.world.relays import Contact, Relay

Override = Literal["on", "off"]
"""What a person has set at the module: on or off whatever is commanded."""


class OutputCircuit:
    """One output's circuit."""

    def __init__(self, name: str, device: str | None, load: Load, relay: Relay | None) -> None:
        self.name, self.device, self.load, self.relay = name, device, load, relay
        self.override: Override | None = None
        self.duty = 0.0
        """The share of the time for which the output conducts, 0 to 1."""
        self.contact = Transient()
        """The current through the relay's contact."""


class OutputCircuits:
    """All outputs by their names; KeyError for a name that is none. Times are microseconds of the run.

    ``tell_of_change`` is called with the device of a module when a person, or a fault, has changed something at its
    terminals.
    """

    def __init__(
        self, plan: VehiclePlan, electric: ElectricSystem, tell_of_change: Callable[[str], None], motions: Motions
    ) -> None:
        self._electric = electric
        self._motions = motions
        self._tell_of_change = tell_of_change
        self._relays = {relay.name: Relay(relay) for relay in plan.relays}
        self._circuits: dict[str, OutputCircuit] = {}
        self._by_relay: dict[str, OutputCircuit] = {}
        devices = {module.name: module.device for module in plan.modules}
        for output in plan.outputs:
            self.add(output, devices.get(output.module))

    def add(self, output: OutputPlan, device: str | None) -> None:
        """Add an output of a module that is this device; one that is there already stays as it is."""
        if output.name in self._circuits:
            return
        wire_ohm = output.wire.ohm if output.wire is not None else 0.0
        relay = self._relays.get(output.relay) if output.relay is not None else None
        load = self._motions.load_of(output, relay) or Load(output.load, output.amps or 0.0, output.peak_amps, wire_ohm)
        circuit = self._circuits[output.name] = OutputCircuit(output.name, device, load, relay)
        if relay is not None:
            self._by_relay[relay.plan.name] = circuit

    def __getitem__(self, output: str) -> OutputCircuit:
        return self._circuits[output]

    @property
    def names(self) -> list[str]:
        """The names of all outputs."""
        return list(self._circuits)

    # What a module does.

    def set_duty(self, output: str, duty: float, volts: float, now: int) -> Transient:
        """Let an output conduct for a share of the time; return the current that its module sees from ``now`` on."""
        circuit = self._circuits[output]
        circuit.duty = duty
        if circuit.relay is None:
            return circuit.load.set_duty(duty, volts, now)
        coil = Transient(circuit.relay.set_coil(duty * volts), 0.0, 1, now)
        self._follow_contact(circuit, now)
        self._count_contact(circuit, circuit.contact.amps_at(now))
        return coil

    def count_contact(self, output: str, now: int) -> None:
        """Count anew the current through the contact of an output's relay, if it has one, while its load starts."""
        circuit = self._circuits[output]
        if circuit.relay is not None:
            self._count_contact(circuit, circuit.contact.amps_at(now))

    def _follow_contact(self, circuit: OutputCircuit, now: int) -> None:
        """Let the load have what the contact of the relay gives it."""
        assert circuit.relay is not None
        volts = self._electric.volts_at(contact_owner(circuit.relay.plan.name))
        circuit.contact = circuit.load.set_duty(float(circuit.relay.is_closed), volts, now)

    def _count_contact(self, circuit: OutputCircuit, amps: float) -> None:
        assert circuit.relay is not None
        self._electric.set_load(contact_owner(circuit.relay.plan.name), amps)

    def load_amps(self, output: str, now: int) -> float:
        """Return the present current of the load of an output that has a relay."""
        return self._circuits[output].contact.amps_at(now)

    # What a person or a fault does.

    def set_override(self, output: str, override: Override | None) -> None:
        """Set an output by hand at its module: on, off, or None: as commanded."""
        circuit = self._circuits[output]
        circuit.override = override
        self._tell(circuit)

    def set_relay_fault(self, relay: str, fault: Contact | None, now: int) -> None:
        """Weld the contact of a relay, keep it open, or make it whole; KeyError where no output has this relay."""
        circuit = self._by_relay[relay]
        assert circuit.relay is not None
        circuit.relay.fault = fault
        self._change_load(circuit, now)

    def set_lamp_out(self, output: str, *, is_out: bool, now: int) -> None:
        """Open the circuit of a load, as a lamp does that has burnt out, or replace it."""
        self._circuits[output].load.is_open = is_out
        self._change_load(self._circuits[output], now)

    def set_overload(self, output: str, amps: float, now: int) -> None:
        """Let a load take more by this current, at 12 V; 0: no longer."""
        self._circuits[output].load.more_amps = amps
        self._change_load(self._circuits[output], now)

    def refresh(self, output: str, now: int) -> None:
        """Count anew what a load takes that has changed by itself, as a motor does at the end of its way."""
        self._change_load(self._circuits[output], now)

    def _change_load(self, circuit: OutputCircuit, now: int) -> None:
        """Count what the load takes now, its start left out, since the module may have no power; tell the module."""
        if circuit.relay is not None:
            self._follow_contact(circuit, now)
            self._count_contact(circuit, circuit.contact.steady_amps)
        self._tell(circuit)

    def _tell(self, circuit: OutputCircuit) -> None:
        if circuit.device is not None:
            self._tell_of_change(circuit.device)
