"""Every published figure of the pair and of connectors is answered by a test, or says why it is not.

`tests/vectors/plan_harness.csv` has each row of the references on them; `line` is its line there.
"""

import csv
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROWS = list(csv.DictReader((ROOT / "tests/vectors/plan_harness.csv").read_text(encoding="utf-8").splitlines()))


def test_each_row_has_a_test_or_a_reason():
    """The test is there by its name; a row has either of both, and none is missing or there twice."""
    for row in ROWS:
        assert bool(row["answered_by"]) != bool(row["why_not"]), row
        if row["answered_by"]:
            path, _, name = row["answered_by"].partition("::")
            assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8"), row
    assert len(ROWS) == len({(row["source"], row["line"]) for row in ROWS}) == 53
    assert sum(not row["answered_by"] for row in ROWS) == 20
