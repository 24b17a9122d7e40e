"""Tests for causes within one device: another instance, one fault in two reports, a low supply."""

from dataclasses import replace

import pytest

from rvsim.rig.model import Rig
from rvsim.watch.causes import causes
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import (
    BatteryDark,
    FellSilent,
    GapExceeded,
    InstanceShared,
    Restarted,
    Topic,
    UnplannedDevice,
)
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US, Frame

FRAME = Frame(0, 0x19FFE45E, bytes(8))


def flag(number, kind, since, subject="heater", severity=Severity.WARNING, **more):
    """A flag that stands since so many seconds."""
    us = round(since * SECOND_US)
    return Flag(number, FlagKind(kind), subject, severity, us, f"text {number}", f"advice {number}", **more)


def late(number, heard, subject="heater", source=0x5E):
    """A message that came last at ``heard`` seconds."""
    problem = GapExceeded(0, 0, subject, Topic(source, 0x1FFE4, "FURNACE_STATUS", 2), 5, 15, FRAME)
    return Finding(flag(number, "late-message", heard + 15, subject, heard=round(heard * SECOND_US)), problem)


def unplanned(number, since, *, planned=True):
    """A function that is not in the rig, at 5E hex."""
    problem = UnplannedDevice(0, 0, "heater", 0x5E, planned, "furnace 3", None, 0, FRAME)
    return Finding(flag(number, "unplanned-device", since), problem)


def shared(number, since):
    """A function that another device has too."""
    problem = InstanceShared(0, 0, "heater", ("furnace 1",), "heater", "other", (0x5F, 0x5E), FRAME)
    return Finding(flag(number, "shared-instance", since), problem)


def restarted(number, since):
    """A restart with a claim."""
    problem = Restarted(0, 0, "heater", 0x5E, 1, None, claimed=True, last=FRAME)
    return Finding(flag(number, "restarted", since), problem)


def summary(*findings, rig=None, heard=()):
    """The kinds of the causes with the numbers of the flags that each explains."""
    return [(str(one.kind), sorted(flag.number for flag in one.flags)) for one in causes(findings, {}, rig, heard)]


def test_another_instance_explains_that_the_usual_one_is_missing():
    """Only of the same device, and only when one ended as the other began."""
    for head in (unplanned(1, 100), shared(1, 100)):
        kind = str(head.flag.kind)
        assert summary(head, late(2, 97)) == [(kind, [1, 2])]
        assert summary(head, late(2, 115)) == [(kind, [1, 2])]
        assert summary(head, late(2, 84.9)) == []
        assert summary(head, late(2, 115.1)) == []
        assert summary(head, late(2, 97, "roof fan")) == []
        assert summary(head, late(2, 97, source=0x60)) == []
    assert summary(unplanned(1, 100, planned=False), late(2, 97)) == []


def test_a_device_that_restarts_with_other_instances_lost_its_settings():
    """That explains all of it; what began a minute later, or before, does not."""
    assert summary(restarted(1, 100), unplanned(2, 103), shared(3, 110), late(4, 98)) == [
        ("settings-lost", [1, 2, 3, 4])
    ]
    assert summary(restarted(1, 100), unplanned(2, 160.1)) == []
    assert summary(restarted(1, 100), unplanned(2, 84.9)) == []
    (cause,) = causes([restarted(1, 100), unplanned(2, 103)], {})
    assert cause.text == "heater restarted, and has sent with other instances since: its settings are lost"


def reported(number, since, severity=Severity.WARNING, *, subject="heater", coded=False, **more):
    """A fault that a device reports: by a number, or by a code in its status."""
    fault = None if coded else ReportedFault(2130, 7, None)
    return Finding(flag(number, "reported-fault", since, subject, severity, fault=fault, **more), None)


def test_a_lamp_and_a_code_of_one_moment_are_one_fault():
    """The worse one leads, the code where both are alike bad. Two codes are two faults; gas stands alone."""
    code = reported(2, 106, Severity.FAULT, coded=True)
    assert summary(reported(1, 100), code) == [("reported-fault", [1, 2])]
    (cause,) = causes([reported(1, 100, Severity.FAULT), code], {})
    assert cause.flags[0].number == 2
    (cause,) = causes([reported(1, 100, Severity.FAULT), reported(2, 100, coded=True)], {})
    assert cause.flags[0].number == 1
    assert summary(reported(1, 100), reported(2, 106.1, coded=True)) == []
    assert summary(reported(1, 100, coded=True), reported(2, 100, coded=True)) == []
    assert summary(reported(1, 100), reported(2, 100, coded=True, subject="inverter")) == []
    assert summary(reported(1, 100), reported(2, 100, coded=True, message="GAS_SENSOR_STATUS")) == []


