"""Each row of the references on currents, relays, supplies, interlocks, addresses and instances: a test or a reason.

`tests/vectors/plan_currents.csv` has them; the rows that the bench answers as well are in `switching_rows.csv`.
"""

import csv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROWS = list(csv.DictReader((ROOT / "tests/vectors/plan_currents.csv").read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", ROWS, ids=[f"{row['source']}-{row['line']}" for row in ROWS])
def test_each_row_has_a_test_or_a_reason(row):
    """The test is there by its name; a row has either of both."""
    assert bool(row["answered_by"]) != (len(row["why_not"]) > 20)
    if row["answered_by"]:
        path, _, name = row["answered_by"].partition("::")
        assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8")
