"""Flags grouped for reading."""

from rvsim.faces.text.flags import group_flags, tags
from rvsim.watch.flag import Flag, FlagKind, Severity


def flag(number, kind=FlagKind.UNKNOWN_MESSAGE, severity=Severity.NOTICE, advice="nothing"):
    """A flag."""
    return Flag(number, kind, "heater", severity, 0, "text", advice)


def test_one_kind_with_one_advice_stands_together_and_the_worst_comes_first():
    """A fault before warnings before notices; within a group by number; another advice is another group."""
    silent = flag(5, FlagKind.SILENT_DEVICE, Severity.FAULT)
    late = [flag(n, FlagKind.LATE_MESSAGE, Severity.WARNING) for n in (2, 4)]
    other = flag(6, FlagKind.LATE_MESSAGE, Severity.WARNING, "something else")
    notice = [flag(1), flag(3)]
    assert group_flags([notice[0], late[0], notice[1], late[1], silent, other]) == [[silent], late, [other], notice]
    assert group_flags([]) == []


def test_tags_of_a_group():
    """One, a few, and a row of them; numbers that are not in a row are all named."""
    assert tags([flag(3)]) == "(3)"
    assert tags([flag(3), flag(4)]) == "(3) (4)"
    assert tags([flag(3), flag(4), flag(5)]) == "(3) to (5)"
    assert tags([flag(3), flag(4), flag(6)]) == "(3) (4) (6)"
