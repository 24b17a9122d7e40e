"""All expectations of a scenario before one run: what is kept as evidence, where to look, and when each is decided."""

import pytest

from rvsim.errors import InputError
from rvsim.shakedown.expect.run_judge import RunJudge
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame

HEATER, INDOOR, OUTDOOR = 0x19FFE45E, 0x19FF9C91, 0x19FF9C92
WARM, COLD, OUT = (bytes.fromhex(f"{start}FFFFFFFFFF") for start in ("018025", "018022", "028022"))
"""Ambient temperatures: instance 1, 2580 hex / 32 - 273 = 27 and 2280 hex / 32 - 273 = 3 degrees; instance 2, 3."""
FURNACE = bytes.fromhex("0100C8FFFFFFFFFF")


class Case:
    """A watch and the judge of a run, which observe the same frames."""

    def __init__(self, loaded, catalogue):
        self.watch = Watch(catalogue, loaded.rig)
        self.run_judge = RunJudge(loaded, catalogue, self.watch)

    def observe(self, identifier, data, *seconds):
        """Observe a frame at some times."""
        for time in seconds:
            frame = Frame(round(time * SECOND_US), identifier, data)
            self.run_judge.observe_frame(frame, self.watch.observe(frame))
        return self

    def end(self, seconds=60):
        """End the run, and return what became of its expectations."""
        self.run_judge.observe_events(self.watch.advance(seconds * SECOND_US))
        return self.run_judge.finish(seconds * SECOND_US)


@pytest.fixture
def case(loaded, catalogue):
    """Judge expectations: ``case('expect = "seen"...', ...)``."""
    return lambda *plans: Case(loaded("".join(f"[[expect]]\n{plan}\n" for plan in plans)), catalogue)


def shown(outcome):
    """When the frames before an outcome were, and which identifiers they have."""
    return [(float(line.split()[0]), line.split("s  ")[1][:8]) for line in outcome.before]


def test_the_last_five_frames_of_the_device_are_kept(case):
    """Of the one that the expectation is about, whoever else has sent since."""
    one = case('expect = "seen"\nsight = { device = "heater", message = "FURNACE_STATUS", field = "instance", is = 9 }')
    one.observe(HEATER, FURNACE, *range(1, 8)).observe(INDOOR, WARM, 8, 9)
    (outcome,) = one.end(12)
    assert shown(outcome) == [(float(time), "19FFE45E") for time in range(3, 8)]


def test_without_a_device_the_last_five_of_all_are_kept(case):
    """And as well where the device was never heard."""
    plans = ('expect = "seen"\nsight = { message = "DM_RV" }', 'expect = "seen"\nsight = { device = "charger" }')
    one = case(*plans).observe(HEATER, FURNACE, 1, 2, 3).observe(INDOOR, WARM, 4, 5, 6)
    for outcome in one.end(7):
        assert [time for time, _ in shown(outcome)] == [2, 3, 4, 5, 6]


def test_what_is_decided_early_keeps_what_was_then_on_the_bus(case):
    """A frame that must not be is the last of its own evidence; what comes later is not."""
    one = case('expect = "never"\nsight = { message = "THERMOSTAT_AMBIENT_STATUS" }')
    (outcome,) = one.observe(HEATER, FURNACE, 1).observe(INDOOR, WARM, 2).observe(HEATER, FURNACE, 3).end()
    assert (outcome.at, shown(outcome)) == (2.0, [(1.0, "19FFE45E"), (2.0, "19FF9C91")])


def test_each_part_is_decided_at_its_end(case):
    """With the frames before it, in whatever order the parts end; a frame at that very time is not of it."""
    late, early = (f'expect = "seen"\nsight = {{ message = "DM_RV" }}\nuntil = "{until}"' for until in ("8s", "4s"))
    first, second = case(late, early).observe(HEATER, FURNACE, 1, 2, 4, 6, 8, 9).end()
    assert (first.found, [time for time, _ in shown(first)]) == ("not seen by 8.000 s", [1, 2, 4, 6])
    assert (second.found, [time for time, _ in shown(second)]) == ("not seen by 4.000 s", [1, 2])


def test_a_part_that_nothing_follows_is_decided_at_the_end(case):
    """Once; what was seen in it is not lost."""
    plan = 'expect = "seen"\nsight = {{ message = "THERMOSTAT_AMBIENT_STATUS" }}\nuntil = "50s"\nat_least = {0}'
    met, broken = case(plan.format(2), plan.format(3)).observe(INDOOR, WARM, 1, 2).end()
    assert met.passed
    assert (broken.found, broken.at) == ("seen 2 times by 50.000 s", 50.0)


