"""Who sends a message in the shipped rigs: read out of their files, again when one has changed."""

import os

from rvsim import shipped
from rvsim.faces.text.spell_senders import parties

RIG = """[[device]]
name = "{}"
address = 68
functions = {{ thermostat = [2, 3] }}
"""


def test_rigs_are_read_again_when_they_have_changed(catalogue, monkeypatch, tmp_path):
    """The first instance of each function; a rig that cannot be read is left out until it can be."""
    monkeypatch.setattr(shipped, "scenario_folder", lambda: tmp_path)
    spec = catalogue.by_name("THERMOSTAT_STATUS_1")
    path = tmp_path / "rigs" / "wagon.toml"
    path.parent.mkdir()
    for number, (content, expected) in enumerate(
        (
            (RIG.format("panel"), ["panel (address 44) in wagon"]),
            ("[[device", []),
            (RIG.format("stove"), ["stove (address 44) in wagon"]),
        )
    ):
        path.write_text(content, encoding="ascii")
        os.utime(path, ns=(number, number))
        found = parties(spec)
        assert [one.text for one in found] == expected
        assert all((one.instance, one.sends) == (2, True) for one in found)
