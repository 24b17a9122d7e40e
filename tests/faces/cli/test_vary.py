"""One scenario with many values: what fails, the smallest failing case, and what cannot be varied."""

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from rvsim.faces.cli.vary import own_values, summary_lines
from rvsim.shakedown.jobs import parse_range
from rvsim.shakedown.verdict import Outcome, Verdict

HEARD = '[[expect]]\nexpect = "every"\nsight = { device = "heater" }\ngap = "6s"\n'
SILENT = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "20s"\n'
SEEN = '[[expect]]\nexpect = "seen"\nsight = { device = "heater" }\n'


def test_vary_finds_the_smallest_failing_case(write, rvsim):
    """The heater may be silent for no longer than the gap that is expected: 5 s and 10 s pass, 20 s does not."""
    name = write(HEARD.replace("6s", "16s") + SILENT + 'until = "25s"\n')
    code, out, _ = rvsim("vary", name, "fault.1.until=21s,25s,45s,59s", "seed=1,2", "--processes", "1")
    lines = out.splitlines()
    assert code == 1
    assert lines[0] == "4 of 8 runs passed"
    assert sum(line.startswith("  not passed: ") for line in lines) == 4
    place = lines.index("The smallest failing case, with the fewest values that differ from the scenario's own:")
    assert (
        lines[place + 1].startswith("  t, seed 1, fault.1.until=45s, seed=1: not passed")
        or "fault.1.until=" in lines[place + 1]
    )


def test_vary_as_lines_and_by_chance(write, rvsim):
    """So many runs, each with values of its own; good if all pass."""
    name = write(HEARD)
    code, out, _ = rvsim("vary", name, "weather.outdoor_c=-20..10", "--draw", "3", "--json", "--processes", "1")
    values = [json.loads(line)["values"]["weather.outdoor_c"] for line in out.splitlines()]
    assert (code, len(values), len(set(values))) == (0, 3, 3)
    assert all(-20 <= value <= 10 for value in values)


def test_two_steps_are_no_open_range(write, rvsim):
    """From 0 to 5 by 5 are two values."""
    name = write(HEARD)
    code, out, _ = rvsim("vary", name, "weather.outdoor_c=0..5/5", "--processes", "1")
    assert (code, out.splitlines()[0]) == (0, "2 of 2 runs passed")


def test_what_cannot_be_varied(write, rvsim):
    """An open range without a draw, a place that is not there."""
    name = write(HEARD)
    code, _, err = rvsim("vary", name, "weather.outdoor_c=-20..10")
    assert (code, "a range without a step needs --draw N" in err) == (2, True)
    code, _, err = rvsim("vary", name, "fault.3.from=1s")
    assert (code, "no key fault.3.from" in err) == (2, True)
    assert rvsim("vary", name, "seed=1", "--draw", "0")[0] == 2


def test_seeds_of_a_range_are_whole(write, rvsim):
    """As the command's own example has it: a varied seed is the run's, whatever is drawn or given beside it."""
    name = write(SEEN, lasts="10s")
    for more in ((), ("--draw", "4"), ("--seed", "5")):
        code, out, _ = rvsim("vary", name, "seed=2..4/2", *more, "--json", "--processes", "1")
        runs = [json.loads(line) for line in out.splitlines()]
        assert code == 0
        assert all(run["seed"] == run["values"]["seed"] for run in runs)
        assert {run["seed"] for run in runs} <= {2, 4}


def test_a_draw_has_a_seed_of_its_own(write, rvsim):
    """The same for the same --seed, of which 0 is one like any other; without one it is 1."""
    name = write(SEEN, lasts="10s")

    def drawn(*more):
        out = rvsim("vary", name, "shore_power=true,false", "--draw", "2", "--json", "--processes", "1", *more)[1]
        return [json.loads(line)["seed"] for line in out.splitlines()]

    assert drawn() == drawn("--seed", "1") != drawn("--seed", "0")


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (("seed=1..inf/1",), '"seed=1..inf/1": write numbers on both sides of the dots, like seed=-20..10/5'),
        (("seed=0..1e308/1e-300",), '"seed=0..1e308/1e-300": more than 10000 values; choose a larger step'),
        (("seed=1,,2",), '"seed=1,,2" is not a key with values; write key=1,2,3 or key=-20..10 or key=-20..10/5'),
        (("seed=1", "seed=2"), "seed: given twice; write all its values behind one seed="),
        (("seed=3..3/1",), '"seed=3..3/1": write the lower number first, and a step above 0'),
        (("nosuch=1",), 't.toml: unknown key "nosuch"; remove it or correct the name'),
        (("expect.².gap=1s",), 't.toml: no key expect.².gap; "²" is not there; after expect write the number 1'),
        (("a=1..999/1", "b=1..999/1"), "998001 runs, more than the limit of 100000; vary fewer values, or use"),
        (("seed=1", "--draw", "100001"), "--draw 100001: more than the limit of 100000 runs; draw fewer"),
        (("seed=1", "--processes", "0"), "--processes 0: give a number above 0"),
        (("seed=1,2", "--processes", "-1"), "--processes -1: give a number above 0"),
        (("seed=1", "--junit", "."), "--junit .: this is a folder; name a file in it"),
        (("seed=1", "--junit", "no/v.xml"), "--junit no/v.xml: there is no folder no; make it, or name another file"),
    ],
)
def test_values_and_options_that_cannot_be(write, rvsim, values, said):
    """One clear line, exit code 2, and nothing is run."""
    write(HEARD)
    code, out, err = rvsim("vary", "t.toml", *values)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert err.startswith(f"rvsim: {said}")


