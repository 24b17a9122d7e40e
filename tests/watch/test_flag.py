"""Tests for flags."""

import dataclasses

import pytest

from rvsim.rig.accepted import FLAG_KINDS
from rvsim.watch.flag import Flag, FlagKind, Severity


def flag() -> Flag:
    """A flag that stands."""
    return Flag(3, FlagKind.NO_DATA, "sensor", Severity.WARNING, 5_000_000, "says no data", "its wire", ("frame X",))


def test_a_cleared_flag_is_the_same_flag_with_its_end():
    """Number, words and beginning stay; only ``until`` is new, and the first one is left as it was."""
    first = flag()
    cleared = first.cleared(7_000_000)
    assert cleared == dataclasses.replace(first, until=7_000_000)
    assert (first.until, cleared.number) == (None, 3)


def test_a_flag_cannot_be_changed():
    """What was handed out stays as it is."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        flag().text = "else"  # type: ignore[misc]


def test_kinds_and_severities_are_the_words_that_are_printed():
    """They can stand in a sentence and in JSON as they are."""
    assert [str(kind) for kind in FlagKind] == [
        "silent-device",
        "late-message",
        "bus-quiet",
        "unplanned-device",
        "shared-address",
        "bad-value",
        "no-data",
        "wrong-length",
        "unknown-message",
        "reported-fault",
        "bus-busy",
        "no-acknowledge",
        "shared-instance",
        "two-commanders",
        "ignored-command",
        "stuck-value",
        "cannot-claim",
        "shared-name",
        "no-address",
        "failed-transfer",
        "restarted",
        "bus-errors",
        "replaced-device",
        "log-out-of-order",
        "low-voltage",
        "freeze-risk",
        "motion-without-interlock",
        "rig-current",
        "rig-conductor",
        "rig-fuse",
        "rig-ladder",
        "rig-harness",
        "rig-identity",
        "rig-provider",
        "rig-budget",
        "rig-endurance",
    ]
    assert [f"{severity}" for severity in Severity] == ["notice", "warning", "fault"]


def test_a_rig_can_accept_every_kind():
    """The rig, which lies below, has the same words in the same order."""
    assert tuple(str(kind) for kind in FlagKind) == FLAG_KINDS
