"""Evidence is of the moment: nothing from after it is shown as before it, however late it is known."""

import pytest

from rvsim.runs.scenario_run import PreparedScenario, VirtualScenarioRun
from rvsim.shakedown.expect.run_judge import RunJudge
from rvsim.shakedown.jobs import Job
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame

HEATER, INDOOR = 0x19FFE45E, 0x19FF9C91
FURNACE, WARM = bytes.fromhex("0100C8FFFFFFFFFF"), bytes.fromhex("018025FFFFFFFFFF")
SILENT = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "20s"\nuntil = "50s"\n'
HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'
LATE = (
    'expect = "every"\nsight = { device = "heater", message = "FURNACE_STATUS" }\ngap = "6s"',
    'expect = "every"\nsight = { message = "AWNING_STATUS" }\ngap = "7s"',
    'expect = "answer"\nto = { message = "FURNACE_COMMAND" }\nsight = { message = "AWNING_STATUS" }\nwithin = "3s"',
    'expect = "seen"\nsight = { message = "AWNING_STATUS" }\nuntil = "30s"',
    'expect = "entered"\nsight = { message = "DM_RV", field = "dsa", becomes = 1.0 }\nat_least_times = 1\nuntil = "9s"',
    'expect = "rate"\nsight = { message = "DM_RV" }\nat_most = 0.1\nuntil = "25s"',
    'expect = "world"\nvalue = "cabin"\nat_least = 90.0\nonce = true\nuntil = "31.5s"',
    'expect = "world"\nvalue = "cabin"\nat_least = 90.0\nfrom = "5s"',
    'expect = "presence"\ndevice = "heater"\nstate = "asleep"\nuntil = "40s"',
    'expect = "presence"\ndevice = "heater"\nstate = "present"\nfrom = "10s"\nthroughout = true',
    'expect = "flag"\nkind = "bus-busy"\nuntil = "33s"',
    'expect = "flag"\nraised = false\nfrom = "10s"',
    'expect = "flag"\nkind = "silent-device"\ncleared = true\nuntil = "45s"',
)


@pytest.fixture
def outcome(tmp_path):
    """Run the heater's half a minute of silence, and return what became of one expectation."""

    def go(plan):
        path = tmp_path / "t.toml"
        path.write_text(f"{HEAD}{SILENT}[[expect]]\n{plan}\n", encoding="utf-8")
        (found,) = PreparedScenario(Job(str(path), {})).run().outcomes
        return found

    return go


@pytest.mark.parametrize("plan", LATE)
def test_nothing_from_after_the_moment(plan, outcome):
    """Five frames up to it, the nearest and the flags no later; each with its time."""
    found = outcome(plan)
    assert not found.passed
    times = [float(line.split(" s  ")[0]) for line in found.before]
    assert len(times) == 5
    assert times == sorted(times)
    assert times[-1] <= found.at
    assert found.at - times[-1] < 25  # the heater was heard last at 17 s
    if found.nearest:
        assert float(found.nearest.split(" at ")[-1].split(" s: ")[0]) <= found.at


def test_flags_of_later_did_not_stand_then(outcome):
    """The heater is missed from 23 s on, its silence is a flag from 32 s on."""
    found = outcome(LATE[0])
    assert found.at < 27
    assert "silent-device" not in found.look
    at_the_end = outcome('expect = "presence"\ndevice = "heater"\nstate = "asleep"\nuntil = "25s"')
    assert (at_the_end.at, "silent-device" in at_the_end.look) == (25.0, False)


@pytest.fixture
def run_judge(loaded, catalogue):
    """Judge one expectation; returns a function that passes frames on, and the judge of the run."""

    def seat(plan):
        one = loaded(f"[[expect]]\n{plan}\n")
        watch = Watch(catalogue, one.rig)
        run_judge = RunJudge(one, catalogue, watch)

        def observe(identifier, data, *seconds):
            for time in seconds:
                frame = Frame(round(time * SECOND_US), identifier, data)
                run_judge.observe_frame(frame, watch.observe(frame))

        return observe, run_judge

    return seat


def test_how_long_it_was_missed_is_told_when_that_is_over(run_judge):
    """The evidence is of the moment at which the gap was too long."""
    observe, one = run_judge('expect = "every"\nsight = { device = "heater" }\ngap = "6s"')
    observe(HEATER, FURNACE, 1, 5)
    observe(INDOOR, WARM, 10, 12, 14)
    observe(HEATER, FURNACE, 20)
    (found,) = one.finish(22 * SECOND_US)
    assert (found.found, found.at) == ("not seen for 15 s after 5.000 s", 11.0)
    assert [line.split("  ")[0] for line in found.before] == ["1.000 s", "5.000 s"]


def test_a_frame_at_the_moment_belongs_to_it(run_judge):
    """One at the very end of the gap is in time, and shown; one a microsecond later is neither."""
    plan = 'expect = "every"\nsight = { message = "FURNACE_STATUS" }\ngap = "6s"'
    observe, one = run_judge(plan)
    observe(HEATER, FURNACE, 6, 12)
    assert one.finish(13 * SECOND_US)[0].passed
    observe, one = run_judge(plan)
    observe(INDOOR, WARM, 6)
    observe(HEATER, FURNACE, 6.000001)
    (found,) = one.finish(7 * SECOND_US)
    assert found.at == 6.0
    assert [line.split("  ")[1][:8] for line in found.before] == ["19FF9C91"]


