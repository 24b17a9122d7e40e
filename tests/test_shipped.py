"""Definitions and scenarios are found, whether rvsim runs from a checkout or from an installed wheel."""

from pathlib import Path

import pytest

from rvsim import shipped
from rvsim.errors import InputError

CHECKOUT = Path(__file__).parents[1]


def test_a_checkout_is_known_as_such(monkeypatch):
    """The folders beside the package are used, and the answer says so."""
    monkeypatch.setattr(shipped, "_PACKAGE", CHECKOUT / "rvsim")
    assert shipped.installation_kind() == "checkout"
    assert shipped.dbc_folder() == CHECKOUT / "dbc"
    assert shipped.scenario_folder() == CHECKOUT / "scenarios"


def test_what_is_found_is_what_stands_in_the_checkout():
    """Installed or not, the files found here are those of this checkout, byte for byte."""
    for found, kept in ((shipped.dbc_folder(), "dbc"), (shipped.scenario_folder(), "scenarios")):
        files = [path.relative_to(found) for path in sorted(found.rglob("*.*"))]
        assert files == [path.relative_to(CHECKOUT / kept) for path in sorted((CHECKOUT / kept).rglob("*.*"))]
        assert all((found / path).read_bytes() == (CHECKOUT / kept / path).read_bytes() for path in files)


def test_definitions_are_listed_in_order():
    """Every DBC file of the folder, sorted, and nothing else."""
    files = shipped.dbc_files()
    assert files == sorted(files)
    assert {path.name for path in files} == {
        path.name for path in (CHECKOUT / "dbc").iterdir() if path.suffix == ".dbc"
    }


def test_copies_beside_the_code_go_first(tmp_path, monkeypatch):
    """Where the package holds copies, as from a wheel, they are used and the answer says so."""
    (tmp_path / "rvsim" / "_shipped" / "dbc").mkdir(parents=True)
    (tmp_path / "scenarios").mkdir()
    monkeypatch.setattr(shipped, "_PACKAGE", tmp_path / "rvsim")
    assert shipped.installation_kind() == "installed"
    assert shipped.dbc_folder() == tmp_path / "rvsim" / "_shipped" / "dbc"
    assert shipped.scenario_folder() == tmp_path / "scenarios"


def test_a_broken_installation_says_what_to_do(tmp_path, monkeypatch):
    """A folder that is nowhere ends in one line that names both places."""
    monkeypatch.setattr(shipped, "_PACKAGE", tmp_path / "rvsim")
    with pytest.raises(InputError) as error:
        shipped.scenario_folder()
    assert error.value.problems == (
        f"the folder scenarios/ that comes with rvsim was found neither in {tmp_path / 'rvsim' / '_shipped'} nor in "
        f"{tmp_path}: install rvsim again",
    )
