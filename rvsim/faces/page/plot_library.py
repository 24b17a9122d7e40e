"""The library that draws the plots of a page: the script of plotly, which the extra ``page`` installs.

Knows: where its package keeps the script. Does not know how plots are drawn. The package itself is never imported: only
the file is read.
"""

from importlib.util import find_spec
from pathlib import Path


def plot_library() -> bytes | None:
    """Return the script, None where the extra is not installed."""
    found = find_spec("plotly")
    for folder in (found.submodule_search_locations or ()) if found is not None else ():
        script = Path(folder, "package_data", "plotly.min.js")
        if script.is_file():
            return script.read_bytes()
    return None
