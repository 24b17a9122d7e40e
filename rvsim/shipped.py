"""Finds the message definitions and scenarios that come with the program.

Knows: that they stand in ``rvsim/_shipped`` when the program was installed from a wheel, and beside
the package when it runs from a checkout (an editable install included: there the copies that the
build puts into site-packages are not beside the code and would go stale unseen). Does not know what
is in them.
"""

from pathlib import Path

from rvsim.errors import InputError

_PACKAGE = Path(__file__).resolve().parent


def installation_kind() -> str:
    """Say where the shipped files were found: ``installed`` or ``checkout``."""
    return "installed" if (_PACKAGE / "_shipped").is_dir() else "checkout"


def _folder(name: str) -> Path:
    for parent in (_PACKAGE / "_shipped", _PACKAGE.parent):
        if (parent / name).is_dir():
            return parent / name
    raise InputError(
        f"the folder {name}/ that comes with rvsim was found neither in {_PACKAGE / '_shipped'} nor in "
        f"{_PACKAGE.parent}: install rvsim again"
    )


def dbc_files() -> list[Path]:
    """Return the shipped DBC files, sorted by name.

    Raises:
        InputError: the folder is missing, so the installation is broken.
    """
    return sorted(_folder("dbc").glob("*.dbc"))


def dbc_folder() -> Path:
    """Return the folder with the shipped message definitions."""
    return _folder("dbc")


def scenario_folder() -> Path:
    """Return the folder with the shipped scenarios; its ``rigs`` folder has the vehicles."""
    return _folder("scenarios")
