"""What the modules of a running bench do at their terminals: what a simulation knows, and no message carries.

Knows: which simulated devices have outputs and inputs, and the current through the contacts of relays. Does not know
what the rig calls a terminal, nor how it is shown. To be asked while the run stands between two steps.
"""

from collections.abc import Mapping
from typing import NamedTuple, Protocol, runtime_checkable

from rvsim.devices.switching.channel import OutputReading
from rvsim.devices.switching.inputs import InputBank, InputReading
from rvsim.runs.bench import BenchRun
from rvsim.world.outputs import Override


@runtime_checkable
class HasOutputs(Protocol):
    """A simulated device with outputs."""

    def output_readings(self) -> Mapping[str, OutputReading]:
        """Return what each output does now, by its name."""


class OutputState(NamedTuple):
    """One output: the level in percent, the current of its load in amperes, and what was set by hand at the module.

    With a relay ``amps`` is the current through its contact, and ``module_amps`` that of its coil.
    """

    level: float
    amps: float
    module_amps: float
    because: str
    override: Override | None


class ModuleState(NamedTuple):
    """The outputs by their names, the inputs by theirs, and the current of all outputs together in amperes."""

    outputs: Mapping[str, OutputState]
    inputs: Mapping[str, InputReading]
    amps: float


class TerminalStates:
    """The states of one run's modules and keypads."""

    def __init__(self, run: BenchRun) -> None:
        self._bench = run.bench

    def of(self, device: str) -> ModuleState | None:
        """Return the state of a device; None where it is not simulated, or has neither outputs nor inputs."""
        found = next((one for one in self._bench.devices if one.name == device), None)
        outputs: Mapping[str, OutputState] = self._outputs(found) if isinstance(found, HasOutputs) else {}
        bank = getattr(found, "inputs", None)
        inputs = bank.readings() if isinstance(bank, InputBank) else {}
        if not outputs and not inputs:
            return None
        return ModuleState(outputs, inputs, sum(output.module_amps for output in outputs.values()))

    def _outputs(self, device: HasOutputs) -> dict[str, OutputState]:
        circuits, now = self._bench.world.outputs, self._bench.now
        found = {}
        for name, reading in device.output_readings().items():
            circuit = circuits[name]
            amps = reading.amps if circuit.duty else 0.0  # a module that has lost its power drives nothing
            load_amps = amps if circuit.relay is None else circuits.load_amps(name, now)
            found[name] = OutputState(100 * circuit.duty, load_amps, amps, reading.because, circuit.override)
        return found
