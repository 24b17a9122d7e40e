"""The benchmarks: one form of results, the table of all of them, and the vehicle of 25 devices that they run.

No test asserts a time, and none runs a benchmark: scripts of a few lines take their place.
"""

import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

from rvsim.devices.registry import settings_models
from rvsim.rig.load import load_rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.shipped import scenario_folder
from rvsim.wire.frame import SECOND_US

BENCHMARKS = Path(__file__).parent / "benchmarks"
DATA = Path(__file__).parent / "data"

with pytest.MonkeyPatch.context() as _patch:
    _patch.syspath_prepend(BENCHMARKS)
    results, table, every = (importlib.import_module(name) for name in ("benchmark_results", "benchmark_table", "all"))
Result = results.Result

FAST = Result("read it", 2.0, "s", "reader", 30.0, 10.0, aim_is_ratio=True)
SLOW = Result("send it", 1500.0, "frames/s", "echo", 3000.0, 2000.0, more_is_better=True)
PLAIN = Result("count it", 0.0, "", aim=0)
ABSENT = Result("draw it", aim=4, unit="ms", problem="needs a pen, which is not installed")


@pytest.mark.parametrize(
    ("result", "ratio", "is_met", "texts"),
    [
        (FAST, 15.0, True, ("read it", "2 s", "reader: 30 s", "15 x", "ratio at least 10: met")),
        (SLOW, 0.5, False, ("send it", "1,500 frames/s", "echo: 3,000 frames/s", "0.5 x",
                            "at least 2,000 frames/s: missed")),
        (PLAIN, None, True, ("count it", "0", "", "", "at most 0: met")),
        (ABSENT, None, None, ("draw it (needs a pen, which is not installed)", "not measured", "", "",
                              "at most 4 ms: not measured")),
        (Result("a", 5.0, "s", aim=5), None, True, ("a", "5 s", "", "", "at most 5 s: met")),
        (Result("a", 5.01, "s", aim=5), None, False, ("a", "5.01 s", "", "", "at most 5 s: missed")),
        (Result("a", 2.0, "x", aim=2, more_is_better=True), None, True, ("a", "2 x", "", "", "at least 2 x: met")),
        (Result("a", 3.0, "s", "b", 6.0, 2.0, aim_is_ratio=True), 2.0, True,
         ("a", "3 s", "b: 6 s", "2 x", "ratio at least 2: met")),
        (Result("a", 0.0, "s", "b", 6.0), None, None, ("a", "0 s", "b: 6 s", "", "")),
        (Result("a", 3.0, "s", "b", aim=2.0, aim_is_ratio=True), None, None,
         ("a", "3 s", "b", "", "ratio at least 2: not measured")),
    ],
)  # fmt: skip
def test_a_result_says_how_it_compares(result, ratio, is_met, texts):
    """The ratio is how many times better ours is, whether more or less is better; a limit that is reached is met."""
    assert (result.ratio, result.is_met) == (ratio, is_met)
    assert (result.work_text, result.ours_text, result.baseline_text, result.ratio_text, result.aim_text) == texts
    assert results.from_json(results.as_json(result)) == result


@pytest.mark.parametrize(
    ("figure", "text"),
    [(0.0, "0"), (0.054, "0.05"), (1.0, "1"), (2.345, "2.35"), (12.34, "12.3"), (20.0, "20"), (100.4, "100"),
     (1908.0, "1,908"), (123456.7, "123,457")],
)  # fmt: skip
def test_figures_have_no_digits_that_mean_nothing(figure, text):
    """Three significant digits, all digits of a whole part, no zeros at the end of decimals."""
    assert results.rounded(figure) == text


@pytest.mark.parametrize(("hours", "text"), [(24, ""), (24.0, ""), (1.5, " (computed from 1.5 h)")])
def test_a_figure_that_is_computed_says_so(hours, text):
    """From fewer hours than it is told for."""
    assert results.computed(hours) == text