@pytest.mark.parametrize(
    ("plan", "at"),
    [
        ('expect = "presence"\ndevice = "charger"\nstate = "asleep"\nuntil = "9s"', 9),
        ('expect = "answer"\nto = { message = "FURNACE_STATUS" }\nsight = { message = "DM_RV" }\nwithin = "2.5s"', 3.5),
    ],
)
def test_evidence_is_kept_however_long_a_run_goes_on(plan, at, run_judge):
    """Thousands of frames later it is still there."""
    observe, one = run_judge(plan)
    observe(HEATER, FURNACE, 1)
    observe(INDOOR, WARM, 2, 3, 4, 5, 6, 7, 8, *(10 + number / 1000 for number in range(6000)))
    (found,) = one.finish(20 * SECOND_US)
    assert found.at == at
    expected = [float(time) for time in range(1, 9) if time <= at][-5:]
    assert [float(line.split(" s  ")[0]) for line in found.before] == expected


# What a run did not come to.


def verdict_at(tmp_path, seconds, *plans, lasts=60):
    """The verdict of a healthy run that is asked for at some time."""
    path = tmp_path / "t.toml"
    head = HEAD.replace("60s", f"{lasts}s")
    path.write_text(head + "".join(f"[[expect]]\n{plan}\n" for plan in plans), encoding="utf-8")
    session = VirtualScenarioRun(PreparedScenario(Job(str(path), {})))
    session.until(seconds)
    return session.verdict()


NEVER = 'expect = "never"\nsight = { message = "AWNING_STATUS", field = "motion", is = 1 }\nfrom = "20s"'
SEEN = 'expect = "seen"\nsight = { device = "heater" }'


@pytest.mark.parametrize("plan", LATE)
def test_a_part_that_had_not_begun_is_not_judged(plan, tmp_path):
    """Neither met nor not met, whatever the kind; nothing is passed by it."""
    kept = [line for line in plan.splitlines() if not line.startswith(("from", "until"))]
    plan = "\n".join([*kept, 'from = "50s"'])
    seen, late = verdict_at(tmp_path, 49, SEEN, plan).outcomes
    assert (seen.passed, seen.judged) == (True, True)
    assert (late.passed, late.judged, late.at, late.before) == (False, False, None, ())
    assert late.found == "it applies from 50.000 s, and the run was judged at 49.000 s"


def test_the_edge_of_a_part_that_begins(tmp_path):
    """At its very beginning nothing of it is over yet; a microsecond later it is judged."""
    at_once, begun = verdict_at(tmp_path, 20, NEVER), verdict_at(tmp_path, 20.000001, NEVER)
    assert (at_once.passed, at_once.outcomes[0].judged) == (False, False)
    assert (begun.passed, begun.outcomes[0].judged) == (True, True)
    assert not verdict_at(tmp_path, 0, SEEN).outcomes[0].judged


def test_a_verdict_of_nothing_is_not_passed(tmp_path):
    """Where nothing is expected nothing was judged."""
    verdict = verdict_at(tmp_path, 20)
    assert not verdict.passed
    assert str(verdict).startswith("t, seed 1: not passed, no expectations in 20 s")


# Addresses.


def intruded(tmp_path, *sent, plan='expect = "own_address"', absent=()):
    """The outcome where frames are sent from outside at some seconds."""
    path = tmp_path / "t.toml"
    path.write_text(f"{HEAD}[[expect]]\n{plan}\n", encoding="utf-8")
    session = VirtualScenarioRun(PreparedScenario(Job(str(path), {})), absent)
    for seconds, identifier in sent:
        session.until(seconds)
        session.put(identifier, b"\x01" + b"\xff" * 7)
    session.until(30)
    return session.verdict().outcomes[0]


def test_an_address_that_is_held(tmp_path):
    """Of the heater; the frame is the last of its evidence."""
    found = intruded(tmp_path, (10, 0x19FFE35E))
    assert found.found == (
        "seen at 10.000 s from outside: 19FFE35E 01 FF FF FF FF FF FF FF, and its address is held by heater"
    )
    assert found.before[-1].startswith("10.000 s  19FFE35E")


@pytest.mark.parametrize(
    ("sent", "more"),
    [
        ((10, 0x19FFE303), {}),
        ((10, 0x18EEFF5E), {}),
        ((10, 0x18EAFFFE), {}),
        ((0.1, 0x19FFE35E), {}),
        ((10, 0x19FFE35E), {"absent": ["heater"]}),
        ((10, 0x19FFE35E), {"plan": 'expect = "own_address"\nuntil = "10s"'}),
    ],
    ids=["nobody's", "a claim", "no address", "not held yet", "its own", "afterwards"],
)
def test_an_address_that_is_not(sent, more, tmp_path):
    """Nobody's, a claim, none at all, one not held yet, that of the device it stands in for, or outside the part."""
    assert intruded(tmp_path, sent, **more).passed


def test_a_device_without_power_holds_no_address(tmp_path):
    """Whoever speaks from there then is alone."""
    off = 'expect = "own_address"\n[[fault]]\nfault = "brown_out"\ndevices = ["heater"]\nfrom = "5s"'
    assert intruded(tmp_path, (10, 0x19FFE35E), plan=off).passed
    assert not intruded(tmp_path, (10, 0x19FFE35E), plan=off + '\nuntil = "8s"').passed


def test_what_a_step_sends_is_no_intruder(tmp_path):
    """The person at the bench may send whatever is asked for."""
    step = '[[step]]\nat = "10s"\nsend = { identifier = "19FFE35E", bytes = "01 FF FF FF FF FF FF FF" }\n'
    path = tmp_path / "t.toml"
    path.write_text(f'{HEAD}{step}[[expect]]\nexpect = "own_address"\n', encoding="utf-8")
    assert PreparedScenario(Job(str(path), {})).run().passed
