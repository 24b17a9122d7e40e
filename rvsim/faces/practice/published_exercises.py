"""Exercises out of worked examples that makers and the standard's site publish, each with its source.

Knows: how an example of `published.csv` becomes an exercise. Does not know how any of them is computed.
"""

import csv
from fractions import Fraction
from functools import cache
from pathlib import Path
from random import Random

from rvsim.faces.practice.exercise import Answer, Bytes, Exercise, Hex, Kind, Number, Several, Words
from rvsim.faces.practice.material import Material

BANK = Path(__file__).with_name("published.csv")


@cache
def examples() -> tuple[dict[str, str], ...]:
    """Return the examples in the order of the file."""
    with BANK.open(newline="", encoding="utf-8") as file:
        return tuple(csv.DictReader(file))


def exercise_of(row: dict[str, str], level: int) -> Exercise:
    """Return the exercise of an example."""
    data = bytes.fromhex(row["data"]) if row["data"] else None
    return Exercise(
        Kind.PUBLISHED, level, (row["question"],), row["form"], _answer(row),
        "Take it step by step: the order of the bytes, the number, the step, the offset.",
        (row["why"], f"Source: {row['source']}."), (), data,
    )  # fmt: skip


def published(random: Random, _material: Material, level: int) -> Exercise:
    """Draw one of the examples."""
    return exercise_of(random.choice(examples()), level)


def _answer(row: dict[str, str]) -> Answer:
    text = row["answer"]
    match row["kind"]:
        case "number":
            return Number(Fraction(text), row["unit"])
        case "hex":
            return Hex(int(text, 16), len(text))
        case "bytes":
            return Bytes(bytes.fromhex(text))
        case "words_numbers":
            first, *numbers = text.split()
            return Several((Words(first), *(Number(Fraction(one)) for one in numbers)))
        case _:
            return Words(text)
