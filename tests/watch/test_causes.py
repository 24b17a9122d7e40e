"""Tests for causes: what is said first, and what it explains."""

import pytest

from rvsim.rig.flag_kinds import PLAN_KINDS
from rvsim.rig.model import Rig
from rvsim.watch.bus.pauses import Resumption
from rvsim.watch.cause import CauseKind
from rvsim.watch.causes import EXPLAINS, causes
from rvsim.watch.flag import Flag, FlagKind, Severity
from rvsim.watch.rules import Finding
from rvsim.watch.transitions import BusBusy, FellSilent, TwoSenders, TwoSendersSign
from rvsim.wire.frame import SECOND_US, Frame


def flag(number, kind, subject, since, until=None, severity=Severity.WARNING, heard=None):
    """A flag; times in seconds."""
    us = [None if moment is None else round(moment * SECOND_US) for moment in (since, until, heard)]
    return Flag(
        number, FlagKind(kind), subject, severity, us[0], f"text {number}", f"advice {number}", until=us[1], heard=us[2]
    )


def finding(*given, **more):
    """A flag with a problem that says nothing more."""
    return Finding(flag(*given, **more), None)


def silent(number, subject, heard, until=None, fastest=0.5):
    """A device that fell silent."""
    since = heard + 15
    problem = FellSilent(0, 0, subject, (), None, 15 * SECOND_US, None, fastest_gap_us=round(fastest * SECOND_US))
    return Finding(flag(number, "silent-device", subject, since, until, Severity.FAULT, heard), problem)


def summary(*findings, resumptions=()):
    """The kinds of the causes with the numbers of the flags that each explains."""
    found = causes(findings, {one.ended: one for one in resumptions})
    return [(str(cause.kind), [flag.number for flag in cause.flags]) for cause in found]


def test_without_flags_there_is_no_cause():
    """Nor is a lone flag one: it says itself what it is."""
    assert summary() == []
    assert summary(silent(1, "heater", 10)) == []
    assert summary(finding(1, "bad-value", "heater", 10)) == []


def test_a_silent_device_explains_what_was_late_before():
    """Of itself, and while or before it is silent; not another device's, and not what was late long before."""
    late = finding(1, "late-message", "heater", 12.5, until=25)
    other = finding(2, "late-message", "roof fan", 12.5)
    before = finding(3, "late-message", "heater", 3, until=5)
    assert summary(late, other, before, silent(4, "heater", 10)) == [("silent-device", [4, 1])]


def test_what_comes_long_after_is_not_explained():
    """Ten seconds after its end a cause explains nothing more."""
    gone = silent(1, "heater", 10, until=40)
    assert summary(gone, finding(2, "late-message", "heater", 50)) == [("silent-device", [1, 2])]
    assert summary(gone, finding(2, "late-message", "heater", 50.000001)) == []


def test_no_flag_is_counted_twice():
    """The most far-reaching cause takes it, and what that explains stands under it, directly or not."""
    found = summary(
        finding(1, "late-message", "heater", 12, until=25),
        silent(2, "heater", 10),
        finding(3, "no-acknowledge", "heater", 9, severity=Severity.FAULT),
        finding(4, "bus-errors", "bus", 9, severity=Severity.WARNING),
    )
    ((kind, numbers),) = found
    assert (kind, numbers[0], sorted(numbers)) == ("no-acknowledge", 3, [1, 2, 3, 4])


def test_a_few_errors_explain_nothing():
    """A notice about the pair is no cause of messages that are late."""
    late = finding(2, "late-message", "heater", 10)
    assert summary(finding(1, "bus-errors", "bus", 9, severity=Severity.NOTICE), late) == []
    assert summary(finding(1, "bus-errors", "bus", 9), late) == [("bus-errors", [1, 2])]


def test_a_log_out_of_order_explains_every_rule_of_time():
    """Whenever it was raised; what a reading says is not explained by it. It is a cause by itself, too."""
    torn = finding(3, "log-out-of-order", "log", 50)
    found = summary(
        silent(1, "heater", 10), finding(2, "bad-value", "heater", 12), torn, finding(4, "bus-busy", "bus", 1)
    )
    assert found == [("log-out-of-order", [3, 4, 1])]
    assert summary(torn) == [("log-out-of-order", [3])]


