"""What happened and when: plain records between hearing and judging.

Knows: everything a rule needs to raise or clear a flag, without looking anything up. Does not know how it was
found: frame by frame on a live bus, or in the columns of a captured log. Does not know flags either.

A transition that opens a problem has a ``cause``, a key that is the same for as long as the problem lasts;
``Ended`` with that key closes it. Times are integer microseconds; ``since`` is the moment at which a limit was
passed, ``time`` the moment at which that could be known.
"""

from rvsim.watch.transitions.addresses import (
    AddressShared,
    Difference,
    InstanceShared,
    Replaced,
    Stranger,
    TwoVoices,
    VoiceSign,
)
from rvsim.watch.transitions.basis import Cause, Ended, Presence, Problem, Topic
from rvsim.watch.transitions.claims import AddressMissing, CannotClaim, NameShared, Restarted
from rvsim.watch.transitions.commands import CommandIgnored, CommandsContradict, NobodyObeys
from rvsim.watch.transitions.messages import FaultReported, LengthWrong, NameMissing, NodeDescribed
from rvsim.watch.transitions.presence import BusFellQuiet, FellSilent, GapExceeded, PresenceChanged
from rvsim.watch.transitions.transfers import RequestsRefused, TransferFailed
from rvsim.watch.transitions.values import (
    CodeAlarmed,
    DataLost,
    Limits,
    RangeLeft,
    ReadingChanged,
    ReadingsContradict,
    ValueStuck,
)
from rvsim.watch.transitions.wires import BusBusy, FramesCollided, NobodyAcknowledges, WaitedTooLong

__all__ = [
    "AddressMissing",
    "AddressShared",
    "BusBusy",
    "BusFellQuiet",
    "CannotClaim",
    "Cause",
    "CodeAlarmed",
    "CommandIgnored",
    "CommandsContradict",
    "DataLost",
    "Difference",
    "Ended",
    "FaultReported",
    "FellSilent",
    "FramesCollided",
    "GapExceeded",
    "InstanceShared",
    "LengthWrong",
    "Limits",
    "NameMissing",
    "NameShared",
    "NobodyAcknowledges",
    "NobodyObeys",
    "NodeDescribed",
    "Presence",
    "PresenceChanged",
    "Problem",
    "RangeLeft",
    "ReadingChanged",
    "ReadingsContradict",
    "Replaced",
    "RequestsRefused",
    "Restarted",
    "Stranger",
    "Topic",
    "TransferFailed",
    "Transition",
    "TwoVoices",
    "ValueStuck",
    "VoiceSign",
    "WaitedTooLong",
]

Transition = PresenceChanged | ReadingChanged | NodeDescribed | Problem | Ended
