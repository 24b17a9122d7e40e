"""Marks for definitions from memory: in sentences, surveys and on the screen.

Knows: two signs and what they mean. Does not know how an origin is determined: it is part of the definition.
"""

from collections.abc import Iterable

from rvsim.rig.functions import by_dsa
from rvsim.wire.fields import Origin, weakest
from rvsim.wire.spec import MessageSpec

LEGEND = "Marked *: from memory; marked **: from memory, not sure."
"""The words are those of `spell_fields.ORIGIN_WORDS`."""
_SIGNS = ((Origin.UNSURE, " **"), (Origin.MEMORY, " *"))


def mark(origins: Iterable[Origin]) -> str:
    """Return the sign of the least sure of some origins, with a blank before it; "" if all are published."""
    found = set(origins)
    return next((sign for origin, sign in _SIGNS if origin in found), "")


def mark_of(
    spec: MessageSpec | None, dsa: int | None = None, *, has_instance: bool = False, has_part: bool = False
) -> str:
    """Return the sign of a message title: of its name, and of what stands beside the name.

    Args:
        spec: the definition; without one the title is only the DGN, which is on the bus and needs no mark.
        dsa: the default source address by which the function of a heartbeat is named.
        has_instance: whether an instance stands beside the name.
        has_part: whether the other fields in the byte of the instance stand there as well.
    """
    if spec is None:
        return ""
    return mark(
        (
            spec.origin,
            *function_origins(spec, dsa),
            *_qualifier_origins(spec, has_instance=has_instance, has_part=has_part),
        )
    )


def function_origins(spec: MessageSpec, dsa: int | None) -> tuple[Origin, ...]:
    """Return the origins of the function of a heartbeat: the place of the DSA, and its number."""
    function = by_dsa(dsa) if dsa is not None else None
    if function is None or dsa is None:
        return ()
    place = spec.by_name.get("dsa")
    return (function.origin_of(dsa), *(weakest(*place.grades[:2]) for _ in (place,) if place is not None))


def topic_origins(spec: MessageSpec, instance: int | None, dsa: int | None) -> tuple[Origin, ...]:
    """Return the origins of the topic of a reading: its message, its instance, its function."""
    return (spec.origin, *function_origins(spec, dsa), *(instance_origins(spec) if instance is not None else ()))


def instance_origins(spec: MessageSpec) -> tuple[Origin, ...]:
    """Return the origin of the instance of a message and of its place."""
    return () if spec.instance is None else (weakest(*spec.instance.grades[:2]),)


def _qualifier_origins(spec: MessageSpec, *, has_instance: bool, has_part: bool) -> Iterable[Origin]:
    if has_instance:
        yield from instance_origins(spec)
    if has_part:
        yield from (weakest(*field.grades) for field in spec.fields if field.first_byte == 0)
