"""How a simulated device keeps time: the error of its clock, and how late its periodic messages leave.

Knows: the clocks of nodes and their errors by temperature, jitter, busy moments, the turns of a main loop. Does not
know messages, a bus or a clock: it turns microseconds of the device's own clock into microseconds of the run.

The form is that of a recorded bus (`tests/data/marine_bus_2014.log`: ten periodic messages of four nodes). There a
message is due on the grid of its node's clock and leaves a little later: the next one is on the grid again, so that a
late one is followed by a short gap and no delay adds up. Two nodes send within some 0.1 ms and 0.5 ms of the grid, one
message in forty is 4 ms late; two nodes send at the next turn of a main loop of 50 ms or 100 ms. Against the node of
the GPS receiver, which has the true time, the clocks of the others are 3 ppm, -78 ppm and, for one without a crystal or
with a period of its own, -11,600 ppm off.
"""

import random
from collections.abc import Callable
from itertools import cycle

from rvsim.rig.timing import TimingPlan
from rvsim.wire.frame import SECOND_US

TEMPERATURE_PERIOD_US = 60 * SECOND_US
"""How often a clock follows the temperature. Our decision: a cabin changes by a fraction of a degree meanwhile."""
TURNOVER_C = 25.0
"""The temperature at which a clock has the error of its tolerance. Common practice, no source."""
TOLERANCE_PPM = {"crystal": 30.0, "ceramic": 5_000.0, "exact": 0.0}
"""The largest error at 25 °C; each clock has its own, either way. Common practice, no source."""
CRYSTAL_LINEAR_PPM_PER_K, CRYSTAL_CUBIC_PPM_PER_K3 = -0.18, 1.0e-4
"""An AT-cut crystal: a cubic curve about 25 °C (form and size of the cubic term: R. Bechmann, Proc. IRE 44, 1956, from
memory). The linear term depends on the angle of the cut; this one keeps the error within 20 ppm from -40 to 90 °C.
Common practice, no source."""
CERAMIC_PPM_PER_K2 = -0.9
"""A ceramic resonator: a parabola about 25 °C, 0.3 % at 80 °C. Common practice, no source."""
JITTER_US = (70, 105)
"""Drawn from here for a device; fitted to the message of 5 s in the recording."""
BUSY_US = (2_000, 6_000)
BUSY_EVERY_US = (100_000, 250_000)
"""Drawn from here; fitted to the recording, where one of 34 gaps of 5 s began 4.3 ms late."""
DELAYS = 499
"""How many delays are drawn for a device; they come round again. Our decision: drawing each costs a run 3 %."""
START_US = (50_000, 300_000)
"""From power to the claim. Common practice, no source."""


def temperature_error_ppm(clock: str, celsius: float) -> float:
    """Return by how much a clock is faster at a temperature than at 25 °C, in parts per million."""
    change = celsius - TURNOVER_C
    match clock:
        case "crystal":
            return CRYSTAL_LINEAR_PPM_PER_K * change + CRYSTAL_CUBIC_PPM_PER_K3 * change**3
        case "ceramic":
            return CERAMIC_PPM_PER_K2 * change * change
        case _:
            return 0.0


class _OwnTimes(dict[int, int]):
    """Microseconds of a device's clock to microseconds of the run, each worked out once."""

    rate = 1.0

    def __missing__(self, own_us: int) -> int:
        self[own_us] = true_us = max(1, round(own_us * self.rate))
        return true_us


class NodeTiming:
    """The clock and the delays of one device: the same for the same seed and name.

    Args:
        plan: the figures that the rig gives.
        seed: the seed of the run.
        name: the name of the device.
        celsius: returns the temperature of the device.
    """

    def __init__(self, plan: TimingPlan, seed: int, name: str, celsius: Callable[[], float]) -> None:
        drawn = random.Random(f"{seed}:{name}:timing")
        tolerance_ppm = TOLERANCE_PPM[plan.clock]
        figures = [  # all are drawn, so that one that is given changes none of the others
            drawn.uniform(-tolerance_ppm, tolerance_ppm),
            *(drawn.randint(*span) for span in (JITTER_US, BUSY_US, BUSY_EVERY_US, START_US)),
        ]
        given = (plan.clock_ppm, plan.jitter, plan.busy, plan.busy_every, plan.start)
        self.clock_ppm, jitter_us, busy_us, busy_every_us, start_us = (
            own if own is not None else figure for own, figure in zip(given, figures, strict=True)
        )
        self.start_us = int(start_us)
        """The time from power to the claim, in microseconds."""
        self.own_times = _OwnTimes()
        """``own_times[us]``: a time by the device's clock, at its temperature of now, in microseconds of the run."""
        self.before_change: list[Callable[[], None]] = []
        """Called before the clock takes over another temperature: until then it had the rate of before."""
        self._clock = plan.clock
        self._celsius = celsius
        self._set_rate(TURNOVER_C)
        self._loop_us = self.own_times[plan.loop] if plan.loop else 0
        self._first_turn_us = drawn.randrange(self._loop_us) if self._loop_us else 0
        share = min(1.0, busy_us / busy_every_us)
        delays_us = [self._delay_us(drawn.random(), share, busy_us, jitter_us) for _ in range(DELAYS)]
        self.next_delay_us = cycle(delays_us).__next__
        """Returns how much later than due the next periodic message leaves, for a node without turns."""

    @property
    def has_turns(self) -> bool:
        """Whether its messages leave at turns of a main loop."""
        return self._loop_us > 0

    @staticmethod
    def _delay_us(draw: float, share: float, busy_us: float, jitter_us: float) -> int:
        """Return the delay for a random number from 0 to 1; ``share`` of the time the processor is busy."""
        if draw < share:  # due at any time of a busy moment, for whose end it waits
            return int(draw / share * busy_us)
        return int((draw - share) / (1.0 - share) * jitter_us)

    def follow_temperature(self) -> int | None:
        """Take over the temperature; return the microseconds to the next time, None for a clock without an error."""
        if self._clock == "exact":
            return None
        for call in self.before_change:
            call()
        self._set_rate(self._celsius())
        return TEMPERATURE_PERIOD_US

    def _set_rate(self, celsius: float) -> None:
        self.own_times.clear()
        self.own_times.rate = 1.0 / (1.0 + (self.clock_ppm + temperature_error_ppm(self._clock, celsius)) * 1e-6)

    def leaves(self, due: int) -> int:
        """Return when a periodic message leaves that is due at ``due``, both in microseconds of the run."""
        if self._loop_us:
            due += (self._first_turn_us - due) % self._loop_us
        return due + self.next_delay_us()