@pytest.mark.parametrize(
    ("since", "field", "is_explained"),
    [
        (100, "dc_power_warning", True),
        (94, "dc_power_failure", True),
        (93.9, "dc_power_warning", False),
        (200.1, "dc_power_warning", False),
        (100, "over_current_status", False),
    ],
)
def test_a_low_supply_explains_that_a_device_reports_it(since, field, is_explained):
    """Whichever device that is, while it lasts; not another fault."""
    low = flag(1, "low-voltage", 100, "battery monitor", until=200 * SECOND_US)
    code = reported(2, since, coded=True)
    code = code._replace(flag=replace(code.flag, field=field))
    assert summary(Finding(low, None), code) == ([("low-voltage", [1, 2])] if is_explained else [])


# Devices that restart together.


def restart_of(number, since, subject, times=1):
    """A restart of a device, seen by its claim."""
    problem = Restarted(0, 0, subject, number, times, None, claimed=True, last=FRAME)
    return Finding(flag(number, "restarted", since, subject), problem)


def test_devices_that_restart_at_one_moment_have_a_supply_in_common(rig):
    """The rig names it; three seconds apart they start together, later or not equally often they do not."""
    names = [f"tank {n}" for n in range(8)]
    pair = [restart_of(1, 100, "tank 0", 2), restart_of(2, 103, "tank 1", 2)]
    (cause,) = causes(pair, {}, rig, names)
    assert (str(cause.kind), cause.severity) == ("restarted-together", Severity.WARNING)
    assert cause.text == (
        "tank 0 and tank 1 restarted together, 2 times, first at 100.000 s, without a silence before; by the rig only "
        "the branch left of the supply would take away these and no others"
    )
    assert cause.advice.startswith("check the branch left")
    assert "two recordings" not in cause.advice
    (cause,) = causes(pair, {}, None, names)
    assert cause.advice.startswith("look for a shared supply that fails for a moment")
    assert summary(restart_of(1, 100, "tank 0"), restart_of(2, 103.1, "tank 1")) == []
    assert summary(restart_of(1, 100, "tank 0"), restart_of(2, 100, "tank 1", 2)) == []


def test_a_restart_that_lost_settings_is_no_part_of_another_cause():
    """No flag is told twice."""
    found = [restarted(1, 100), unplanned(2, 103), restart_of(3, 100, "tank 0"), restart_of(4, 101, "tank 1")]
    assert summary(*found) == [("settings-lost", [1, 2]), ("restarted-together", [3, 4])]


def test_all_devices_that_restart_may_be_another_recording():
    """Of many devices the first six are named."""
    names = [f"device {n}" for n in range(10)]
    (cause,) = causes([restart_of(n, 100, names[n]) for n in range(9)], {}, heard=names)
    assert cause.text.startswith(
        "9 devices (device 0, device 1, device 2, device 3, device 4, device 5 and 3 more) restarted together at "
    )
    assert cause.advice.endswith("unless the file holds two recordings, one after the other: then cut it there")
    (cause,) = causes([restart_of(n, 100, names[n]) for n in range(7)], {}, heard=names)
    assert "two recordings" not in cause.advice


