"""What happened and when, as plain records: the detectors make them, the rules turn them into flags.

Knows: everything a rule needs to raise or clear a flag, without looking anything up. Does not know how it was
found (frame by frame on a live bus, or in the columns of a captured log), nor flags.

A transition that opens a problem has a ``problem_key``, which is the same for as long as the problem lasts; ``Ended``
with that key closes it. Times are integer microseconds; ``since`` is the moment at which a limit was exceeded, ``time``
the moment at which that could be known.
"""

from collections.abc import Callable

from rvsim.watch.transitions.addresses import (
    AddressShared,
    Difference,
    InstanceShared,
    Replaced,
    TwoSenders,
    TwoSendersSign,
    UnplannedDevice,
)
from rvsim.watch.transitions.basis import Ended, Presence, Problem, ProblemKey, Topic
from rvsim.watch.transitions.bus import (
    BusBusy,
    ErrorExtent,
    ErrorsOnBus,
    FramesCollided,
    LoadImpossible,
    LogOutOfOrder,
    SenderNotAcknowledged,
    TimesInWrongUnit,
    WorstCaseExceeded,
)
from rvsim.watch.transitions.claims import CannotClaim, NameShared, Restarted, SentWithoutAddress
from rvsim.watch.transitions.commands import CommandedFunctionMissing, CommandIgnored, CommandsContradict
from rvsim.watch.transitions.messages import FaultReported, LengthWrong, MessageUndefined, NodeDescribed
from rvsim.watch.transitions.motions import MovedWithoutInterlock
from rvsim.watch.transitions.presence import (
    BusFellQuiet,
    FellSilent,
    GapExceeded,
    ListeningGap,
    MomentMarked,
    PresenceChanged,
)
from rvsim.watch.transitions.supply import BatteryDark, ColdPlace, CurrentSignContradicts, SupplyLow, TooCold
from rvsim.watch.transitions.transfers import RequestsRefused, TransferFailed
from rvsim.watch.transitions.values import (
    AlarmCodeReported,
    DataLost,
    Drive,
    DrivenValueStuck,
    KeyHeld,
    Limits,
    OffOutputDraws,
    ReadingChanged,
    ReadingsContradict,
    ValueOutOfRange,
    ValueStuck,
)

__all__ = [
    "AddressShared",
    "AlarmCodeReported",
    "BatteryDark",
    "BusBusy",
    "BusFellQuiet",
    "CannotClaim",
    "ColdPlace",
    "CommandIgnored",
    "CommandedFunctionMissing",
    "CommandsContradict",
    "CurrentSignContradicts",
    "DataLost",
    "Difference",
    "Drive",
    "DrivenValueStuck",
    "Emit",
    "Ended",
    "ErrorExtent",
    "ErrorsOnBus",
    "FaultReported",
    "FellSilent",
    "FramesCollided",
    "GapExceeded",
    "InstanceShared",
    "KeyHeld",
    "LengthWrong",
    "Limits",
    "ListeningGap",
    "LoadImpossible",
    "LogOutOfOrder",
    "MessageUndefined",
    "MomentMarked",
    "MovedWithoutInterlock",
    "NameShared",
    "NodeDescribed",
    "OffOutputDraws",
    "Presence",
    "PresenceChanged",
    "Problem",
    "ProblemKey",
    "ReadingChanged",
    "ReadingsContradict",
    "Replaced",
    "RequestsRefused",
    "Restarted",
    "SenderNotAcknowledged",
    "SentWithoutAddress",
    "SupplyLow",
    "TimesInWrongUnit",
    "TooCold",
    "Topic",
    "TransferFailed",
    "Transition",
    "TwoSenders",
    "TwoSendersSign",
    "UnplannedDevice",
    "ValueOutOfRange",
    "ValueStuck",
    "WorstCaseExceeded",
    "is_by_time",
]

Transition = PresenceChanged | ReadingChanged | NodeDescribed | Problem | Ended

Emit = Callable[[Transition], None]
"""Called with each transition, in the order of time."""

_BY_TIME = (GapExceeded, FellSilent, BusFellQuiet, BusBusy, LoadImpossible, WorstCaseExceeded)


def is_by_time(problem: Problem) -> bool:
    """Return whether a problem was found by times alone, so that it cannot be judged where the times of a log are
    wrong.

    A source that is not in the rig is such a problem if it was found only because it did not identify itself in time.
    """
    return isinstance(problem, _BY_TIME) or (isinstance(problem, UnplannedDevice) and problem.function is None)
