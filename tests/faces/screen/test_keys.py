"""What can be done on which screen, and how it is called."""

import inspect

import pytest
from textual.actions import parse

from rvsim.faces.screen.app import LiveScreen
from rvsim.faces.screen.keys import KEY_ACTIONS, ManualFaultAction, available_actions, hint_line, key_texts
from rvsim.faces.screen.scene import Mode, Page


@pytest.mark.parametrize("entry", KEY_ACTIONS, ids=lambda entry: entry.key)
def test_every_key_calls_an_action_of_the_screen(entry):
    """The action exists and takes the arguments; Textual would ignore a wrong one in silence."""
    _, name, arguments = parse(entry.action)
    inspect.signature(getattr(LiveScreen, f"action_{name}")).bind(None, *arguments)


@pytest.mark.parametrize(("action", "values"), [("page", Page), ("manual_fault", ManualFaultAction)])
def test_every_page_and_every_manual_fault_has_a_key(action, values):
    """And no key has another value, which would raise in a live run."""
    found = [parse(entry.action) for entry in KEY_ACTIONS]
    assert {arguments[0] for _, name, arguments in found if name == action} == {value.value for value in values}


@pytest.mark.parametrize(
    ("mode", "here", "not_here"),
    [
        (
            Mode.BENCH,
            {"s", "b", "h", "x", "w", "c", "p", "plus", "minus", "space", "1", "0", "u", "v", "m"},
            {"g", "G", "M", "slash"},
        ),
        (Mode.LOG, {"p", "plus", "minus", "g", "G", "slash", "m", "M", "full_stop", "comma"}, {*"sbhxwc10uv", "space"}),
        (Mode.BUS, {"t", "l", "f", "q", "v", "m"}, {*"sbhxwc10upg", "space", "plus", "minus"}),
    ],
)
def test_only_what_can_be_done_is_offered(mode, here, not_here):
    """A bench can be disturbed, a log can go on to its next flag, a bus can only be watched."""
    bound = {entry.key for entry in available_actions(mode)}
    assert here <= bound
    assert not bound & not_here
    listed = {key for named, _ in key_texts(mode) for key in named.split()}
    signs = {"plus": "+", "minus": "-", "slash": "/", "full_stop": ".", "comma": ","}
    assert {signs.get(key, key) for key in here} <= listed
    assert not listed & {signs.get(key, key) for key in not_here}


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


def test_what_a_log_is_read_for_is_left_out_last():
    """The next flag outlasts the device in its place, which outlasts the tape."""
    lines = [hint_line(Mode.LOG, width) for width in range(100, 23, -1)]
    lost = {word: next(n for n, line in enumerate(lines) if word not in line) for word in ("g next", "enter", "t tape")}
    assert lost["t tape"] < lost["enter"] < lost["g next"]
