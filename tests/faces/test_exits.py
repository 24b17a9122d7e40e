"""Errors become exit codes and clear lines."""

import pytest

from rvsim.errors import BusError, InputError
from rvsim.faces.exits import ending


def raising(error):
    """A command that raises."""

    def command():
        raise error

    return command


def test_a_good_command_keeps_its_code():
    """The command's own code is the exit code."""
    assert ending(lambda: 0) == 0
    assert ending(lambda: 1) == 1


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (InputError("one", "two"), 2, "rvsim: one\nrvsim: two\n"),
        (BusError("the bus was lost"), 3, "rvsim: the bus was lost\n"),
        (KeyboardInterrupt(), 130, "rvsim: interrupted\n"),
    ],
)
def test_an_error_is_a_line_for_each_problem(capsys, error, code, said):
    """Each problem has its own line on stderr and stdout stays empty."""
    assert ending(raising(error)) == code
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", said)


def test_a_mistake_of_ours_is_not_hidden():
    """An error that no user can cause is not swallowed."""
    with pytest.raises(ZeroDivisionError):
        ending(lambda: 1 // 0)
