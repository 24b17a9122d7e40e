"""The rules of a rig: by which published tables and limits its installation is checked before power is on.

Knows: the names of the rules that can be chosen, and their usual figures. Does not know what a rule says: `plan`
has the tables and the arithmetic.

A named rule is a published one, read as an excerpt or from memory as `plan` says beside it; no text of a standard is
copied.
"""

from typing import Annotated, Literal

from pydantic import Field

from rvsim.rig.field_types import Duration
from rvsim.rig.table import Table

ConductorTable = Literal[
    "NEC chapter 9 table 8", "NEC chapter 9 table 8 solid", "IEC 60228 class 5", "IEC 60228 class 5 tinned",
    "IEC 60228 class 2", "ISO 6722-1", "ABYC E-11",
]  # fmt: skip
"""Where the resistance of a conductor comes from; that of the NEC without more is of stranded conductors."""
AmpacityTable = Literal["33 CFR 183.425", "ISO 10133", "NEC 552.10"]
"""Where the highest lasting current of a conductor comes from."""
FusePlaceRule = Literal["ABYC E-11", "NEC 552.10"]
"""How far from its source a fuse may be."""
HarnessRule = Literal["RV-C", "J1939-11", "J1939-15", "marine", "CiA", "AN96116"]
"""How long the trunk and the drops of the pair may be."""
TripPoint = Annotated[
    tuple[Annotated[float, Field(gt=1, le=100)], Annotated[float, Field(gt=0, le=36_000)]], Field(strict=False)
]
"""A current as a multiple of the limit, and the seconds after which it trips."""


class RulesPlan(Table):
    """The rules by which the plan is checked; an answer names the one that it used."""

    base_volts: Annotated[float, Field(ge=5, le=60)] = 12.0
    """The voltage of which the drop is a percentage. Common practice, no source."""
    source_volts: Annotated[float, Field(ge=5, le=60)] = 12.0
    """The voltage at the battery in the worst hour, without any charger. Common practice, no source."""
    drop_percent: Annotated[float, Field(gt=0, le=50)] = 10.0
    """The highest voltage drop out and back. ABYC E-11 11.14.2.6, read as an excerpt."""
    critical_drop_percent: Annotated[float, Field(gt=0, le=50)] = 3.0
    """The same where a rig says critical. The same clause."""
    conductor_table: ConductorTable | None = None
    """Where resistances come from; if omitted, NEC chapter 9 table 8 for a size by gauge, IEC 60228 for an area."""
    conductor_c: Annotated[float, Field(ge=-40, le=125)] = 75.0
    """The temperature of conductors. NEC chapter 9 table 8."""
    ampacity_table: AmpacityTable | None = None
    """Where the highest currents come from; if omitted, 33 CFR 183.425 for a size by gauge, ISO 10133 for an area."""
    insulation_c: Literal[60, 75, 90, 105, 125] = 105
    """The temperature that the insulation is rated for, where a wire does not say. Common practice, no source."""
    count_bundles: bool = True
    """Whether conductors that lie together carry less; sources disagree below 50 V."""
    fuse_margin: Annotated[float, Field(ge=1, le=3)] = 1.25
    """How many times the continuous current a fuse is rated at least. Common practice, no source: a load of 80 %."""
    fuse_next_size: bool = True
    """Whether the next standard size above a conductor's limit is allowed, up to 150 % of it (ABYC E-11)."""
    fuse_place: FusePlaceRule = "ABYC E-11"
    """How far from its source a fuse may be."""
    short_start: Duration = 1_000_000
    """A start that is shorter is judged by trip and cut-off alone. Our decision. Kept in microseconds."""
    trip: Literal["I2t"] | Annotated[tuple[TripPoint, ...], Field(strict=False, min_length=1)] = "I2t"
    """When an output trips: "I2t", or steps like [[2.0, 5.0], [6.0, 0.1]] of multiple and seconds."""
    trip_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """The time constant of the trip by I2t. Common practice, no source."""
    harness: HarnessRule = "RV-C"
    """How long the trunk and the drops may be."""
    ground_shift_volts: Annotated[float, Field(gt=0, le=10)] = 2.0
    """The highest shift between the grounds of two nodes. Levels of ISO 11898-2 allow 2.5 V; plan with 2 V."""
    usable_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    """Share of a battery's capacity that is used; if omitted, 80 (LFP) or 50 (AGM). Common practice, no source."""
    ladder_contact_ohm: Annotated[float, Field(ge=0, le=10_000)] = 50.0
    """The resistance that the contact of a ladder's switch may reach with age. Our decision."""
    simultaneous_percent: Annotated[float, Field(gt=0, le=100)] = 100.0
    """How much of the currents of a module or a branch flows at one time, where an entry has no share_percent."""