def test_two_units_on_one_address_explain_odd_values():
    """The words of two are taken for those of one."""
    shared = finding(1, "shared-address", "heater", 10, severity=Severity.FAULT)
    found = summary(shared, finding(2, "bad-value", "heater", 11), finding(3, "bad-value", "charger", 11))
    assert found == [("shared-address", [1, 2])]


def test_a_low_supply_explains_what_the_device_does_and_an_exchanged_sensor_explains_frost():
    """A heater that stops, restarts and ignores commands; a cold reading that is that of another place."""
    low = finding(1, "low-voltage", "heater", 10)
    more = [finding(2 + n, kind, "heater", 11 + n) for n, kind in enumerate(("restarted", "ignored-command"))]
    assert summary(low, *more, finding(9, "restarted", "pump", 12)) == [("low-voltage", [1, 3, 2])]
    replaced = finding(1, "replaced-device", "indoor sensor", 10)
    assert summary(replaced, finding(2, "freeze-risk", "indoor sensor", 70)) == [("replaced-device", [1, 2])]


@pytest.mark.parametrize(
    ("heard", "fastest", "is_explained"),
    [(20.0, 0.5, True), (19.999, 0.5, False), (4.0, 13.0, True), (4.0, 12.9, False)],
)
def test_a_device_that_was_missing_before_a_pause_is_not_explained_by_it(heard, fastest, is_explained):
    """Two heartbeats, or two gaps of its own, before the bus became quiet: its silence stands for itself."""
    quiet = finding(1, "bus-quiet", "bus", 31, until=60, severity=Severity.FAULT, heard=30)
    gone = silent(2, "heater", heard, until=90, fastest=fastest)
    gone = gone._replace(flag=flag(2, "silent-device", "heater", 62, 90, Severity.FAULT, heard))
    assert summary(quiet, gone) == ([("bus-quiet", [1, 2])] if is_explained else [])


def test_devices_that_went_and_came_back_together():
    """Their last frames leave a moment at which all of them can have gone; what each explains comes with it."""
    late = finding(3, "late-message", "heater", 12.5, until=25)
    found = summary(silent(1, "heater", 10, 60.1, fastest=5), silent(2, "roof fan", 12, 60.3), late)
    assert found == [("shared-supply", [1, 3, 2])]
    (cause,) = causes([silent(1, "heater", 10, 60.1, fastest=5), silent(2, "roof fan", 12, 60.3)], {})
    assert cause.text == (
        "heater and roof fan became silent at one moment, between 12.000 s and 12.500 s, and returned together at "
        "60.100 s"
    )
    assert cause.advice.startswith("look for a shared supply")
    assert (cause.subject, cause.since, cause.until) == ("heater, roof fan", 25 * SECOND_US, 60_300_000)
    assert cause.evidence[0] == "explains [1] silent-device heater: text 1"
    assert cause.severity is Severity.FAULT


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ((10, 60.0, 0.5), (10, 60.300001, 0.5)),
        ((10, 60.0, 0.5), (10.800001, 60.0, 0.5)),
        ((10, 60.0, 0.5), (10, None, 0.5)),
        ((10.800001, 60.0, 0.1), (10, 60.0, 0.5)),
    ],
)
def test_devices_that_did_not_go_and_come_together(one, other):
    """More than 0.3 s apart at either end, or only one of them is back."""
    assert summary(silent(1, "heater", *one), silent(2, "roof fan", *other)) == []


def test_three_devices_may_return_within_a_gap():
    """They kept their power and their rhythms, so each comes back when its next message is due."""
    found = [silent(n, f"device {n}", 10 + n / 10, back, fastest=5) for n, back in enumerate((60.0, 64.9, 62.0))]
    (cause,) = causes(found, {})
    assert [flag.number for flag in cause.flags] == [0, 1, 2]
    assert cause.text.endswith("and returned within 4.9 s")
    assert summary(*found[:2]) == []  # two alone may be chance
    quick = [silent(n, f"device {n}", 10, back, fastest=0.1) for n, back in enumerate((60.0, 60.05, 60.1, 60.3))]
    assert summary(*quick) == [("shared-supply", [0, 1, 2, 3])]
    late = silent(3, "device 3", 10, 65.3, fastest=5)
    assert summary(*found[:2], late) == []
    assert summary(*found, late) == [("shared-supply", [0, 1, 2])]


