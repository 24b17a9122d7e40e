"""The faults of the wires themselves, as what is put in place on a bench and taken away again.

Knows: which trouble of the wires each plan is. Does not know when a fault begins, nor how the pair carries frames.
"""

from rvsim.shakedown.expect.sight import identifier_of
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.sim.bench import Bench
from rvsim.sim.can.wire_faults import Babble, MissingTerminator, Noise, ReversedPair, Trouble


class OnTheWires:
    """A trouble of the wires. Of two faults that are the same trouble, the end of one leaves it to the other."""

    def __init__(self, trouble: Trouble) -> None:
        self._trouble = trouble

    def apply(self, bench: Bench) -> None:
        """Let it be so."""
        bench.spoil(self._trouble, self)

    def remove(self, bench: Bench) -> None:
        """Put it right, as far as this fault goes."""
        bench.mend(self._trouble, self)


def trouble_of(plan: plans.WirePlan) -> Trouble:
    """Return the model that a plan asks for."""
    match plan:
        case plans.BabblingPlan():
            return Babble(plan.whom, identifier_of(plan.identifier), bytes.fromhex(plan.data), plan.gap or 0)
        case plans.BusErrorsPlan():
            return Noise(plan.rate)
        case plans.MissingTerminatorPlan():
            return MissingTerminator(plan.rate)
        case plans.ReversedPairPlan():
            return ReversedPair(plan.device)
