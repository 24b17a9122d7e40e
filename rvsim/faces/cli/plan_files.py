"""The files of the command `plan`: a spreadsheet read and written, a rig written, a rig to start from.

Knows: that no file is ever replaced, and what is said of each. Does not know what is in them (`plan`).
"""

from pathlib import Path

from rvsim.errors import ExitCode, InputError, write_problem
from rvsim.faces.cli.exits import say
from rvsim.plan.rig_file import rig_of
from rvsim.plan.spreadsheet.read import SheetFile, read_spreadsheet
from rvsim.plan.spreadsheet.write import left_out, spreadsheet_text
from rvsim.plan.starter import starter_text
from rvsim.rig.toml_file import TomlFile
from rvsim.rig.toml_text import toml_text


def read_csv(path: Path, base: TomlFile | None) -> SheetFile:
    """Return the rig of a spreadsheet, in place of and beside what a rig has; what was not read is told.

    Raises:
        InputError: it cannot be used; a line for each mistake, with its cell.
    """
    file = read_spreadsheet(path, base)
    rig_of(file)  # its mistakes come before the lines on what was not read
    say(*file.notes)
    return file


def write_csv(path: Path, file: TomlFile) -> int:
    """Write the parts of a rig as a spreadsheet.

    Raises:
        InputError: the rig cannot be used, or the file exists or cannot be written.
    """
    _check_new("--to-csv", path, ".csv")
    rig_of(file)
    _write_new("--to-csv", path, "\ufeff" + spreadsheet_text(file.data))
    say(f"the spreadsheet is in {path}")
    rest = left_out(file.data)
    if rest:
        say(f"not in it, for want of a column: {', '.join(rest)}; rvsim plan RIG --from {path} keeps these of the rig")
    return ExitCode.GOOD


def write_rig(path: Path, file: TomlFile) -> None:
    """Write a rig that came out of a spreadsheet as a TOML file.

    Raises:
        InputError: the rig cannot be used, or the file exists or cannot be written.
    """
    _check_new("--to-rig", path, ".toml")
    rig_of(file)
    head = f"Written from {file.path.name}.\n`rvsim about --keys rig` lists all keys; `rvsim plan` checks the rig."
    _write_new("--to-rig", path, toml_text(file.data, head))
    say(f"the rig is in {path}")


def write_starter(path: Path) -> int:
    """Write a rig to start from.

    Raises:
        InputError: the file exists or cannot be written.
    """
    _check_new("--new", path, ".toml")
    _write_new("--new", path, starter_text(path.stem))
    say(f"the rig is in {path}; change it to yours, and check it: rvsim plan {path}")
    return ExitCode.GOOD


def _check_new(option: str, path: Path, suffix: str) -> None:
    """Check the name of a new file.

    Raises:
        InputError: it has another suffix, or something is there already.
    """
    if path.suffix.lower() != suffix:
        raise InputError(f"{option} {path}: give it a name that ends in {suffix}")
    try:
        exists = path.exists() or path.is_symlink()
    except (OSError, ValueError):  # not a valid name: the error comes when it is opened
        exists = False
    if exists:
        raise InputError(f"{option} {path}: the file exists; name another one, or move it away")


def _write_new(option: str, path: Path, text: str) -> None:
    """Write a file that is not there yet.

    Raises:
        InputError: it cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise InputError(f"{option} {path}: the file exists; name another one, or move it away") from None
    except FileNotFoundError:
        raise InputError(f"{option} {path}: there is no folder {path.parent}; make it, or name another file") from None
    except OSError as error:
        raise InputError(f"{option} {path}: cannot be written {write_problem(error)}") from None
    except ValueError:
        raise InputError(f"{option}: this is not a name of a file; write another one") from None