def test_ways_take_turns_and_their_median_counts():
    """One odd round changes nothing, and no way has two rounds before another has one."""
    calls, now = [], iter([0, 1, 1, 11, 20, 25, 30, 33, 40, 42, 50, 57])
    ways = {"one": lambda: calls.append("one"), "two": lambda: calls.append("two")}
    assert results.interleaved(3, ways, lambda: next(now)) == {"one": 2, "two": 7}
    assert calls == ["one", "two"] * 3


ABOUT = "2026-12-01, a machine. Full round."
ALL = {"reading": [FAST], "hub": [SLOW, ABSENT]}


def test_the_table_as_text():
    """Columns stand below each other; at the end stands how many aims are met."""
    assert table.as_text(ALL, ABOUT) == (
        "2026-12-01, a machine. Full round.\n"
        "Ratio: how many times better ours is than the baseline; below 1 it is worse.\n"
        "\n"
        "benchmark  work                                           ours            baseline              ratio  aim\n"
        "reading    read it                                        2 s             reader: 30 s          15 x   "
        "ratio at least 10: met\n"
        "hub        send it                                        1,500 frames/s  echo: 3,000 frames/s  0.5 x  "
        "at least 2,000 frames/s: missed\n"
        "hub        draw it (needs a pen, which is not installed)  not measured                                 "
        "at most 4 ms: not measured\n"
        "\n"
        "1 of 2 measured aims met. 1 row not measured.\n"
    )


def test_the_table_as_markdown():
    """The same cells; a stroke in one of them does not end it."""
    odd = {**ALL, "odd": [Result("a | b", 1.0, "s")]}
    assert table.as_markdown(odd, ABOUT).splitlines() == [
        f"{ABOUT} {table.HINT}",
        "",
        "| benchmark | work | ours | baseline | ratio | aim |",
        "| --- | --- | --- | --- | --- | --- |",
        "| reading | read it | 2 s | reader: 30 s | 15 x | ratio at least 10: met |",
        "| hub | send it | 1,500 frames/s | echo: 3,000 frames/s | 0.5 x | at least 2,000 frames/s: missed |",
        "| hub | draw it (needs a pen, which is not installed) | not measured |  |  | at most 4 ms: not measured |",
        "| odd | a \\| b | 1 s |  |  |  |",
        "",
        "1 of 2 measured aims met. 1 row not measured.",
    ]


def test_what_stands_above_the_table():
    """The day, the machine and the size of the round; a note of the person who made it."""
    assert table.about("2026-12-01", is_quick=False, machine="a machine") == ABOUT
    quick = table.about("2026-12-01", is_quick=True, machine="a machine", note="It was busy.")
    assert quick == "2026-12-01, a machine. Quick round: sizes are smaller, single figures are rough. It was busy."


def no_release():
    """Tell nothing, as a system without such a file."""
    raise OSError


def test_a_machine_in_words(tmp_path, monkeypatch):
    """The processor's model once, however many cores there are; without the file, what Python knows of it."""
    monkeypatch.setattr("os.cpu_count", lambda: 4)
    monkeypatch.setattr("platform.processor", lambda: "")
    monkeypatch.setattr("platform.machine", lambda: "riscv64")
    info = tmp_path / "cpuinfo"
    info.write_text("processor\t: 0\nmodel name\t: Fast 9\n\nprocessor\t: 1\nmodel name\t: Fast 9\n")
    words = table.machine_text(info, lambda: {"PRETTY_NAME": "Some System 1"}).split(", ")
    assert words[:2] + words[3:4] == ["Fast 9", "4 cores", "Some System 1"]
    assert words[2].endswith(".".join(map(str, sys.version_info[:3])))
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert table.machine_text(tmp_path / "none", no_release).startswith("riscv64, 1 core, ")


def test_the_table_of_the_guide_is_replaced():
    """What stands around it stays, and the next table finds its place again."""
    text = f"before\n{table.BEGIN}\nold\n{table.END}\nafter\n"
    once = table.with_table(text, "new\n")
    assert once == f"before\n{table.BEGIN}\nnew\n{table.END}\nafter\n"
    assert table.with_table(once, "old\n") == text


