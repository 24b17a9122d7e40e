"""Faults of relays and of what hangs on the outputs of modules: what each changes on a bench.

Knows: which relay or output each is about. Does not know when a fault starts, nor what a module makes of it.
"""

from typing import NamedTuple, assert_never

from rvsim.rig.quantity import shown
from rvsim.rig.references import unknown_text
from rvsim.rig.vehicle import VehiclePlan
from rvsim.shakedown.faults import switching_fault_plans as plans
from rvsim.sim.bench import Bench
from rvsim.world.relays import Contact


class FaultyContact(NamedTuple):
    """The contact of a relay."""

    relay: str
    contact: Contact

    def apply(self, bench: Bench) -> None:
        """Weld it, or keep it open."""
        bench.world.outputs.set_relay_fault(self.relay, self.contact, bench.now)

    def remove(self, bench: Bench) -> None:
        """Make it whole."""
        bench.world.outputs.set_relay_fault(self.relay, None, bench.now)


class OpenLoad(NamedTuple):
    """A load that takes no current."""

    output: str

    def apply(self, bench: Bench) -> None:
        """Open its circuit."""
        bench.world.outputs.set_lamp_out(self.output, is_out=True, now=bench.now)

    def remove(self, bench: Bench) -> None:
        """Close it."""
        bench.world.outputs.set_lamp_out(self.output, is_out=False, now=bench.now)


class OverloadedOutput(NamedTuple):
    """A load that takes too much."""

    output: str
    amps: float

    def apply(self, bench: Bench) -> None:
        """Let it take more."""
        bench.world.outputs.set_overload(self.output, self.amps, bench.now)

    def remove(self, bench: Bench) -> None:
        """Let it take its own current."""
        bench.world.outputs.set_overload(self.output, 0.0, bench.now)


def switching_effect(fault: plans.SwitchingPlan, plan: VehiclePlan) -> FaultyContact | OpenLoad | OverloadedOutput:
    """Return the effect of a fault on a vehicle.

    Raises:
        ValueError: it names what the rig does not have.
    """
    match fault:
        case plans.RelayWeldedPlan():
            return FaultyContact(_relay(fault.relay, plan), "welded")
        case plans.RelayOpenPlan():
            return FaultyContact(_relay(fault.relay, plan), "open")
        case plans.LampOutPlan():
            return OpenLoad(_output(fault.output, plan))
        case plans.OutputOverloadPlan():
            return OverloadedOutput(_output(fault.output, plan), fault.amps)
        case _:
            assert_never(fault)


def _relay(name: str, plan: VehiclePlan) -> str:
    known = [relay.name for relay in plan.relays]
    if name not in known:
        raise ValueError(unknown_text(name, known, "relays"))
    if all(output.relay != name for output in plan.outputs):
        raise ValueError(f"no output has the relay {shown(name)}, so the fault has no effect; give it to an output")
    return name


def _output(name: str, plan: VehiclePlan) -> str:
    known = [output.name for output in plan.outputs]
    if name not in known:
        raise ValueError(unknown_text(name, known, "outputs"))
    return name
