"""What `rvsim about` says."""

import re
from importlib.metadata import version

from rvsim import shipped
from rvsim.faces.about import lines


def test_it_says_where_everything_was_found(catalogue):
    """Versions as installed, the folders, the number of messages by origin, the interfaces."""
    said = "\n".join(lines(catalogue))
    assert f"rvsim {version('rvsim-bench')}, Python 3." in said
    assert f"cantools {version('cantools')}" in said
    assert f"definitions  {len(catalogue)} messages (" in said
    assert f") in {shipped.dbc_folder()}" in said
    assert sum(int(n) for n in re.search(r"messages \((.*?)\)", said)[1].split() if n.isdigit()) == len(catalogue)
    assert str(shipped.scenario_folder()) in said
    (interfaces,) = (line for line in said.splitlines() if line.startswith("interfaces"))
    assert "virtual" in interfaces