def test_a_later_group_is_another_one():
    """Restarts of two moments are two causes."""
    found = [restart_of(n, 100 + 50 * (n // 2), f"device {n}") for n in range(4)]
    assert [numbers for _, numbers in summary(*found)] == [[0, 1], [2, 3]]


# Planned devices that were never heard.


def never(number, subject):
    """A planned device of which nothing came since the start."""
    problem = FellSilent(0, 0, subject, (), None, 15 * SECOND_US, None)
    return Finding(flag(number, "silent-device", 15, subject, Severity.FAULT), problem)


@pytest.fixture(scope="module")
def rig():
    """Eight devices, two of them alone on one branch."""
    devices = [
        {
            "name": f"tank {n}",
            "kind": "own",
            "address": 0x60 + n,
            "functions": {"tank": n},
            "branch": "left" if n < 2 else "right",
        }
        for n in range(8)
    ]
    branches = [{"name": name, "fuse_amps": 5, "wire": {"area_mm2": 1.5, "length_m": 2}} for name in ("left", "right")]
    return Rig.model_validate(
        {"schema": 1, "name": "v", "title": "v", "device": devices, "branch": branches},
        context={"check_kinds": False},
    )


def test_devices_that_never_sent_are_one_cause(rig):
    """Where they share a branch, or are three; else each is a trouble of its own."""
    names = [f"tank {n}" for n in range(8)]
    (cause,) = causes([never(1, names[0]), never(2, names[1])], {}, rig, names[2:])
    assert (str(cause.kind), cause.severity) == ("never-heard", Severity.FAULT)
    assert cause.text == (
        "tank 0 and tank 1 sent nothing at all; by the rig only the branch left of the supply would take away these "
        "and no others"
    )
    assert cause.advice.startswith("check the branch left")
    assert summary(never(1, names[0]), never(2, names[5]), rig=rig, heard=names[1:5] + names[6:]) == []
    assert summary(*(never(n, names[n]) for n in (1, 4, 5)), rig=rig, heard=[names[0], *names[2:4], *names[6:]]) == [
        ("never-heard", [1, 4, 5])
    ]


def test_a_rig_of_another_vehicle_is_suspected(rig):
    """Where most of its devices never sent, or many addresses are not in it."""
    names = [f"tank {n}" for n in range(8)]
    (cause,) = causes([never(n, names[n]) for n in range(5)], {}, rig, names[5:])
    assert (
        cause.text
        == "5 of 8 planned devices sent nothing at all: the rig may be of another vehicle, or the log filtered"
    )
    assert cause.advice.startswith("check first that the rig is of this vehicle")
    others = [
        Finding(
            flag(20 + n, "unplanned-device", 3, f"address {n:02X} hex"),
            UnplannedDevice(0, 0, f"address {n:02X} hex", n, False, None, None, 0, FRAME),
        )
        for n in (1, 2, 3)
    ]
    found = causes([never(1, names[1]), never(2, names[5]), *others], {}, rig, names[:1])
    assert found[0].text.startswith("2 of 8 planned devices sent nothing at all, and 3 addresses are not in the rig: ")
    assert not causes([never(1, names[1]), never(2, names[5]), *others[:2]], {}, rig, names[:1])


def test_a_small_rig_is_suspected_where_many_addresses_are_not_in_it(rig):
    """One planned device that sent nothing is enough: as many strangers as the rig has devices."""
    names = [f"tank {n}" for n in range(8)]
    strangers = [
        Finding(
            flag(10 + n, "unplanned-device", 15, f"address {0x80 + n:02X} hex"),
            UnplannedDevice(0, 0, f"address {0x80 + n:02X} hex", 0x80 + n, False, None, None, 0, FRAME),
        )
        for n in range(8)
    ]
    (cause,) = causes([never(1, names[0]), *strangers], {}, rig, names[1:])
    assert cause.text.startswith("1 of 8 planned devices sent nothing at all, and 8 addresses are not in the rig")
    assert causes([never(1, names[0]), *strangers[1:]], {}, rig, names[1:]) == ()


def test_a_disconnected_battery_explains_what_its_devices_report_and_do():
    """Whichever device it is: that its supply is low, that it is silent or starts again; not another fault."""
    dark = BatteryDark(0, 0, "monitor", Topic(0x45, 0x1FFFD, "DC_SOURCE_STATUS_1", 1), None, FRAME)
    findings = [
        Finding(flag(1, "low-voltage", 612, "monitor", Severity.FAULT, until=616 * SECOND_US), dark),
        Finding(flag(2, "reported-fault", 610, "heater", field="dc_power_failure"), None),
        Finding(flag(3, "reported-fault", 610, "pump", fault=ReportedFault(2171, 4)), None),
        Finding(flag(4, "restarted", 619, "fan"), None),
        Finding(flag(5, "late-message", 613, "charger"), None),
        Finding(flag(6, "reported-fault", 613, "heater", field="failure_to_ignite"), None),
        Finding(flag(7, "restarted", 627, "fan"), None),
        Finding(flag(8, "late-message", 600, "charger"), None),
    ]
    assert summary(*findings)[0] == ("low-voltage", [1, 2, 3, 4, 5])
