"""What `import rvsim` exports: the names that other programs may rely on, and what a type checker knows of them."""

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import rvsim

HERE = Path(rvsim.__file__)
DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"


def told_to_a_checker():
    """The names that a type checker finds, each with its module, as they stand in the file."""
    tree = ast.parse(HERE.read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If))
    imports = [node for node in block.body if isinstance(node, ast.ImportFrom)]
    return {alias.name: node.module for node in imports for alias in node.names}


@pytest.mark.parametrize("name", rvsim.__all__)
def test_every_name_is_there(name):
    """It is the one that stands where a type checker is told that it stands."""
    assert getattr(rvsim, name) is getattr(importlib.import_module(told_to_a_checker()[name]), name)


def test_the_lists_agree():
    """What is listed is what a checker is told, and what is loaded."""
    assert sorted(told_to_a_checker()) == rvsim.__all__
    assert sorted(name for names in rvsim._HOMES.values() for name in names) == rvsim.__all__
    assert set(rvsim.__all__) <= set(dir(rvsim))


def test_a_name_that_is_not_there():
    """As with any module, also for names that modules of ours have."""
    with pytest.raises(AttributeError, match="module 'rvsim' has no attribute 'Session'"):
        rvsim.Session  # noqa: B018 - the access is what is tested
    with pytest.raises(ImportError, match="cannot import name 'simulated_bus'"):
        from rvsim import simulated_bus  # noqa: F401


def test_every_name_is_promised():
    """The chapter for other programs names each of them."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    chapter = re.search(r"## What other programs may rely on\n(.*?)(?=\n## |\Z)", text, re.DOTALL)[1]
    assert [name for name in rvsim.__all__ if not re.search(rf"`(rvsim\.)?{name}\b", chapter)] == []


CODE = """
from typing import assert_type

from rvsim import SimulatedBus, Verdict

with SimulatedBus("winter_evening", except_devices=["control panel"], seed=2) as bus:
    assert_type(bus.verdict(), Verdict)
    assert_type(bus.verdict().passed, bool)
    assert_type(bus.dropped, int)
bus.verdikt()
SimulatedBus("winter_evening", paced="yes")
"""


def test_a_type_checker_knows_the_bus_and_its_verdict(tmp_path):
    """Two mistakes are found, and nothing else; the package says itself that it is typed."""
    (tmp_path / "code.py").write_text(CODE, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", "--config-file", "", "--follow-imports", "silent", "code.py"]
    installed = "site-packages" in HERE.parts  # then it is found without being told, and must not be
    env = {} if installed else {"MYPYPATH": str(HERE.parents[1])}
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, env=env)
    found = [line for line in done.stdout.splitlines() if line.startswith("code.py")]
    assert len(found) == 2, done.stdout + done.stderr
    assert '"SimulatedBus" has no attribute "verdikt"; maybe "verdict"?' in found[0]
    assert 'Argument "paced" to "SimulatedBus" has incompatible type "str"; expected "bool"' in found[1]
    assert (HERE.parent / "py.typed").exists()
