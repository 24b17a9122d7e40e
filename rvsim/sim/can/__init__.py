"""The simulated CAN pair: one frame at a time, arbitration, acknowledgement, errors, bus-off.

``Line`` is the interface: ``connect``, ``disconnect``, ``send``, ``withdraw`` for who is on the pair, ``apply`` and
``remove`` for what is wrong with it. The other modules know nothing of it. What they cannot do themselves they ask for
by the functions that ``Line`` hands to them.

The pair::

            +------+       send         +-------------+       _begin        +--------------+
        +-->| idle |------------------->| arbitration |-------------------->| transmission |
        |   +------+                    +-------------+<--------------------+--------------+
        |                                      ^        _enter_arbitration    |   |   |
        |                                      |        (same microsecond)    |   |   | _foresee: all senders
        |                          somebody    |                              |   |   | error passive, nobody
        |                          is ready    |                              |   |   | acknowledges
        |                                      |                              |   |   v
        |   nobody     +---------------------------+        _end: handed over |   | +-----------------+
        +--------------| _wake, when pair is clear |<-------------------------+   | | repeated        |
            is ready   +---------------------------+                              | | without         |
                           ^          ^                                     _fail | | acknowledgement |
                           |          |            +-------------+                | +-----------------+
                           |          +------------| error frame |<---------------+   |
                           |                       +-------------+                    | _end_shortcuts
                           +----------------------------------------------------------+

Of several senders in a transmission some can drop out (``_drop_out``) and the others' frame goes on. A pair at rest on
which one frame starts goes from idle to transmission in ``send`` itself and back in ``_end_alone``: the first shortcut;
the second one are the repeats. ``line`` says what ends them. The third one is the way around from ``_end`` to ``_end``
in ``_send_waiting``, while nothing else is planned.

A controller, by its counters (``Line._count``)::

        +--------------+  a counter > 127  +---------------+  transmit counter > 255  +---------+
        | error active |------------------>| error passive |------------------------->| bus-off |
        |              |<------------------|               |                          |         |
        +--------------+  both <= 127      +---------------+                          +---------+
               ^                                                                           |
               +------- 128 times 11 recessive bits seen: BusOffRecovery, Line._recover ---+

Bus-off, or with its wires swapped, it takes no part (``_exclude``) until both are over (``_admit``).

========================  ==========================================================================
module                    state that lives there and nowhere else
========================  ==========================================================================
``bit_time``              none: bits and microseconds at one bit rate
``controller``            one controller's waiting frames, error counters and pause
``wire_faults``           the fault models, which of them are applied, which bit is turned over next
``arbitration``           which controllers have frames ready and take part
``transmission``          one frame under way: its senders, where it fails; works out bits, keeps no time
``unacknowledged``        the transmission that is repeated
``bus_off``               how many times of rest each controller that is bus-off has seen
``wire_fault_effects``    what controllers with swapped wires and babbling nodes have under way
``line``                  who is on the pair, what is under way, when the pair is clear
========================  ==========================================================================

The table goes from the bottom up: imports go to modules above in it, never back.

Knows: the CAN bus as CAN Specification 2.0 (1991) and ISO 11898-1 have it, each source beside what rests on it. Does
not know what frames mean, what devices do, or who observes.
"""

from rvsim.sim.can.controller import MAX_WAITING_FRAMES, SimultaneousSenders
from rvsim.sim.can.line import Line
from rvsim.sim.can.wire_faults import Babble, MissingTerminator, Noise, ReversedPair, WireFault

__all__ = [
    "MAX_WAITING_FRAMES",
    "Babble",
    "Line",
    "MissingTerminator",
    "Noise",
    "ReversedPair",
    "SimultaneousSenders",
    "WireFault",
]
