"""How far long work has come."""

from rvsim.faces.cli.exits import say
from rvsim.runs.progress import Progress, counted


def test_short_work_says_nothing(capsys):
    """Within five seconds nobody needs to be told."""
    assert list(counted(range(10_000), "frames", Progress(say, iter(range(100)).__next__))) == list(range(10_000))
    assert capsys.readouterr().err == ""


def test_long_work_says_how_far_it_has_come(capsys):
    """Every five seconds by the clock that is looked at each 4096 items."""
    seconds = iter(range(0, 1000, 3))
    assert len(list(counted(range(20_000), "frames read", Progress(say, lambda: next(seconds))))) == 20_000
    assert capsys.readouterr().err == "rvsim: 8192 frames read so far\nrvsim: 16384 frames read so far\n"
