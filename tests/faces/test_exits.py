"""Errors become exit codes and clear lines."""

import pytest

from rvsim.errors import BusError, InputError
from rvsim.faces.exits import ending, say


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


def test_closing_words_that_cannot_be_written(capsys):
    """An interrupted command whose terminal has gone has been interrupted; without that a full disk is told."""

    def closing():
        try:
            raise KeyboardInterrupt
        finally:
            raise OSError(5, "Input/output error")

    with capsys.disabled(), pytest.MonkeyPatch.context() as patch:
        patch.setattr("rvsim.faces.exits._drop_stdout", lambda: None)
        said = []
        patch.setattr("rvsim.faces.exits.say", lambda *lines: said.extend(lines))
        assert ending(closing) == 130
        assert ending(raising(OSError(28, "No space left on device"))) == 2
    assert said == [
        "interrupted",
        "the output could not be written (No space left on device): free space where it goes",
    ]


def test_what_is_said_to_a_terminal_that_has_gone(monkeypatch):
    """Nothing comes of it, and nothing is raised."""

    class Gone:
        def write(self, text):
            raise OSError(5, "Input/output error")

    monkeypatch.setattr("sys.stderr", Gone())
    say("a word")
