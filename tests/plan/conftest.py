"""Rigs for the tests of the plan, out of a few lines of TOML, and what the plan says of them."""

from functools import cache
from pathlib import Path
from textwrap import dedent

import pytest

from rvsim.plan.answer import Answer
from rvsim.plan.report import PlanInput, PlanReport, check_rig
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.database import load_catalogue

HEAD = """
schema = 1
name = "fernacre"
title = "Fernacre, an invented van"
"""
DEVICE = """
[[device]]
name = "panel"
address = 0x44
functions = { control_panel = 1 }
"""


@cache
def definitions() -> Catalogue:
    """The shipped definitions."""
    return load_catalogue()


class Plans:
    """Loads rigs as the plan does, and asks the plan."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def rig(self, text: str, *, device: str = DEVICE) -> Rig:
        """Return a rig with these tables, and with one device unless told otherwise."""
        path = self._folder / "rig.toml"
        path.write_text(HEAD + dedent(device) + dedent(text), encoding="utf-8")
        return load_rig(path, for_plan=True)

    def given(self, text: str, *, device: str = DEVICE) -> PlanInput:
        """Return what a single check is given, for such a rig."""
        return PlanInput(self.rig(text, device=device), definitions())

    def report(self, text: str, *, device: str = DEVICE) -> PlanReport:
        """Return the plan of such a rig."""
        return check_rig(self.given(text, device=device))

    def answer(self, text: str, key: str, *, device: str = DEVICE) -> Answer:
        """Return the answer with this key; the test fails where there is none."""
        answers = self.report(text, device=device).answers
        found = [answer for answer in answers if answer.key == key]
        assert len(found) == 1, f"{len(found)} answers {key!r}; there are {sorted(one.key for one in answers)}"
        return found[0]


@pytest.fixture
def plans(tmp_path: Path) -> Plans:
    """The plan of rigs out of a few lines."""
    return Plans(tmp_path)
