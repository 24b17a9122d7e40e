"""Who of the package may know whom: found by reading the code, without running it."""

import ast
from pathlib import Path

import pytest

import rvsim.sim.can

PACKAGE = "rvsim.sim.can"
HERE = Path(rvsim.sim.can.__file__).parent
ORDER = [
    "bit_time", "controller", "wire_faults", "arbitration", "transmission", "unacknowledged", "bus_off",
    "wire_fault_effects", "line", "__init__",
]  # fmt: skip
"""From the bottom up: each may import from those before it."""


def imported(path):
    """Return the modules that a file imports from, those for type checkers only included."""
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return {node.module for node in nodes if isinstance(node, ast.ImportFrom) and node.module}


def test_every_module_has_its_place():
    """A new one is put into the order and into the table of the package's docstring."""
    assert {path.stem for path in HERE.glob("*.py")} == set(ORDER)
    assert all(f"``{name}``" in rvsim.sim.can.__doc__ for name in ORDER[:-1])


@pytest.mark.parametrize("name", ORDER)
def test_a_module_imports_only_from_those_below(name):
    """So that no helper knows the line that it works for."""
    above = {f"{PACKAGE}.{other}" for other in ORDER[ORDER.index(name) :]} | {PACKAGE}
    assert not imported(HERE / f"{name}.py") & above


def test_the_package_is_used_by_its_own_name():
    """What others need is exported, and no other part of rvsim imports a module of it."""
    others = [
        path for path in HERE.parents[1].rglob("*.py") if path.parent != HERE and f"{PACKAGE}." in path.read_text()
    ]
    found = {path.name: module for path in others for module in imported(path) if module.startswith(f"{PACKAGE}.")}
    assert not found