def test_one_device_that_goes_twice_has_no_company():
    """Its two absences are no two devices."""
    assert summary(silent(1, "heater", 10, 60), silent(2, "heater", 10, 60)) == []


def test_devices_that_went_together_and_are_still_away():
    """It is not said that they share a supply; a fault of the bus cable is possible too."""
    (cause,) = causes([silent(1, "heater", 10), silent(2, "roof fan", 10.3), silent(3, "charger", 30)], {})
    assert (cause.kind, cause.until) == (CauseKind.GONE_TOGETHER, None)
    assert cause.text.startswith("heater and roof fan became silent at one moment")
    assert "a part of the bus cable" in cause.advice


def test_two_groups_of_devices():
    """Each is a cause of its own, and three are named together."""
    found = [silent(n, f"device {n}", 10, 60) for n in (1, 2, 3)] + [silent(n, f"device {n}", 30, 90) for n in (4, 5)]
    assert summary(*found) == [("shared-supply", [1, 2, 3]), ("shared-supply", [4, 5])]
    assert causes(found, {})[0].text.startswith("device 1, device 2 and device 3 became silent at one moment")


def test_two_units_that_are_exchanged(bus):
    """Each speaks as the other from its own address: one cause, and no two replaced units; one alone is none."""
    made = bus("sensor", {"name": "other", "kind": "ambient", "address": 0x92, "functions": {"ambient_sensor": 2}})
    made.run(
        60,
        made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x92, 0.1, instance=1),
        made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.2, instance=2),
    )
    (cause,) = made.watch.causes
    assert (cause.kind, cause.subject, [str(flag.kind) for flag in cause.flags]) == (
        "exchanged",
        "sensor, other",
        ["replaced-device", "replaced-device"],
    )
    assert cause.text == (
        "sensor and other are exchanged: address 92 hex sends as ambient sensor 1 and address 91 hex sends as "
        "ambient sensor 2"
    )
    alone = bus("sensor").run(60, made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x92, 0.1, instance=1))
    assert [str(cause.kind) for cause in alone.watch.causes] == ["replaced-device"]


def test_many_flags_are_explained_in_time():
    """A device that comes and goes all day: each silence explains its own lateness."""
    found = []
    for n in range(2_000):
        found.append(finding(2 * n + 1, "late-message", "heater", 100 * n + 2, until=100 * n + 15))
        found.append(silent(2 * n + 2, "heater", 100 * n, until=100 * n + 50))
    assert len(summary(*found)) == 2_000


def test_a_recorder_that_paused_is_said_before_any_talk_of_supply(bus):
    """From the watch itself: everybody goes on in rhythm."""
    made = bus()
    senders = [
        made.every(0.5, "THERMOSTAT_AMBIENT_STATUS", source, place, off=((20.2, 30.2),), instance=instance)
        for instance, source, place in (
            (1, 0x91, 0.0),
            (2, 0x92, 0.13),
            (3, 0x93, 0.22),
            (4, 0x94, 0.29),
            (5, 0x95, 0.4),
        )
    ]
    made.run(60, *senders)
    (cause,) = made.watch.causes
    assert (cause.kind, cause.severity, cause.subject) == ("recorder-paused", Severity.WARNING, "bus")
    assert cause.text.startswith("the recorder paused, or the bus did: no frame for 10.1 s up to 30.220 s")
    assert cause.evidence[0].startswith("no address claim within 6 s, and ")
    assert "supply" in cause.advice.rpartition("only then")[2]
    assert [flag.kind for flag in cause.flags] == ["bus-quiet"]


def test_a_bus_that_lost_its_power(bus):
    """Addresses are claimed anew: the text of the quiet bus says so, and its advice is about the supply."""
    made = bus()
    senders = [
        made.every(0.5, "THERMOSTAT_AMBIENT_STATUS", source, place, off=((20.2, 30.2),), instance=instance)
        for instance, source, place in ((1, 0x91, 0.0), (2, 0x92, 0.13), (3, 0x93, 0.29))
    ]
    made.run(30.2, *senders)
    made.claim(30.21, 0x91, 1).claim(30.22, 0x92, 2).claim(30.23, 0x93, 3)
    made.run(60, *senders, begin=30.24)
    cause = next(one for one in made.watch.causes if one.kind == "bus-quiet")
    assert cause.text.endswith("; 3 of 3 addresses were claimed again when it resumed, so they had no power")
    assert cause.advice.startswith("check the supply of the bus")