def test_who_sent_it(case):
    """Nobody, or others than the one that should; both are told of what the expectation still waits for."""
    steps = '[{ message = "FURNACE_STATUS" }, { device = "charger", message = "THERMOSTAT_AMBIENT_STATUS" }]'
    one = case(
        f'expect = "order"\nsteps = {steps}',
        'expect = "seen"\nsight = { message = "AWNING_COMMAND" }',
        'expect = "seen"\nsight = { device = "indoor sensor", identifier = "19FE9991" }',
    )
    one.observe(HEATER, FURNACE, 1).observe(OUTDOOR, OUT, 2).observe(INDOOR, WARM, 3)
    order, nobody, itself = one.end(7)
    assert order.look == (
        "no frame of charger was seen: is it in this run, at its planned address?; "
        "THERMOSTAT_AMBIENT_STATUS was sent by outdoor sensor, indoor sensor, not by charger"
    )
    assert nobody.look == "no device sent AWNING_COMMAND"
    assert itself.look == ""


def test_the_nearest_is_told_with_its_time(case):
    """27 degrees at 2 s, where 30 were wanted, and where to look then."""
    sight = '{ message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 30.0 }'
    (outcome,) = case(f'expect = "seen"\nsight = {sight}').observe(INDOOR, WARM, 2).observe(INDOOR, COLD, 3).end(7)
    assert outcome.nearest == f"ambient temperature 27.00 °C at 2.000 s: {Frame(0, INDOOR, WARM)}"
    assert outcome.look == "the message was seen, but its field had other values: check what sets that field"


def test_flags_that_stood_then(case):
    """Those of the device, or all where the expectation is about none; not those of other devices."""
    plans = (
        'expect = "seen"\nsight = { device = "heater", message = "DM_RV" }',
        'expect = "presence"\ndevice = "charger"\nstate = "present"',
        'expect = "seen"\nsight = { message = "DM_RV" }',
    )
    one = case(*plans).observe(HEATER, FURNACE, 1).observe(INDOOR, WARM, *range(2, 40))
    heater, charger, anybody = one.end(40)
    standing = {flag.subject for flag in one.watch.flags}
    assert {"heater", "charger"} < standing
    for outcome, subjects in ((heater, {"heater"}), (charger, {"charger"}), (anybody, standing)):
        hints = [hint for hint in outcome.look.split("; ") if ", was active at that time: " in hint]
        assert {subject for subject in standing for hint in hints if f" of {subject}, was active" in hint} == subjects


def test_frames_are_counted_and_each_is_shown_to_those_who_ask_for_it(case):
    """A sight of a device is held against all frames of it, one of a message against that message only."""
    one = case(
        'expect = "seen"\nsight = { device = "heater" }\nat_most = 1',
        'expect = "seen"\nsight = { message = "THERMOSTAT_AMBIENT_STATUS" }\nat_least = 2\nat_most = 2',
    )
    first, second = one.observe(HEATER, FURNACE, 1, 2).observe(INDOOR, WARM, 3, 4).end(7)
    assert first.found.startswith("seen for the 2nd time at 2.000 s")
    assert second.passed
    assert one.run_judge.frames == 4


def test_values_of_the_vehicle_are_asked_for_only_where_one_is_expected(case):
    """So that a run without one need not work them out."""
    assert not case('expect = "flag"').run_judge.needs_seconds
    assert case('expect = "world"\nvalue = "cabin"\nat_least = 3.0').run_judge.needs_seconds


def test_what_cannot_be_judged_is_told_at_once(case):
    """A line for each, with the number and the kind of the expectation."""
    with pytest.raises(InputError) as refused:
        case(
            'expect = "flag"\nfrom = "60s"',
            'expect = "flag"\nfrom = "59.999999s"',
            'expect = "seen"\nsight = { message = "NO_SUCH" }\nfrom = "61s"',
        )
    first, second, third = (line.split("t.toml, ")[1] for line in refused.value.problems)
    assert first == "line 7, expect 1 (flag): it starts at 60 s, and the run lasts 60 s"
    assert second == "line 14, expect 3 (seen): it starts at 61 s, and the run lasts 60 s"
    assert third.startswith("line 13, expect 3 (seen): sight: no message is called NO_SUCH")


def test_frames_that_went_wrong_are_judged_at_the_end(case):
    """None did here."""
    good, bad = (
        case('expect = "wires"\nframes = "spoilt"\nat_most = 0', 'expect = "wires"\nframes = "collided"\nat_least = 1')
        .observe(INDOOR, WARM, 1)
        .end(7)
    )
    assert good.passed
    assert (bad.found, bad.at) == ("0 frames", 7.0)


