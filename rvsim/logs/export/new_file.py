"""A file that has its name only when it is complete.

Knows: temporary names, and what may be replaced. Does not know what is in the file. It is written under a hidden name
beside its own; after an error, or Ctrl-C, only what was there before is left.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rvsim.errors import InputError, write_problem


class NewFile:
    """A place for a file; ``temporary`` is where it is written until ``finish``.

    Args:
        path: its name.
        overwrite: replace a file that is there.

    Raises:
        InputError: something is there, or there is no such place.
    """

    def __init__(self, path: Path, *, overwrite: bool) -> None:
        check_name(path)
        self._path, self._overwrite = path, overwrite
        with reworded(path):
            self._check()
            self.target = path.resolve()
            check_parent(path)
        self.temporary = hidden(self.target)

    def _check(self) -> None:
        path = self._path
        if path.is_dir():
            raise InputError(f"--output {path}: a folder: name a file in it")
        if path.exists() and not path.is_file():
            raise InputError(f"--output {path}: not a file: name one")
        if path.exists() and not self._overwrite:
            raise InputError(f"--output {path}: the file exists: name another one, or replace it with --overwrite")

    def finish(self) -> None:
        """Give the file its name.

        Raises:
            InputError: another file has come there meanwhile, or the place cannot be written.
        """
        with reworded(self._path):
            self._check()
            os.replace(self.temporary, self.target)

    def discard(self) -> None:
        """Remove what was written, if it did not get its name."""
        with suppress(OSError):
            self.temporary.unlink(missing_ok=True)


def hidden(target: Path) -> Path:
    """Return the name under which something is written until it is complete."""
    return target.with_name(f".{target.name}.{os.getpid()}.part")


def check_name(path: Path) -> None:
    """Check that a path can be a name at all.

    Raises:
        InputError: it cannot.
    """
    if "\0" in str(path):
        raise InputError(f"--output {path}: no file can have this name: give another one")


def check_parent(path: Path) -> None:
    """Check that the folder is there in which something is to be written.

    Raises:
        InputError: it is not.
    """
    if not path.resolve().parent.is_dir():
        raise InputError(f"--output {path}: the folder {path.parent} is not there: create it, or name another one")


@contextmanager
def reworded(path: Path) -> Iterator[None]:
    """Turn errors of the system into one clear line."""
    try:
        yield
    except OSError as error:
        raise InputError(f"--output {path}: cannot be written {write_problem(error)}") from None
