"""Types of keys that a model checks and converts: durations, seeds, NAMEs.

Knows: which function reads each of them. Does not know the texts (`quantity`, `claimed`) as such.
"""

from typing import Annotated

from pydantic import BeforeValidator, InstanceOf

from rvsim.rig.claimed import read_name
from rvsim.rig.quantity import check_seed, read_duration
from rvsim.wire.name import Name

Duration = Annotated[int, BeforeValidator(read_duration)]
"""Integer microseconds, given as text with a unit."""
Seed = Annotated[int, BeforeValidator(check_seed)]
"""The seed of all random numbers of a run."""
ClaimedName = Annotated[InstanceOf[Name], BeforeValidator(read_name)]
"""A NAME, given as 16 hex digits."""
