"""rvsim.errors: what a user meets when something cannot be done."""

import errno
import inspect
import json
import os
import pickle
import unicodedata

import pytest

from rvsim import errors
from rvsim.errors import BusError, ExitCode, InputError, RvsimError, did_you_mean, printable, write_problem

CLASSES = [kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, Exception)]
LINES = ("a.toml, line 3: unknown key", "b.toml: cannot be read")


def test_every_error_is_known_here():
    """The walk below meets all of them."""
    assert set(CLASSES) == {RvsimError, InputError, BusError}


@pytest.mark.parametrize("kind", CLASSES)
@pytest.mark.parametrize("args", [(), LINES[:1], LINES])
def test_an_error_is_rebuilt_from_its_arguments(kind, args):
    """An error survives a trip through another process or a scheduler that raises it again."""
    error = kind(*args)
    for again in (type(error)(*error.args), pickle.loads(pickle.dumps(error))):
        assert type(again) is kind
        assert again.args == args
        assert str(again) == str(error)


def test_every_mistake_has_its_line():
    """Mistakes are kept apart and printed one below the other, in their order."""
    error = InputError(*LINES)
    assert error.problems == LINES
    assert str(error) == "a.toml, line 3: unknown key\nb.toml: cannot be read"


@pytest.mark.parametrize(
    ("kind", "code"), [(RvsimError, ExitCode.USAGE), (InputError, ExitCode.USAGE), (BusError, ExitCode.BUS)]
)
def test_each_error_has_its_exit_code(kind, code):
    """Unreadable input ends a command with 2, a bus that cannot be used with 3; a caller may catch both at once."""
    assert kind.exit_code is code
    assert issubclass(kind, RvsimError)


def test_exit_codes():
    """Good, not good, usage, bus, and interrupted, which is 128 plus the number of the interrupt signal."""
    assert {code.name: int(code) for code in ExitCode} == {
        "GOOD": 0, "NOT_GOOD": 1, "USAGE": 2, "BUS": 3, "INTERRUPTED": 130,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("word", "known", "hint"),
    [
        ("heeter", ["heater", "roof_fan"], ' (did you mean "heater"?)'),
        ("HEATER", ["heater"], ' (did you mean "heater"?)'),
        ("furnace_status", ["FURNACE_STATUS", "FURNACE_COMMAND"], ' (did you mean "FURNACE_STATUS"?)'),
        ("xyz", ["heater", "roof_fan"], ""),
        ("heater", [], ""),
        ("", ["heater"], ""),
    ],
)
def test_did_you_mean(word, known, hint):
    """The closest known word is offered in its own spelling, whatever the case; nothing where nothing is close."""
    assert did_you_mean(word, iter(known)) == hint


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain, °C, 21 × 0.5, “x”, 12 %", "plain, °C, 21 × 0.5, “x”, 12 %"),
        ("two\nlines", "two\nlines"),
        ("\x1b[2J\x07", r"\u001b[2J\u0007"),
        ("a\tb\rc", r"a\u0009b\u000dc"),
        ("\x7f\x80\x9b31m\x9f", r"\u007f\u0080\u009b31m\u009f"),
        ("rig\u202elmot.exe", r"rig\u202elmot.exe"),
        (os.fsdecode(b"caf\xe9.log"), r"caf\udce9.log"),
    ],
)
def test_what_changes_a_terminal_is_written_out(text, shown):
    """Control characters, marks that turn the order of signs round, and bytes that are no UTF-8 are escaped."""
    assert printable(text) == shown


def test_every_control_character_is_written_out():
    """Unicode's own list of them: controls, halves of signs, separators of lines, and what turns the order round."""
    for code in range(0x10000):
        sign = chr(code)
        turning = unicodedata.bidirectional(sign) in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
        if sign != "\n" and (turning or unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp")):
            assert printable(sign) == f"\\u{code:04x}"
        elif sign.isprintable():
            assert printable(sign) == sign


def test_a_line_of_json_stays_what_it_was():
    """What JSON writers let through is escaped as JSON does it, so that its readers get the same text."""
    text = "\x7f\x9b\u202e\u2028 °"
    assert json.loads(printable(json.dumps({"name": text}, ensure_ascii=False))) == {"name": text}


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENOSPC, "(No space left on device): free space there"),
        (errno.EDQUOT, "(Disk quota exceeded): free space there"),
        (errno.EIO, "(Input/output error): write it to another place"),
        (errno.EROFS, "(Read-only file system): write it to another place"),
    ],
)
def test_what_could_not_be_written_says_what_the_system_said(number, said):
    """Free space helps where there is none, and nowhere else."""
    assert write_problem(OSError(number, os.strerror(number))) == said
    assert write_problem(OSError("odd")) == "(odd): write it to another place"
