"""Every published figure of energy and climate is answered by a test, or says why it is not.

tests/vectors/energy.csv has a row for each figure, with its source: the tests that answer it, and where there are none,
or only for a part of it, the reason.
"""

import ast
import csv
import importlib.util
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

TESTS = Path(__file__).parent
with (TESTS / "vectors" / "energy.csv").open(newline="", encoding="ascii") as opened:
    ROWS = list(csv.DictReader(opened))
ANSWERS = sorted({answer for row in ROWS for answer in row["tests"].split("; ") if answer})


@cache
def module(path: str) -> ModuleType:
    """A file of tests, imported by itself."""
    spec = importlib.util.spec_from_file_location(path.replace("/", "."), TESTS.parent / path)
    assert spec is not None
    assert spec.loader is not None
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


@cache
def functions(path: str) -> frozenset[str]:
    """The names of the functions of a file."""
    tree = ast.parse((TESTS.parent / path).read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


@cache
def ids(path: str, name: str) -> frozenset[str]:
    """The names of the cases of a test."""
    marks = getattr(module(path), name).pytestmark
    return frozenset(case for mark in marks for case in mark.kwargs.get("ids", ()))


def test_no_row_is_missing() -> None:
    """As many as were collected, none twice, each with its source, and with a test or the reason why there is none."""
    assert len(ROWS) == 238
    assert len({(row["quantity"], row["inputs"], row["expected"]) for row in ROWS}) == 238
    for row in ROWS:
        assert row["source"], row
        assert row["tests"] or len(row["note"]) > 20, f"{row['topic']}, {row['quantity']}: neither a test nor a reason"


def test_few_rows_have_no_test() -> None:
    """What the models do not answer is counted, so that none slips out unnoticed."""
    assert sum(not row["tests"] for row in ROWS) == 25


@pytest.mark.parametrize("path", sorted({answer.partition("::")[0] for answer in ANSWERS}))
def test_the_tests_named_there_exist(path: str) -> None:
    """Each with its case, where one of several answers the row."""
    for answer in ANSWERS:
        if answer.startswith(f"{path}::"):
            name, _, case = answer.removeprefix(f"{path}::").partition("[")
            assert name in functions(path), answer
            assert not case or case.removesuffix("]") in ids(path, name), answer