@pytest.mark.parametrize(("pause", "is_hour"), [(7200.0, False), (3600.4, True), (3604.0, False)])
def test_a_long_pause_without_a_new_start_may_be_the_recorder(bus, pause, is_hour):
    """No device claims its address, so all had power; after an hour the clock is named too."""
    made = bus()
    places = ((1, 0x91, 0.0), (2, 0x92, 0.13), (3, 0x93, 0.29))
    for begin, end in ((0, 20), (20 + pause, 40 + pause)):
        senders = [
            made.every(0.5, "THERMOSTAT_AMBIENT_STATUS", source, place, instance=instance)
            for instance, source, place in places
        ]
        made.run(end, *senders, begin=begin)
    (cause,) = made.watch.causes
    assert (cause.kind, cause.severity) == ("recorder-paused", Severity.WARNING)
    assert cause.text.endswith("then the devices continue without a new start")
    assert ("its clock was set an hour forward" in cause.text) is is_hour
    assert ("daylight saving time" in cause.advice) is is_hour


def resumed(claims=(), judged=0, back=5):
    """How the bus resumed at 4000 s, after an hour and more."""
    return Resumption(4000 * SECOND_US, 3700 * SECOND_US, tuple(claims), back, judged, 0)


@pytest.mark.parametrize(
    ("how", "restarts", "kind", "advice"),
    [
        (resumed(), False, "recorder-paused", "check the recording first"),
        (resumed(), True, "bus-quiet", "advice 1"),
        (resumed(judged=5), False, "bus-quiet", "advice 1"),
        (resumed(claims=(1, 2)), False, "bus-quiet", "advice 1"),
        (resumed(claims=(1, 2, 3)), False, "bus-quiet", "check the supply of the bus, what feeds all of these"),
    ],
)
def test_what_a_pause_was_by_how_the_bus_resumed(how, restarts, kind, advice):
    """Claims of most devices are a supply that was off; restarts without a claim are no pause of the recorder."""
    found = [finding(1, "bus-quiet", "bus", 301, 4000, Severity.FAULT)]
    if restarts:
        found.append(finding(2, "restarted", "heater", 4001))
    (cause,) = causes(found, {how.ended: how})
    assert str(cause.kind) == kind
    assert cause.advice.startswith(advice)
    assert ("two recordings" in cause.advice) is (len(how.claims) == 3)


def doubled(number, source, since):
    """An address whose message comes twice as often as before."""
    frame = Frame(round(since * SECOND_US), 0x19FFFD00 | source, bytes(8))
    figures = "every 0.25 s on average instead of 0.5 s, with the same data"
    problem = TwoSenders(0, 0, "x", source, TwoSendersSign.TWICE_AS_OFTEN, "DC_SOURCE_STATUS_1", figures, frame)
    return Finding(flag(number, "shared-address", f"address {source:02X} hex", since, severity=Severity.FAULT), problem)


def test_two_addresses_that_send_twice_as_often_are_a_log_that_was_recorded_twice():
    """One alone is two units on an address. Restarts are explained too: each claim stands there twice."""
    restarted = finding(3, "restarted", "heater", 2)
    alone = causes([doubled(1, 0x45, 40), restarted], {})
    assert [cause.kind for cause in alone] == []
    (cause,) = causes([doubled(1, 0x45, 40), doubled(2, 0x4A, 60), restarted], {})
    assert (cause.kind, cause.severity, cause.subject) == (CauseKind.RECORDED_TWICE, Severity.WARNING, "log")
    assert [flag.number for flag in cause.flags] == [1, 2, 3]
    assert cause.text == (
        "the log holds frames twice: messages of 2 addresses come twice as often as before, with the same data"
    )
    assert cause.evidence[0].startswith("DC_SOURCE_STATUS_1 of address 45 hex comes every 0.25 s on average")
    assert causes([doubled(1, 0x45, 40), doubled(2, 0x45, 400)], {}) == ()


