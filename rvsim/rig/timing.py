"""How well a planned device keeps time: its clock, its jitter, its busy moments, its main loop, its start.

Knows: the names, units, limits and defaults of these figures. Does not know when a device sends (`devices` does). A
figure that a rig leaves out is drawn from the seed and the device's name, within the ranges that stand in
`devices/node_timing.py`.
"""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rvsim.rig.field_types import Duration
from rvsim.rig.table import Table
from rvsim.wire.frame import SECOND_US

MAX_CLOCK_PPM = 15_800.0
"""The largest clock error with which two CAN nodes can still agree on bits: 1.58 % (F. Hartwich and A. Bassemir, The
Configuration of the CAN Bit Timing, 1999, from memory)."""
MAX_LATE_US = SECOND_US
"""The longest jitter, busy moment or turn of a main loop; a longer one is taken for a typing mistake. Our decision."""
MIN_BUSY_EVERY_US, MAX_BUSY_EVERY_US = 1_000, 3600 * SECOND_US
MAX_START_US = 60 * SECOND_US

Late = Annotated[Duration, Field(ge=0, le=MAX_LATE_US)]


class TimingPlan(Table):
    """How well the simulated device keeps time. What is omitted is drawn from the seed."""

    clock: Literal["crystal", "ceramic", "exact"] = "crystal"
    """What its clock counts: a quartz crystal, a ceramic resonator, or a clock without any error."""
    clock_ppm: float | None = Field(default=None, ge=-MAX_CLOCK_PPM, le=MAX_CLOCK_PPM)
    """How much its clock is fast at 25 °C, in parts per million; a fast clock makes gaps shorter."""
    jitter: Late | None = None
    """The longest delay of a periodic message after the time at which it is due."""
    busy: Late | None = None
    """How long its processor is busy with something else now and then; a message that is due then waits."""
    busy_every: Annotated[Duration, Field(ge=MIN_BUSY_EVERY_US, le=MAX_BUSY_EVERY_US)] | None = None
    """The average time from one busy moment to the next."""
    loop: Late = 0
    """The time of one turn of its main loop, for a device that sends only at the start of a turn; 0s: by a timer."""
    start: Annotated[Duration, Field(ge=0, le=MAX_START_US)] | None = None
    """The time from power to the claim of its address."""

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.clock == "exact" and self.clock_ppm:
            raise ValueError('an exact clock has no error; remove clock_ppm, or write clock = "crystal"')
        return self
