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
from rvsim.watch.transitions.messages import FaultReported, LengthWrong, NameMissing, NodeDescribed
from rvsim.watch.transitions.presence import BusFellQuiet, FellSilent, GapExceeded, PresenceChanged
from rvsim.watch.transitions.transfers import RequestsRefused, TransferFailed
from rvsim.watch.transitions.values import DataLost, Limits, RangeLeft, ReadingChanged
from rvsim.watch.transitions.wires import BusBusy, FramesCollided, NobodyAcknowledges, WaitedTooLong

__all__ = [
    "AddressMissing",
    "AddressShared",
    "BusBusy",
    "BusFellQuiet",
    "CannotClaim",
    "Cause",
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
    "NodeDescribed",
    "Presence",
    "PresenceChanged",
    "Problem",
    "RangeLeft",
    "ReadingChanged",
    "Replaced",
    "RequestsRefused",
    "Restarted",
    "Stranger",
    "Topic",
    "TransferFailed",
    "Transition",
    "TwoVoices",
    "VoiceSign",
    "WaitedTooLong",
]

Transition = PresenceChanged | ReadingChanged | NodeDescribed | Problem | Ended
