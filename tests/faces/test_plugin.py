"""The pytest plugin, as a test suite has it: fixtures, and scenario files as tests."""

from importlib.metadata import entry_points
from xml.etree import ElementTree

import pytest

pytest_plugins = ["pytester"]

INSTALLED = any(point.value == "rvsim.faces.plugin" for point in entry_points(group="pytest11"))
HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "30s"\n'
HEARD = '[[expect]]\nexpect = "every"\nsight = { device = "heater" }\ngap = "6s"\n'
SILENT = '[[fault]]\nfault = "silent"\ndevice = "heater"\nfrom = "10s"\n'


@pytest.fixture
def run(pytester):
    """Run pytest in a folder of its own."""
    more = [] if INSTALLED else ["-p", "rvsim.faces.plugin"]
    return lambda *arguments: pytester.runpytest_inprocess(*more, "-p", "no:cacheprovider", *arguments)


def test_a_bench_in_a_test(pytester, run):
    """Frames, watch, vehicle and verdict of a scenario in virtual time."""
    pytester.makepyfile(
        """
        def test_the_cabin_warms_up(rvsim_bench):
            bench = rvsim_bench("winter_evening", seed=3)
            bench.until(60)
            first = bench.run.bench.world.coolant_c
            bench.until(120)
            assert bench.run.bench.world.coolant_c > first
            assert len(bench.frames) > 1000
            assert not bench.run.watch.flags
            assert bench.verdict().passed

        def test_a_device_of_ones_own(rvsim_bench):
            bench = rvsim_bench("winter_evening", except_devices=["roof fan"])
            bench.put(0x18EEFF90, bytes(8))
            bench.until(1)
            assert [frame for frame in bench.frames if frame.identifier == 0x18EEFF90]
        """
    )
    run().assert_outcomes(passed=2)


def test_a_bus_in_a_test(pytester, run):
    """It is shut down at the end."""
    pytester.makepyfile(
        """
        def test_hears(rvsim_bus):
            bus = rvsim_bus("winter_evening")
            assert bus.recv(1) is not None
        """
    )
    run().assert_outcomes(passed=1)


def test_a_scenario_in_a_test(pytester, run):
    """Run to its verdict, with another seed and other values, which stand in the properties with what was expected."""
    pytester.path.joinpath("quiet.toml").write_text(HEAD + HEARD + SILENT, encoding="utf-8")
    pytester.makepyfile(
        """
        def test_it(rvsim_scenario):
            assert not rvsim_scenario("./quiet.toml").passed
            verdict = rvsim_scenario("./quiet.toml", seed=7, values={"fault.1.device": "roof fan"})
            assert verdict.passed and verdict.seconds == 30
        """
    )
    run("--junit-xml", "out.xml").assert_outcomes(passed=1)
    properties = [
        (one.get("name"), one.get("value")) for one in ElementTree.parse("out.xml").getroot().iter("property")
    ]
    seeds = [value for name, value in properties if name == "seed"]
    heard = [value for name, value in properties if name == "any frame of heater is seen at least every 6 s"]
    assert seeds == ["1", "7"]
    assert heard[0].startswith("not met: ")
    assert heard[1] == "met"
    assert ("fault.1.device", "roof fan") in properties


def test_patterns_for_one_run(pytester, run):
    """By the option, which may be given again."""
    for name in ("good", "better", "other"):
        pytester.path.joinpath(f"{name}.toml").write_text(HEAD + HEARD, encoding="utf-8")
    run("--rvsim-scenarios", "good.toml", "--rvsim-scenarios=bet*.toml").assert_outcomes(passed=2)
    pytester.path.joinpath("LOUD.TOML").write_text(HEAD + HEARD, encoding="utf-8")
    run("--rvsim-scenarios", "LOUD.TOML").assert_outcomes(passed=1)


def test_scenario_files_as_tests(pytester, run):
    """Those that a pattern names, each with its verdict and properties; none without a pattern."""
    bench = pytester.mkdir("bench")
    (bench / "good.toml").write_text(HEAD + HEARD, encoding="utf-8")
    (bench / "bad.toml").write_text(HEAD + HEARD + SILENT, encoding="utf-8")
    (bench / "broken.toml").write_text(HEAD + HEARD.replace("heater", "heatr"), encoding="utf-8")
    (bench / "empty.toml").write_text(HEAD, encoding="utf-8")
    pytester.path.joinpath("other.toml").write_text(HEAD + HEARD, encoding="utf-8")
    run().assert_outcomes()
    pytester.makeini("[pytest]\nrvsim_scenarios = bench/*.toml\n")
    done = run("--junit-xml", "out.xml")
    done.assert_outcomes(passed=1, failed=3)
    done.stdout.fnmatch_lines(["*not met  any frame of heater is seen at least every 6 s*"])
    done.stdout.fnmatch_lines(['*"heatr" is not in the rig (did you mean "heater"?)*'])
    done.stdout.fnmatch_lines(["*the scenario has no expectations*"])
    assert "Traceback" not in done.stdout.str()
    cases = {case.get("name"): case for case in ElementTree.parse("out.xml").getroot().iter("testcase")}
    properties = {one.get("name"): one.get("value") for one in cases["good"].iter("property")}
    assert properties["seed"] == "1"
    assert properties["any frame of heater is seen at least every 6 s"] == "met"
    assert int(properties["frames"]) > 300


def test_unused_it_imports_nothing_heavy(pytester, run):
    """A suite that does not use it pays for one small file."""
    pytester.makepyfile(
        """
        import subprocess, sys

        def test_nothing():
            heavy = "('can', 'pydantic', 'numpy')"
            code = f"import sys, rvsim.faces.plugin; print([m for m in {heavy} if m in sys.modules])"
            assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "[]\\n"
        """
    )
    run().assert_outcomes(passed=1)


def test_strength(pytester, run):
    """Asked for, each file is a second test: it fails where a wrong controller is let pass, and says which."""
    (pytester.path / "weak.toml").write_text(HEAD + HEARD, encoding="utf-8")
    run("--rvsim-scenarios", "*.toml").assert_outcomes(passed=1)
    result = run("--rvsim-scenarios", "*.toml", "--rvsim-strength")
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(["*let pass*wrong instance: it commands the next instance*"])
