"""rvsim.wire.coding: codes whose names follow a rule."""

import pytest

from rvsim.wire.coding import Coding, code_names


@pytest.mark.parametrize(
    ("raw", "name"),
    [
        (0b01111110, "group 1"),  # published: a copy of the window shade proposal (examples.csv)
        (0b01111101, "group 2"),  # published there too
        (0b00111111, "group 7"),
        (0b01111010, "groups 1, 3"),
        (0b00000000, "groups 1, 2, 3, 4, 5, 6, 7"),
        (0b01111111, "no group"),
    ],
)
def test_a_zero_bit_is_a_member(raw, name):
    """Bit n stands for group n + 1."""
    assert code_names(Coding.GROUPS)[raw] == name


def test_without_the_zero_in_bit_7_it_is_no_bitmap():
    """Bit 7 is zero as a mark: codes with a one there have no name by the rule."""
    assert sorted(code_names(Coding.GROUPS)) == list(range(0x80))


@pytest.mark.parametrize(("raw", "name"), [(1, "1 s"), (240, "240 s"), (241, "5 min"), (245, "9 min"), (250, "14 min")])
def test_a_delay_in_seconds_then_in_minutes(raw, name):
    """1 to 240 seconds; 241 to 250 for 5 to 14 minutes (the table of signals, from memory)."""
    assert code_names(Coding.DELAY)[raw] == name


def test_codes_of_a_delay_that_have_names():
    """None for 0 and for 251 and up: those are in the definition file where they mean something."""
    assert sorted(code_names(Coding.DELAY)) == list(range(1, 251))


def test_instances_of_alternators():
    """30h and the instance in the low nibble (an alternator regulator maker's RV-C appendix); 30h itself is none."""
    assert code_names(Coding.CHARGER_INSTANCE)[0x31] == "alternator 1"
    assert code_names(Coding.CHARGER_INSTANCE)[0x3F] == "alternator 15"
    assert sorted(code_names(Coding.CHARGER_INSTANCE)) == list(range(0x31, 0x40))


def test_plain_codes_have_no_names_by_a_rule():
    """Only what the definition file says."""
    assert code_names(Coding.PLAIN) == {}


def test_delays_of_loads_and_dimmers_read_in_their_units(catalogue):
    """Wherever a delay stands: at once, seconds, minutes, or no limit."""
    delays = [field for spec in catalogue for field in spec.fields if field.name in ("delay", "delay_duration")]
    assert len(delays) == 6
    for field in delays:
        read = [field.labels.get(raw) for raw in (0, 30, 246, 251, 255)]
        assert read == ["immediate", "30 s", "10 min", None, "no limit / no data"]