@pytest.mark.parametrize("text", ["", table.BEGIN, f"{table.END}{table.BEGIN}", f"{table.BEGIN}{table.END}{table.END}"])
def test_a_guide_without_a_place_is_refused(text):
    """Nothing is written over."""
    with pytest.raises(ValueError, match="must stand there once each"):
        table.with_table(text, "new\n")


# Running them: scripts in place of the benchmarks.

SCRIPT = "import sys\nsys.path.insert(0, {folder!r})\nfrom benchmark_results import Result, run\n{body}\n"
MEASURE = "def measure(size):\n    print('details')\n    yield Result('work', size, 's')\n"
RUN = "run(measure, full=20, quick=3)"


@pytest.fixture
def script(tmp_path):
    """Write a benchmark: ``script(body)`` returns its path."""

    def write(body):
        path = tmp_path / "bench_x.py"
        path.write_text(SCRIPT.format(folder=str(BENCHMARKS), body=body), encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize(("quick", "size"), [(False, 20.0), (True, 3.0)])
def test_a_benchmark_is_measured(script, quick, size):
    """At the size of the round; its details are no results."""
    assert every.measured(script(MEASURE + RUN), quick=quick) == [Result("work", size, "s")]


@pytest.mark.parametrize(("arguments", "size"), [(["7", "--quick"], "7"), (["--quick"], "3"), ([], "20")])
def test_a_benchmark_is_run_alone(script, arguments, size):
    """With its details and a line for each result; a size that is given counts in any round."""
    command = [sys.executable, str(script(MEASURE + RUN)), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout == f"details\nwork: {size} s\n"


@pytest.mark.parametrize(
    ("body", "problem", "measured"),
    [
        ("import no_such_package\n", "needs no_such_package, which is not installed", 0),
        (MEASURE + "    raise OSError('no bus')\n" + RUN, "failed with exit code 1: OSError: no bus", 1),
        (MEASURE + RUN + "\nsys.exit(7)", "failed with exit code 7: details", 1),
        ("", "it gave no result", 0),
    ],
)
def test_a_benchmark_that_fails_has_a_row(script, body, problem, measured):
    """It says why, and what was measured before stays."""
    found = every.measured(script(body), quick=True)
    assert found == [Result("work", 3.0, "s")] * measured + [Result("bench_x", problem=problem)]


def test_a_benchmark_that_takes_too_long_is_ended(script):
    """It has a row that says so."""
    found = every.measured(script("while True: pass"), quick=True, limit_s=0)
    assert found == [Result("bench_x", problem="not over within 0 s")]


def test_the_limit_is_an_option(script, monkeypatch, capsys):
    """In seconds for each benchmark."""
    monkeypatch.setattr(every, "benchmarks", lambda: {"x": script("while True: pass")})
    assert every.main(["--limit", "0"]) == 1
    assert "bench_x (not over within 0 s)" in capsys.readouterr().out


def test_all_are_measured_and_an_interruption_is_told():
    """Progress says which one and how many there are; after an interruption each of the rest has a row."""
    said = []

    def measure(path):
        if path.stem == "bench_c":
            raise KeyboardInterrupt
        return [FAST] if path.stem == "bench_a" else [FAST, ABSENT]

    paths = {name: Path(f"bench_{name}.py") for name in "abcd"}
    found = every.collect(paths, measure, said.append)
    assert found == {
        "a": [FAST],
        "b": [FAST, ABSENT],
        "c": [Result("bench_c", problem="interrupted")],
        "d": [Result("bench_d", problem="interrupted")],
    }
    assert said[::2] == ["1 of 4: a ...", "2 of 4: b ...", "3 of 4: c ..."]
    assert [re.sub(r"\d+ s", "N s", text) for text in said[1:4:2]] == [
        "1 of 4: a took N s",
        "2 of 4: b took N s: not all measured: needs a pen, which is not installed",
    ]


@pytest.fixture
def guide(tmp_path, monkeypatch):
    """Let a file of these tests take the place of DEVELOPERS.md."""
    path = tmp_path / "guide.md"
    path.write_text(f"{table.BEGIN}\n{table.END}\n", encoding="utf-8")
    monkeypatch.setattr(every, "DEVELOPERS", path)
    return path


@pytest.mark.parametrize(("more", "code"), [("", 0), ("    raise OSError\n", 1)])
def test_the_table_goes_where_it_is_asked_for(script, guide, tmp_path, monkeypatch, capsys, more, code):
    """As text to stdout, as Markdown to a file and into the guide; the exit code tells of a missing figure."""
    path = script(MEASURE + more + RUN)
    monkeypatch.setattr(every, "benchmarks", lambda: {"x": path})
    file = tmp_path / "table.md"
    assert every.main(["--quick", "--update", "--note", "It was busy.", "--markdown", str(file)]) == code
    text, progress = capsys.readouterr()
    first, _, _, *lines = text.splitlines()
    assert re.match(r"\d{4}-\d\d-\d\d, .*Quick round: .* It was busy\.$", first)
    assert lines[1].split() == ["x", "work", "3", "s"]
    assert progress.startswith("1 of 1: x ...\n")
    assert "| x | work | 3 s |  |  |  |" in file.read_text(encoding="utf-8")
    assert guide.read_text(encoding="utf-8") == f"{table.BEGIN}\n{file.read_text(encoding='utf-8')}{table.END}\n"


def test_some_are_chosen(script, monkeypatch, capsys):
    """By name; the others do not run."""
    monkeypatch.setattr(every, "benchmarks", lambda: {"x": script(MEASURE + RUN), "y": Path("none.py")})
    assert every.main(["x"]) == 0
    assert capsys.readouterr().err.startswith("1 of 1: x ...")


def test_they_are_listed(capsys):
    """A name on each line, which can be chosen by it."""
    assert every.main(["--list"]) == 0
    assert capsys.readouterr().out.split() == list(every.benchmarks())


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["nothing"], "there is no benchmark nothing; there are clients, "),
        (["day", "--update"], "--update needs all benchmarks"),
        (["--update"], "--update cannot put a table into "),
    ],
)
def test_what_cannot_be_done_is_refused_before_anything_runs(guide, capsys, arguments, problem):
    """Names that there are not, and a table that has no place or lacks rows."""
    guide.write_text("", encoding="utf-8")
    with pytest.raises(SystemExit, match="2"):
        every.main(arguments)
    assert problem in capsys.readouterr().err


