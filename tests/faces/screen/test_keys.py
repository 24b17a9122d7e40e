"""What can be done on which screen, and how it is called."""

import pytest

from rvsim.faces.screen.keys import available_actions, hint_line, key_texts
from rvsim.faces.screen.scene import Mode


@pytest.mark.parametrize(
    ("mode", "here", "not_here"),
    [
        (Mode.BENCH, {"s", "b", "h", "x", "w", "c", "p", "plus", "minus"}, {"g"}),
        (Mode.LOG, {"p", "plus", "minus", "g"}, {"s", "b", "h", "x", "w", "c"}),
        (Mode.BUS, {"t", "l", "f", "q"}, {"s", "b", "h", "x", "w", "c", "p", "plus", "minus", "g"}),
    ],
)
def test_only_what_can_be_done_is_offered(mode, here, not_here):
    """A bench can be disturbed, a log can go on to its next flag, a bus can only be watched."""
    bound = {deed.key for deed in available_actions(mode)}
    assert here <= bound
    assert not bound & not_here
    told = {key for named, _ in key_texts(mode) for key in named.split()}
    signs = {"plus": "+", "minus": "-"}
    assert {signs.get(key, key) for key in here} <= told
    assert not told & {signs.get(key, key) for key in not_here}


@pytest.mark.parametrize("mode", list(Mode))
def test_hints_fit_and_name_only_what_is_there(mode):
    """The longest line that fits is shown, down to a narrow one; flags, the keys and quit are never left out."""
    for width in range(24, 200):
        line = hint_line(mode, width)
        assert len(line) <= width
        assert {"f flags", "? keys", "q quit"} <= set(line.split("  "))
    assert len(hint_line(mode, 160)) > len(hint_line(mode, 40))
    words = hint_line(mode, 160)
    assert ("h hold" in words) == (mode is Mode.BENCH)
    assert ("g next flag" in words) == (mode is Mode.LOG)