def test_the_roll_call_is_handed_on(case):
    """A device is present once it has been heard, and silent when nothing of it has come for long enough."""
    plans = (f'expect = "presence"\ndevice = "heater"\nstate = "{state}"' for state in ("present", "silent"))
    one = case(*plans, 'expect = "flag"\nkind = "silent-device"\nsubject = "heater"')
    present, silent, flag = one.observe(HEATER, FURNACE, 1).observe(INDOOR, WARM, *range(2, 50)).end()
    assert (present.passed, silent.passed, flag.passed) == (True, True, True)
    present, silent, flag = (
        case(
            'expect = "presence"\ndevice = "heater"\nstate = "present"\nthroughout = true\nfrom = "2s"',
            'expect = "presence"\ndevice = "heater"\nstate = "silent"',
            'expect = "flag"\nkind = "silent-device"\nsubject = "heater"',
        )
        .observe(HEATER, FURNACE, *range(1, 60))
        .end()
    )
    assert (present.passed, silent.passed, flag.passed) == (True, False, False)


def test_an_identifier_of_zeros_is_one_like_any_other(case):
    """The most urgent there is: priority 0, DGN 0, from address 0."""
    one = case('expect = "seen"\nsight = { identifier = "00000000" }')
    assert one.observe(HEATER, FURNACE, 1).observe(0, b"", 2).end(7)[0].passed


def test_what_concerns_a_jury(case):
    """Frames that can be a sight, of whatever value, and the first one of each sender of its message; no others."""
    judged = case(
        'expect = "never"\nsight = { device = "heater", message = "FURNACE_STATUS", field = "dead_band", above = 5 }',
        'expect = "seen"\nsight = { message = "THERMOSTAT_AMBIENT_STATUS", instance = 2 }',
    )
    concerns = judged.run_judge.may_concern
    indoor, outdoor = Frame(0, INDOOR, WARM), Frame(0, OUTDOOR, OUT)
    assert concerns(Frame(0, HEATER, FURNACE), "heater")
    assert concerns(outdoor, "outdoor sensor")
    assert concerns(indoor, "indoor sensor")
    assert not concerns(Frame(0, 0x18FECA5E, FURNACE), "heater")
    before = judged.run_judge.known_senders
    judged.observe(INDOOR, WARM, 1)
    assert judged.run_judge.known_senders == before + 1
    assert not concerns(indoor, judged.watch.device_at(0x91))
    judged.observe(OUTDOOR, OUT, 2)
    assert concerns(outdoor, judged.watch.device_at(0x92))


def test_frames_that_are_passed_over_are_evidence(case):
    """A jury that is not given a frame counts it and quotes it."""
    judged = case('expect = "seen"\nsight = { message = "DM_RV" }')
    judged.observe(INDOOR, WARM, 1)
    judged.run_judge.pass_over([Frame(2 * SECOND_US, INDOOR, COLD), Frame(3 * SECOND_US, HEATER, FURNACE)])
    (outcome,) = judged.end(4)
    assert judged.run_judge.frames == 3
    assert [line.split()[0] for line in outcome.before] == ["1.000", "2.000", "3.000"]


@pytest.mark.parametrize(
    ("plan", "why"),
    [
        (
            'expect = "only_until"\nsight = { message = "FURNACE_STATUS" }\nend = { message = "FURNACE_COMMAND" }',
            "FURNACE_COMMAND was never seen",
        ),
        (
            'expect = "only_until"\nsight = { message = "FURNACE_COMMAND" }\n'
            'end = { message = "THERMOSTAT_AMBIENT_STATUS" }',
            "",
        ),
        (
            'expect = "never_while"\nsight = { message = "FURNACE_COMMAND" }\n'
            'during = { message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 60 }',
            "the state never came: THERMOSTAT_AMBIENT_STATUS with ambient temperature above 60",
        ),
        (
            'expect = "never_while"\nsight = { message = "FURNACE_COMMAND" }\n'
            'during = { message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 0 }',
            "",
        ),
        (
            'expect = "never_while"\nsight = { message = "FURNACE_COMMAND" }\nfrom = "4s"\n'
            'during = { message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 20 }',
            "the state never came: THERMOSTAT_AMBIENT_STATUS with ambient temperature above 20",
        ),
        (
            'expect = "never_while"\nsight = { message = "FURNACE_COMMAND" }\nfrom = "4s"\n'
            'during = { message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 0 }',
            "",
        ),
    ],
)
def test_what_was_not_put_to_the_test_is_met_and_says_so(case, plan, why):
    """Its state, or what ends it, never came in its part of the run: it could not have failed."""
    (outcome,) = case(plan).observe(HEATER, FURNACE, 1).observe(INDOOR, WARM, 2).observe(INDOOR, COLD, 3).end(7)
    assert (outcome.passed, outcome.found) == (True, why)
