"""Every key of a rig, told to whoever writes one."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from rvsim.rig.accepted import FLAG_KINDS
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.key_lists import descriptions, models_in
from rvsim.rig.model import Rig
from rvsim.rig.rig_keys import rig_keys

SHIPPED = sorted(Path(__file__).parents[2].joinpath("scenarios", "rigs").glob("*.toml"))


@pytest.fixture(scope="module")
def told():
    """All lines as one, with what is broken over several put together."""
    return re.sub(r"\s+", " ", " ".join(rig_keys(["heater", "lamp"])))


def test_lines_fit_a_terminal():
    """Eighty columns."""
    assert max(map(len, rig_keys([]))) <= 80


def test_keys_of_a_rig_with_their_meaning(told):
    """The rig itself, its devices, the vehicle's figures, accepted trouble; and the names that can be used."""
    assert "A rig, one TOML file: The plan of one vehicle's network. schema = whole number: " in told
    assert "[[device]]: One planned device." in told
    assert "address = whole number, 0 to 0xFD: The source address that it prefers" in told
    assert "answer_time = time, above 0s (2s): How long it may take until its status shows" in told
    assert "limits = a table, optional: The lowest and highest plausible value of a field" in told
    assert "[coolant]: The heater's coolant circuit" in told
    assert "glycol_percent = number, 0 to 60 % (40): Glycol in the water" in told
    assert "volume_m3 = number, 1 to 100 m³ (11): Volume of the air" in told
    assert told.count("[fresh_tank], [grey_tank], [black_tank]: ") == 1
    assert f"Functions {', '.join(FUNCTIONS)} " in told
    assert "Kinds of device heater, lamp " in told
    assert told.endswith(", ".join(FLAG_KINDS))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_no_key_of_a_shipped_rig_is_missing(told, path):
    """Those of the rig and of its tables."""
    written = tomllib.loads(path.read_text(encoding="utf-8"))
    tables = [written, *(one for one in written.values() if isinstance(one, dict)), *written["device"]]
    for key in {key for table in tables for key in table}:
        assert f" {key} = " in told


def test_every_key_of_a_rig_says_what_it_means():
    """In the rig and in every table of it."""
    models: list[Any] = [Rig, *(found for field in Rig.model_fields.values() for found in models_in(field.annotation))]
    assert len(set(models)) >= 8
    missing = [
        f"{model.__name__}.{name}"
        for model in models
        for name in model.model_fields
        if not descriptions(model).get(name)
    ]
    assert missing == []
