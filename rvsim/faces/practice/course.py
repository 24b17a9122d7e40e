"""The five levels, and the exercises of a run: drawn from a seed, the kinds with most mistakes more often.

Knows: which kinds belong to a level, and that one seed gives the same exercises. Does not know how a kind is made.
"""

from collections.abc import Callable, Mapping, Sequence
from random import Random

from rvsim.errors import InputError
from rvsim.faces.practice import bus_exercises, field_exercises, flag_exercises, identifier_exercises
from rvsim.faces.practice.exercise import LEVELS, Exercise, Kind
from rvsim.faces.practice.material import Material
from rvsim.faces.practice.published_exercises import published

Maker = Callable[[Random, Material, int], Exercise | None]
_Asked = tuple[Kind, tuple[str, ...], str]
MAKERS: Mapping[Kind, Maker] = {
    Kind.IDENTIFIER: identifier_exercises.split,
    Kind.PLACE: field_exercises.find,
    Kind.SCALE: field_exercises.scale,
    Kind.BUILD: field_exercises.build,
    Kind.STATE: field_exercises.special,
    Kind.MISSING: bus_exercises.missing,
    Kind.SHARED: bus_exercises.shared,
    Kind.FAULT: bus_exercises.fault,
    Kind.LOAD: bus_exercises.load,
    Kind.OHMS: bus_exercises.ohms,
    Kind.TURN: identifier_exercises.turn,
    Kind.FLAG: flag_exercises.next_flag,
    Kind.PUBLISHED: published,
}
LEVEL_TITLES: Mapping[int, str] = {
    1: "bytes, addresses, numbers of one byte",
    2: "bits, the DGN, low byte first, special values",
    3: "offsets, destinations, building data, faults, who goes first",
    4: "the bus: load, terminators, missing devices, shared instances, flags",
    5: "whole frames, and everything before",
}
LEVEL_KINDS: Mapping[int, tuple[Kind, ...]] = {
    1: (Kind.PLACE, Kind.SCALE, Kind.IDENTIFIER, Kind.OHMS),
    2: (Kind.IDENTIFIER, Kind.PLACE, Kind.SCALE, Kind.STATE, Kind.PUBLISHED),
    3: (Kind.SCALE, Kind.IDENTIFIER, Kind.BUILD, Kind.FAULT, Kind.TURN, Kind.PUBLISHED, Kind.STATE),
    4: (Kind.LOAD, Kind.OHMS, Kind.MISSING, Kind.SHARED, Kind.FLAG, Kind.FAULT, Kind.TURN),
    5: tuple(Kind),
}
_MAX_TRIES = 30
"""Tries to make an exercise that has not come yet. Our choice."""


def make_exercises(
    material: Material, level: int, count: int, seed: int, weak: Sequence[Kind] = (), kinds: Sequence[Kind] = ()
) -> list[Exercise]:
    """Return exercises of a level; one seed and one material give the same ones.

    Args:
        material: where frames come from.
        level: 1 to 5.
        count: how many.
        seed: any number.
        weak: kinds that come twice as often, where the level has them.
        kinds: only these; all of the level if empty.

    Raises:
        InputError: the material has nothing for any of the kinds.
    """
    if level not in LEVELS:
        raise InputError(f"level {level}: write 1 to {LEVELS[-1]}")
    allowed = list(kinds or LEVEL_KINDS[level])
    found: list[Exercise] = []
    asked: set[_Asked] = set()
    order = _order(Random(f"{seed}:{level}:order"), allowed, weak, count)
    for number, kind in enumerate(order):
        made = _fresh(material, level, f"{seed}:{level}:{number}", (kind, *allowed), asked)
        if made is None:
            asked_for = ", ".join(dict.fromkeys(allowed))
            raise InputError(
                f"{material.title}: no exercise of {asked_for} can be made of it: name another scenario or log"
            )
        asked.add(_asked(made))
        found.append(made)
    return found


def _order(random: Random, allowed: Sequence[Kind], weak: Sequence[Kind], count: int) -> list[Kind]:
    """Return a kind for each exercise: each comes before any comes again, weak ones twice."""
    found: list[Kind] = []
    while len(found) < count:
        turn = [*allowed, *(kind for kind in weak if kind in allowed)]
        random.shuffle(turn)
        found += turn
    return found[:count]


def _asked(exercise: Exercise) -> _Asked:
    """Return what makes two exercises the same to a person: the question without its frames, and the answer."""
    return exercise.kind, tuple(line for line in exercise.question if line[:1] != " "), exercise.answer.shown


def _fresh(material: Material, level: int, seed: str, kinds: Sequence[Kind], asked: set[_Asked]) -> Exercise | None:
    """Return an exercise that has not been asked; of another kind where the material has none of the first."""
    other: Exercise | None = None
    for kind in dict.fromkeys(kinds):
        for attempt in range(_MAX_TRIES):
            made = MAKERS[kind](Random(f"{seed}:{kind}:{attempt}"), material, level)
            if made is None:
                break
            if _asked(made) not in asked:
                return made
            other = made
    return other
