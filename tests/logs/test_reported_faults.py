"""The faults that devices report, each once."""

from rvsim.logs.reported_faults import reported_faults
from rvsim.logs.survey import survey
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.wire.diagnostics import ReportedFault


def flag(number, since, until, *, fault=None, kind=FlagKind.REPORTED_FAULT, severity=Severity.WARNING, field=None):
    """Return a flag of the heater."""
    return Flag(
        number, kind, "heater", severity, since, "reports it", "look", until=until, message="DM_RV", field=field,
        fault=fault,
    )  # fmt: skip


def test_one_fault_is_one_line():
    """Whatever its count of occurrences: with first and last time, how often, and the worst severity."""
    flags = [
        flag(1, 10, 20, fault=ReportedFault(2130, 7, 1)),
        flag(2, 30, 50, fault=ReportedFault(2130, 7, 2), severity=Severity.FAULT),
        flag(3, 5, 6, kind=FlagKind.NO_DATA),
        flag(4, 40, 45, fault=ReportedFault(2130, 4)),
    ]
    first, second = reported_faults(flags)
    assert (first.spn, first.fmi, first.first, first.last, first.times) == (2130, 7, 10, 50, 2)
    assert first.severity is Severity.FAULT
    assert (second.fmi, second.times, second.severity) == (4, 1, Severity.WARNING)


def test_a_fault_that_is_still_reported_has_no_end():
    """Although it ended once before."""
    (found,) = reported_faults(
        [flag(1, 10, 20, fault=ReportedFault(1, 1)), flag(2, 30, None, fault=ReportedFault(1, 1))]
    )
    assert found.last is None


def test_codes_of_different_fields_are_different_faults():
    """They have no number."""
    found = reported_faults([flag(1, 10, 20, field="lockout"), flag(2, 10, 20, field="over_current")])
    assert [(one.field, one.spn) for one in found] == [("lockout", None), ("over_current", None)]


def test_the_fault_of_a_recorded_heater(catalogue, record):
    """Its number comes with the flag, from DM_RV and DM1 alike."""
    frames, _ = record("heater_lockout", 120)
    (found,) = reported_faults(survey(frames, catalogue, load_rig("ottersby")).flags)
    assert (found.device, found.spn, found.fmi, found.severity) == ("heater", 2130, 7, Severity.FAULT)
    assert 29_000_000 < found.first < 31_000_000
    assert found.last is not None
    assert 89_000_000 < found.last < 91_000_000
