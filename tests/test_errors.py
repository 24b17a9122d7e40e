"""rvsim.errors: what a user meets when something cannot be done."""

import inspect
import pickle

import pytest

from rvsim import errors
from rvsim.errors import BusError, Exit, InputError, RvsimError, did_you_mean

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


@pytest.mark.parametrize(("kind", "code"), [(RvsimError, Exit.USAGE), (InputError, Exit.USAGE), (BusError, Exit.BUS)])
def test_each_error_has_its_exit_code(kind, code):
    """Unreadable input ends a command with 2, a bus that cannot be used with 3; a caller may catch both at once."""
    assert kind.exit_code is code
    assert issubclass(kind, RvsimError)


def test_exit_codes():
    """Good, not good, usage, bus, and interrupted, which is 128 plus the number of the interrupt signal."""
    assert {code.name: int(code) for code in Exit} == {
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
