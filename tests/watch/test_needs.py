"""What a watch needs of a log in columns: no part of it that takes in frames is without a statement."""

import ast
from pathlib import Path

import rvsim.watch
from rvsim.watch.needs import COLUMN_FORMS

TAKING_IN = ("observe", "check", "claim", "change", "count")
PASSING_ON = {
    "AddressDetectors",
    "Detectors",
    "LevelDetector",
    "LevelGate",
    "Watch",
    "FailureCounter",
    "Silences",
    "TouchedReadings",
    "Movement",
}
"""These pass frames on, or count what others found."""


def parts():
    """Yield the classes of the watch with a method that takes in frames or events."""
    for path in Path(rvsim.watch.__file__).parent.rglob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                methods = {item.name for item in node.body if isinstance(item, ast.FunctionDef)}
                if any(name in TAKING_IN or name.startswith("observe_") for name in methods):
                    yield node.name


def test_every_part_that_takes_in_frames_states_its_column_form():
    """A new detector is listed, with what it needs; nothing is listed that is gone."""
    assert set(parts()) - PASSING_ON == set(COLUMN_FORMS)
