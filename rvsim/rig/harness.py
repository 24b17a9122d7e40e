"""The harness of a rig: the trunk of the CAN pair, its taps, the drops to the devices, and the terminators.

Knows: the names, units, limits and defaults of these figures, and which of them cannot both be. Does not know which
lengths a rule allows (`plan` says so), nor what follows from a break (`harness_graph` does).

The taps stand along the trunk in the order of the file. Everything but the names is optional: what is left out is
unknown, and no check assumes it.
"""

from collections.abc import Iterator, Sequence
from typing import Annotated

from pydantic import BeforeValidator, Field

from rvsim.rig.quantity import shown
from rvsim.rig.references import repeated, unknown_text
from rvsim.rig.table import Mistake, OneLineText, Table

MAX_TAPS = 500
"""No vehicle has as many taps; the checks of a pair grow with their square. Our decision."""
Metres = Annotated[float, Field(ge=0, le=500)]
"""A length of cable in a vehicle; the bound only finds typing mistakes (our choice)."""


def _one_device(given: object) -> object:
    if isinstance(given, list | tuple):
        raise ValueError(f"a drop has one node at its end, not {len(given)}; give each device a drop of its own")
    return given


class DropPlan(Table):
    """The cable from a tap to one device."""

    device: Annotated[OneLineText, BeforeValidator(_one_device)]
    """The device at its end."""
    length_m: Metres | None = None
    """The length of the drop."""
    terminator: bool = False
    """Whether the device at its end has a terminator in it."""


class TapPlan(Table):
    """A place on the trunk where devices are connected."""

    name: OneLineText
    """The name of the tap."""
    on: OneLineText | None = None
    """The tap that this one is chained to; without it the tap is on the trunk."""
    length_m: Metres | None = None
    """The cable to the tap before it on the trunk, or to the tap that it is chained to."""
    ports: Annotated[int, Field(ge=1, le=64)] | None = None
    """How many drops and chained taps it has room for."""
    terminator: bool = False
    """Whether a terminator is in one of its ports or at its end of the trunk."""
    drops: Annotated[tuple[DropPlan, ...], Field(strict=False)] = ()
    """The drops, like [{ device = "heater", length_m = 1.2 }]."""


class HarnessPlan(Table):
    """The CAN pair as a whole."""

    recorder: OneLineText | None = None
    """The tap where the adapter that records the bus is connected."""
    loop_ohm_per_m: Annotated[float, Field(gt=0, le=10)] | None = None
    """The resistance of a metre of the pair, out and back."""
    cable: OneLineText | None = None
    """The cable of the pair in a few words; read by the plan only."""
    terminator_ohm: Annotated[float, Field(ge=50, le=500)] = 120.0
    """The resistance of one terminator (ISO 11898-2)."""
    node_ohm: Annotated[float, Field(ge=1000, le=1_000_000)] = 30_000.0
    """The differential resistance of one node's receiver. Common practice, no source."""
    delay_ns_per_m: Annotated[float, Field(ge=3, le=10)] = 5.0
    """The delay of a metre of the pair. Common practice, no source."""


def harness_mistakes(taps: Sequence[TapPlan], devices: Sequence[str] | None) -> Iterator[Mistake]:
    """Yield what in the taps cannot be: two of one name, a tap chained to itself, a device at two places.

    Args:
        taps: the taps, each checked alone.
        devices: the names of the rig's devices; None where these have mistakes of their own.
    """
    if len(taps) > MAX_TAPS:
        yield Mistake((), f"{len(taps)} taps are more than a pair has; write at most {MAX_TAPS}", len(taps))
        return
    yield from repeated(taps, "name", "tap")
    by_name = {tap.name: tap for tap in taps}
    places: dict[str, str] = {}
    for number, tap in enumerate(taps):
        if tap.on is not None and tap.on not in by_name:
            yield Mistake((number, "on"), unknown_text(tap.on, list(by_name), "taps"), tap.on)
        elif _is_in_a_ring(tap, by_name):
            text = f"{shown(tap.on)} is in turn chained to {shown(tap.name)}; one of them must be on the trunk"
            yield Mistake((number, "on"), text, tap.on)
        for place, drop in enumerate(tap.drops):
            where = (number, "drops", place, "device")
            if devices is not None and drop.device not in devices:
                yield Mistake(where, unknown_text(drop.device, devices, "devices"), drop.device)
            elif drop.device in places:
                text = f"{shown(drop.device)} is already connected to {shown(places[drop.device])}; connect it once"
                yield Mistake(where, text, drop.device)
            places.setdefault(drop.device, tap.name)


def _is_in_a_ring(tap: TapPlan, by_name: dict[str, TapPlan]) -> bool:
    """Tell whether following the chain from a tap leads back to it."""
    passed: set[str] = set()
    above = tap.on
    while above is not None and above in by_name and above not in passed:
        if above == tap.name:
            return True
        passed.add(above)
        above = by_name[above].on
    return False