@pytest.mark.parametrize("path", every.benchmarks().values(), ids=every.benchmarks())
def test_every_benchmark_has_the_form(path):
    """A function that yields results, run at a full and at a quick size."""
    text = path.read_text(encoding="utf-8")
    assert re.search(r"^def measure\(size: float.*\) -> Iterator\[Result\]:$", text, re.M)
    assert re.search(r"^ +run\(measure, full=\w+, quick=\w+(\.\d+)?\)$", text, re.M)


# The vehicle of 25 devices.


def test_the_large_rig_has_the_shipped_devices_and_more():
    """14 more, none of a kind that the shipped one does not have."""
    large, shipped = load_rig(DATA / "twenty_five_devices_rig.toml"), load_rig(scenario_folder() / "rigs/ottersby.toml")
    plans, own = ({plan.name: plan for plan in rig.devices} for rig in (large, shipped))
    assert len(plans) == 25
    assert {name: plans.get(name) for name in own} == own
    assert {plan.kind for plan in plans.values()} == {plan.kind for plan in own.values()}


def test_a_large_healthy_bus_raises_no_flag(catalogue):
    """All 25 devices are there and nothing is wrong in five minutes."""
    loaded = load_scenario(DATA / "twenty_five_devices.toml", kinds=settings_models())
    run = VirtualBenchRun(loaded, catalogue, NullSink(), seed=1)
    run.until(300 * SECOND_US)
    assert not run.watch.flags
    assert [device.name for device in run.watch.roll_call if device.state != "present"] == []
    assert len(run.watch.roll_call) == 25
