"""How planned faults act on a bench: what each applies when it starts and removes when it stops.

Knows: which module makes the effects of each kind of fault. Does not know when a fault starts: a scenario's times, a
step or a user at the bench decide that.
"""

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from random import Random

from rvsim.errors import InputError
from rvsim.rig.climate import zone_names
from rvsim.rig.model import Rig
from rvsim.shakedown.faults import fault_plans as plans
from rvsim.shakedown.faults.bench_effects import Effect, PowerLoss
from rvsim.shakedown.faults.bus_faults import WireFaultEffect, wire_fault_of
from rvsim.shakedown.faults.contact_faults import ContactFaults
from rvsim.shakedown.faults.device_faults import DeviceFaults
from rvsim.shakedown.faults.message_faults import MessageFaults
from rvsim.shakedown.faults.motion_faults import motion_effect
from rvsim.shakedown.faults.switching_faults import switching_effect
from rvsim.shakedown.faults.vehicle_faults import VehicleFaults
from rvsim.sim.bench import Bench
from rvsim.wire.catalogue import Catalogue


class PlannedFault:
    """A fault of a scenario; its effects are made anew each time it is applied, so nothing is left from before.

    Raises:
        InputError, ValueError: as ``EffectMaker.effects``.
    """

    def __init__(self, plan: plans.FaultPlan, make: Callable[[], Iterable[Effect]]) -> None:
        self.plan = plan
        self._make = make
        self._applied: list[Effect] = []
        list(make())  # so that an effect that cannot be made raises before anything runs

    def apply(self, bench: Bench) -> None:
        """Apply the fault, unless it is applied already."""
        if self._applied:
            return
        effects = list(self._make())
        for effect in effects:
            effect.apply(bench)
        self._applied = [effect for effect in effects if not (isinstance(effect, PowerLoss) and effect.ends_by_itself)]

    def remove(self, bench: Bench) -> None:
        """Remove the fault, if it is applied."""
        for effect in reversed(self._applied):
            effect.remove(bench)
        self._applied = []


def planned_faults(
    faults: tuple[plans.Fault, ...], where: Callable[[int], str], rig: Rig, catalogue: Catalogue, seed: int
) -> list[PlannedFault]:
    """Return the faults of a scenario, ready to be applied.

    Args:
        faults: as the scenario has them.
        where: returns the place of a fault in the scenario's file, by its index from 0.
        rig: the scenario's rig.
        catalogue: the message definitions.
        seed: decides what is left to chance.

    Raises:
        InputError: faults name messages, fields or functions that are not defined, or values that a field cannot have;
            one line for each.
    """
    maker = EffectMaker(rig, catalogue, seed)
    built, problems = [], []
    for number, fault in enumerate(faults, start=1):
        try:
            built.append(PlannedFault(fault, partial(maker.effects, fault, number)))
        except InputError as error:
            problems += [f"{where(number - 1)}: {problem}" for problem in error.problems]
        except ValueError as error:
            problems.append(f"{where(number - 1)}: {error}")
    if problems:
        raise InputError(*problems)
    return built


class EffectMaker:
    """Makes the effects of faults for one rig."""

    def __init__(self, rig: Rig, catalogue: Catalogue, seed: int) -> None:
        devices = {plan.name: plan for plan in rig.devices}
        self._messages = MessageFaults(devices, catalogue)
        self._device_faults = DeviceFaults(devices, zone_names(rig.zones))
        self._vehicle = VehicleFaults(rig)
        self._contact_faults = ContactFaults(rig)
        self._vehicle_plan = rig.vehicle
        self._seed = seed

    def effects(self, fault: plans.Fault, number: int = 0) -> Iterator[Effect]:
        """Yield the effects of a fault; ``number`` gives two faults of one kind different random values.

        Raises:
            InputError: a message is not defined.
            ValueError: a field is not defined, or cannot have the value.
        """
        if isinstance(fault, plans.WirePlan):
            yield WireFaultEffect(wire_fault_of(fault))
        elif isinstance(fault, plans.SupplyPlan):
            yield from self._vehicle.effects(fault, f"fault {number}")
        elif isinstance(fault, plans.ContactFaultPlan):
            yield from self._contact_faults.effects(fault, f"fault {number}")
        elif isinstance(fault, plans.SwitchingPlan):
            yield switching_effect(fault, self._vehicle_plan)
        elif isinstance(fault, plans.MotionFault):
            yield motion_effect(fault, self._vehicle_plan)
        elif isinstance(fault, plans.InternalPlan):
            yield from self._device_faults.effects(fault)
        else:
            yield from self._messages.effects(fault, Random(f"{self._seed}:fault {number}"))