def test_a_scenario_that_expects_nothing_is_not_varied(write, rvsim):
    """Every run of it would be passed."""
    code, out, err = rvsim("vary", write(""), "seed=1,2")
    assert (code, out) == (2, "")
    assert err == "rvsim: t.toml: the scenario has no expectations; add [[expect]] tables\n"


def run(passed, error="", **values):
    """What one run came to."""
    return Verdict("t", "T", 1, values, 1.0, 1, (Outcome("it is so", passed, "it was not"),), error)


def test_twenty_failing_runs_are_named_and_the_rest_is_counted():
    """With what was not met, or with the error; then the smallest_failure with its evidence."""
    runs = [run(True, a=0), *(run(False, a=number) for number in range(1, 21))]
    lines = summary_lines(runs, {"a": 0})
    assert lines[0] == "1 of 21 runs passed"
    assert lines[1] == "  not passed: t, seed 1, a=1: it is so"
    assert lines[20].startswith("  not passed: t, seed 1, a=20: ")
    assert lines[21].startswith("The smallest failing case, ")
    assert lines[22].startswith("  t, seed 1, a=1: not passed")
    assert lines[23:] == ["    not met  it is so", "             found: it was not"]
    more = summary_lines([*runs, run(False, "it broke", a=30)], {"a": 0})
    assert more[21] == "  and 1 more"
    assert summary_lines([run(False, "it broke", a=30)], {"a": 0})[1] == "  not passed: t, seed 1, a=30: it broke"
    assert summary_lines([run(True)], {}) == ["1 of 1 runs passed"]


def test_what_the_scenario_itself_has(write):
    """The first that is tried where it has nothing there, or no single value."""
    name = write('[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "20s"\n')
    ranges = [parse_range(text) for text in ("fault.1.from=1s,2s", "fault.1.until=40s,50s", "weather=1,2", "lasts=9s")]
    assert own_values(name, ranges) == {"fault.1.from": "20s", "fault.1.until": "40s", "weather": 1, "lasts": "60s"}


def test_the_seed_of_a_grid_is_given_with_its_option(write, rvsim):
    """Else it is the scenario's own."""
    name = write("seed = 40\n" + SEEN, lasts="2s")
    for more, seed in (((), 40), (("--seed", "7"), 7)):
        out = rvsim("vary", name, "shore_power=true,false", "--json", "--processes", "1", *more)[1]
        assert [json.loads(line)["seed"] for line in out.splitlines()] == [seed, seed]


def test_lines_keep_the_signs_of_a_language(write, rvsim):
    """As they are in the file, once a program has read the line, which is ASCII on every console."""
    name = write(SEEN + 'says = "die Heizung läuft"\n', lasts="2s")
    assert "die Heizung läuft: any frame of heater" in str(json.loads(rvsim("vary", name, "seed=1", "--json")[1]))
    assert "die Heizung läuft: any frame of heater" in str(json.loads(rvsim("shakedown", name, "--json")[1]))


def test_verdicts_of_all_runs_as_junit(write, rvsim):
    """A suite for each; nothing is recorded, for there may be very many."""
    name = write(SEEN.replace("seen", "never"), lasts="2s")
    assert rvsim("vary", name, "seed=1,2", "--junit", "v.xml", "--processes", "1")[0] == 1
    assert len(ElementTree.parse("v.xml").getroot().findall("testsuite")) == 2
    assert [path.name for path in Path().iterdir() if path.is_dir()] in ([], ["cache"])


def test_keys_of_the_rig_are_varied(write, rvsim):
    """By the names of its tables, written there or not; the smallest failing case is nearest to the rig's own value."""
    warm = '[[expect]]\nexpect = "world"\nvalue = "cabin"\nat_least = 9.0\n'
    name = write(warm, lasts="5s")
    key = "cabin.start_c"
    code, out, _ = rvsim("vary", name, f"{key}=-5..15/5", "--processes", "1")
    lines = out.splitlines()
    assert (code, lines[0]) == (1, "2 of 5 runs passed")
    assert any(f"{key}=5.0: not passed" in line or f"{key}=5: not passed" in line for line in lines[-8:])
    code, out, err = rvsim(
        "vary", name, "start.zone.cabin=10", 'device."indoor sensor".answer_time=3s', "--processes", "1"
    )
    assert (code, err) == (0, "")
    assert own_values(name, [parse_range('device."indoor sensor".address=1,2')]) == {
        'device."indoor sensor".address': 0x91
    }


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (
            "device.heatr.sleeps=true",
            'no key device.heatr.sleeps; "heatr" is not there (did you mean "heater"?); after',
        ),
        ("device.roof fan.adress=1", 'unknown key "adress" (did you mean "address"?); remove it or correct the name'),
        ("device.heater=1", "device.heater has no value of its own; write a key in it, like device.heater.name"),
        ("branch.galley.fuse_amps=5,10", "the file has no branch; add a table [[branch]] to it, or write another key"),
        ("device.heater.settings.fan_amps=-1", 'device 2 "heater", settings.fan_amps: -1 is below 0; write 0 or more'),
        ("zone.cabn.start_c=5", '"cabn" is not there (did you mean "cabin"?); after zone write cabin, or add a table'),
        ("tank=5", "after tank write fresh or grey or black, or add a table [[tank]]"),
        ("start.zone.bed=1", 'start.zone.bed: "bed" is not in the rig; its zones are cabin'),
    ],
)
def test_what_is_said_of_keys_that_cannot_be_varied(write, rvsim, value, said):
    """The nearest key, and what there is; nothing is run."""
    code, out, err = rvsim("vary", write(HEARD), value)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert said in err