def losses(count, devices, apart, length=1.0):
    """Messages that are late for a short time, one device after the other."""
    return [
        finding(n, "late-message", f"device {n % devices}", 20 + n * apart, 20 + n * apart + length)
        for n in range(count)
    ]


def many():
    """Losses of four devices at each of two moments."""
    moments = [(4 + n, f"device {n % 4}", 500 + 100 * (n // 4)) for n in range(8)]
    return [finding(number, "late-message", device, since, since + 1) for number, device, since in moments]


@pytest.mark.parametrize(
    ("found", "is_cause"),
    [
        (losses(8, 4, 30), True),
        (losses(7, 4, 30), False),
        (losses(8, 3, 30), False),
        (losses(8, 4, 30, length=10.1), False),
        (losses(8, 4, 0.01), False),  # all at one moment
        (losses(4, 4, 30) + many(), False),
    ],
)
def test_short_gaps_of_many_devices_at_different_moments_are_lost_by_the_recorder(found, is_cause):
    """Of few devices, long ones and those of one moment are not. A silence of 30 s is explained, 31 s are not."""
    heard = [f"device {n}" for n in range(12)]
    longer = [silent(20, "device 1", 300, until=345), silent(21, "device 2", 400, until=446)]
    (*others, restarted) = *longer, finding(22, "restarted", "device 3", 500)
    kinds = {cause.kind: cause for cause in causes([*found, *others, restarted], {}, heard=heard)}
    assert (CauseKind.FRAMES_LOST in kinds) is is_cause
    if is_cause:
        cause = kinds[CauseKind.FRAMES_LOST]
        assert [flag.number for flag in cause.flags] == [*range(8), 20]
        assert cause.text.startswith("frames are missing of 4 of 12 devices, at different moments")
        assert cause.evidence[0] == "8 short gaps at 8 moments"
        many = [*heard, "device 12", "device 13"]
        assert CauseKind.FRAMES_LOST not in {one.kind for one in causes(found, {}, heard=many)}


def test_the_causes_of_a_watch_follow_its_flags(bus):
    """A device that falls silent becomes the cause of what was late; before that there is none."""
    made = bus({"name": "inverter", "kind": "own", "address": 0x42, "functions": {"inverter": 1}}, "roof fan")
    senders = made.every(0.5, "INVERTER_STATUS", 0x42, off=((10, 99),)), made.every(0.5, "ROOF_FAN_STATUS_1", 0x90)
    made.run(15, *senders)
    assert ([flag[2] for flag in made.flags], made.watch.causes) == (["late-message"], ())
    made.run(40, *senders, begin=15)
    (cause,) = made.watch.causes
    assert (cause.kind, cause.subject) == ("silent-device", "inverter")
    assert cause.text.startswith("silent for 30.5 s (limit 15.0 s)")
    assert [str(flag.kind) for flag in cause.flags] == ["silent-device", "late-message"]


def test_every_kind_of_flag_says_what_it_explains():
    """A new kind cannot be left out of the table of causes, not even one that explains nothing."""
    assert set(EXPLAINS) == set(FlagKind) - PLAN_KINDS


HARNESS = {
    "harness": {"recorder": "front"},
    "tap": [
        {"name": "front", "drops": [{"device": "panel"}]},
        {"name": "middle", "drops": [{"device": "charger"}]},
        {"name": "rear", "drops": [{"device": "heater"}, {"device": "roof fan"}]},
    ],
}


def wired_rig(**tables):
    """Return a rig of four devices with these tables."""
    names = ("panel", "charger", "heater", "roof fan")
    devices = [{"name": name, "address": 0x80 + n} for n, name in enumerate(names)]
    return Rig.model_validate({"schema": 1, "name": "r", "title": "R", "device": devices, **tables})


def test_what_devices_share_by_the_rig():
    """The piece of the pair behind which they are, and no others; without a harness nothing is named."""
    together = [silent(1, "heater", 10), silent(2, "roof fan", 10.3)]
    heard = {"panel", "charger", "heater", "roof fan"}
    (cause,) = causes(together, {}, wired_rig(**HARNESS), heard)
    assert cause.text.endswith(
        "and are still silent; by the rig only the trunk between middle and rear would take away these and no others"
    )
    assert cause.advice == (
        "check the trunk between middle and rear: its plugs first, then, with the power off, the ohms on both sides of "
        "it"
    )
    (cause,) = causes(together, {}, wired_rig(), heard)
    assert "by the rig" not in cause.text
    assert cause.advice.startswith("look for a shared supply")


def test_a_device_that_is_received_meanwhile_rules_a_part_out():
    """One that was never heard, or is silent at that time too, does not; one that is back does."""
    together = [silent(1, "heater", 10), silent(2, "charger", 10.3)]
    rig = wired_rig(**HARNESS)
    (cause,) = causes(together, {}, rig, {"panel", "charger", "heater", "roof fan"})
    assert "by the rig" not in cause.text  # the fan is at the heater's tap, and is received
    (cause,) = causes(together, {}, rig, {"panel", "charger", "heater"})
    assert "only the trunk between front and middle would" in cause.text
    (cause,) = causes([*together, silent(3, "roof fan", 2)], {}, rig, {"panel", "charger", "heater", "roof fan"})
    assert "only the trunk between front and middle would" in cause.text
    (cause,) = causes([*together, silent(3, "roof fan", 2, 5)], {}, rig, {"panel", "charger", "heater", "roof fan"})
    assert "by the rig" not in cause.text


def test_a_branch_of_the_supply_that_devices_share():
    """It is named before a piece of the pair, with its fuse."""
    together = [silent(1, "heater", 10, 60.1), silent(2, "roof fan", 10.3, 60.3)]
    rig = wired_rig(branch=[{"name": "rear", "fuse_amps": 15.0}, {"name": "front"}], **HARNESS)
    devices = [
        device.model_copy(update={"branch": "rear" if device.name in ("heater", "roof fan") else "front"})
        for device in rig.devices
    ]
    rig = rig.model_copy(update={"devices": tuple(devices)})
    heard = {"panel", "charger", "heater", "roof fan"}
    (cause,) = causes(together, {}, rig, heard)
    assert cause.text.endswith(
        "by the rig only the branch rear of the supply or the trunk between middle and rear would take away these and "
        "no others"
    )
    assert "; or check the trunk between middle and rear" in cause.advice
    assert cause.advice.startswith(
        "check the branch rear: its fuse of 15 A, the voltage behind it under load, its plugs and its ground; or check"
    )


def test_a_device_that_filled_the_bus_and_stopped_is_no_dead_device():
    """Only where it made most of the load, and stopped while the bus was busy."""
    busy = flag(1, "bus-busy", "bus", 20, until=43, severity=Severity.NOTICE)
    loud = BusBusy(0, 0, 0, 48.0, 40, "address 42 hex", 97.0, 862)
    (cause,) = causes([Finding(busy, loud), silent(2, "address 42 hex", 40)], {})
    assert (cause.kind, cause.severity, cause.subject) == (CauseKind.FLOODED, Severity.WARNING, "address 42 hex")
    assert [one.number for one in cause.flags] == [1, 2]
    assert summary(Finding(busy, loud), silent(2, "address 42 hex", 44)) == []
    assert summary(Finding(busy, loud), silent(2, "heater", 40)) == []
    assert summary(Finding(busy, loud._replace(share=49.0)), silent(2, "address 42 hex", 40)) == []


def test_a_short_pause_among_lost_frames_is_lost_frames():
    """Where hardly a frame is left, all are missing for a moment; a longer pause is a trouble of its own."""
    lost = [finding(n, "late-message", f"device {n % 5}", 10 + 7 * n, until=12 + 7 * n) for n in range(1, 12)]
    quiet = finding(20, "bus-quiet", "bus", 31, until=32, severity=Severity.FAULT, heard=30)
    assert [(kind, 20 in numbers) for kind, numbers in summary(*lost, quiet)] == [("frames-lost", True)]
    longer = finding(20, "bus-quiet", "bus", 31, until=35.1, severity=Severity.FAULT, heard=30)
    assert all(20 not in numbers for kind, numbers in summary(*lost, longer) if kind == "frames-lost")
