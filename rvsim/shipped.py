"""Finds the message definitions and scenarios that are shipped with the program.

Knows: they are in ``rvsim/_shipped`` where the program is installed from a wheel, and beside the package where it runs
from a checkout. An editable install counts as a checkout: the copies that its build puts into site-packages would
become outdated without notice. Does not know what the files contain.
"""

from pathlib import Path

from rvsim.errors import InputError

_PACKAGE = Path(__file__).resolve().parent


def installation_kind() -> str:
    """Return where the shipped files are: ``installed`` or ``checkout``."""
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
