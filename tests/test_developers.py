"""DEVELOPERS.md: its tour names every module, its lists of what to touch are whole, and no file in it is gone."""

import csv
import re
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import get_args

import pytest

import rvsim
from rvsim.devices.own.own_device import OwnDevice
from rvsim.devices.registry import BUILT_IN
from rvsim.faces.cli.commands import app
from rvsim.faces.screen.keys import KEY_ACTIONS
from rvsim.faces.screen.keys import key_texts as page_of_keys
from rvsim.faces.screen.scene import Mode, Page
from rvsim.faces.screen.show import ScreenSink
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.faces.text.signs import READABLE
from rvsim.logs.draft.stand_ins import REQUIRED_FUNCTIONS
from rvsim.logs.read import FORMATS
from rvsim.rig.accepted import FLAG_KINDS
from rvsim.rig.functions import FUNCTIONS
from rvsim.shakedown.expect.expectation_plans import Expectation
from rvsim.shakedown.faults.fault_plans import Fault, ValuePlan
from rvsim.shakedown.scenario_keys import render_keys as scenario_keys
from rvsim.watch import transitions
from rvsim.watch.flag import FlagKind

PACKAGE = Path(rvsim.__file__).parent  # as it is installed, which may be elsewhere
ROOT = Path(__file__).parents[1]
TEXT = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
QUOTED = re.compile(r"`([^`\s]+)`")


def section(title, text=TEXT):
    """Return what stands under a heading of the second level that begins with a title."""
    return re.search(rf"(?ms)^## {title}[^\n]*\n(.*?)(?=^## |\Z)", text)[1]


def entries(text):
    """Return the points of a list, each with its lines."""
    return re.findall(r"(?ms)^- .*?(?=^- |^$|\Z)", text)


def folders_of(entry):
    """Return the folders of the package that an entry names, by themselves or as the place of a file."""
    places = [quoted for quoted in QUOTED.findall(entry) if not quoted.startswith("tests/")]
    return {place.rpartition("/")[0] for place in places if "/" in place}


def named(text):
    """Return the modules that a tour may mean: full places, and short names in the folders of their entry."""
    found = set()
    for entry in entries(text):
        folders = folders_of(entry) | {""}
        for quoted in QUOTED.findall(entry):
            name = quoted.removesuffix(".py")
            found |= {name + ".py"} if "/" in name else {f"{folder}/{name}.py".lstrip("/") for folder in folders}
    return found


def missing(text, package=PACKAGE, root=ROOT):
    """Return the files that a tour names and that are not there."""
    wrong = []
    for entry in entries(text):
        folders = folders_of(entry) | {""}
        for quoted in QUOTED.findall(entry):
            if quoted.startswith("tests/"):
                is_there = (root / quoted).exists()
            elif quoted.endswith((".py", "/")):
                places = [""] if "/" in quoted else folders
                is_there = any((place / folder / quoted).exists() for place in (package, root) for folder in places)
            else:
                continue
            if not is_there:
                wrong.append(quoted)
    return wrong


def modules():
    """Return the modules of the package, without those that only make a folder a package."""
    return {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if path.name != "__init__.py" and "_shipped" not in path.parts
    }


def test_the_tour_names_every_module():
    """Whoever looks for a module finds what it is for."""
    assert modules() - named(section("Tour")) == set()


def test_the_tour_names_nothing_else():
    """No file in it is gone or has another name by now."""
    assert missing(section("Tour")) == []


@pytest.mark.parametrize(
    ("tour", "found"),
    [
        ("- `wire/frame.py`, `ident.py`: a frame.\n", {"wire/frame.py", "wire/ident.py"}),
        ("- `world/`: `weather`, `cabin`\n  one body each.\n", {"world/weather.py", "world/cabin.py"}),
        ("- `errors.py`: the errors.\n- `rig/load.py`: TOML.\n", {"errors.py", "rig/load.py"}),
    ],
)
def test_how_a_tour_names_modules(tour, found):
    """By their full place, or by a short name beside one of their folder; only within a point of the list."""
    assert found <= named(tour)
    assert missing(tour) == []
    assert "rig/errors.py" not in named(tour)


@pytest.mark.parametrize("tour", ["- `wire/gone.py`: x\n", "- `wire/frame.py`, `gone.py`\n", "- `gone/`: x\n"])
def test_what_is_gone_is_found(tour):
    """Files by their full place or in the folder of their entry, and folders."""
    assert missing(tour)


# How to add: the files of each list are there, and what there is already stands in each of them.

KEYS = "\n".join(scenario_keys())
HOW = section("How to add")
LISTS = dict(re.findall(r"(?ms)^### ([^\n]+)\n(.*?)(?=^### |\Z)", HOW))
THINGS = {
    "A kind of device", "A flag", "A format of logs", "A fault", "An expectation", "A change that a step makes",
    "A command", "A page of the screen", "A function", "A term of the glossary", "A message", "A unit",
    "A form of output",
}  # fmt: skip


@cache
def read(place):
    """Return the text of a file, or of all files of a folder, by its place in the package or beside it."""
    root = next(root for root in (PACKAGE, ROOT) if (root / place).exists())
    files = sorted((root / place).rglob("*.*")) if (root / place).is_dir() else [root / place]
    return "\n".join(file.read_text(encoding="utf-8") for file in files if file.suffix in (".py", ".md", ".csv"))


def words(union, key):
    """Return the plans of a union of plans, by the words that scenarios use for them."""
    plans = get_args(get_args(union)[0])
    return {word: plan for plan in plans for word in get_args(plan.model_fields[key].annotation)}


def test_there_is_a_list_for_each_thing():
    """Nobody has to find out by searching what belongs to a new one."""
    assert set(LISTS) == THINGS


@pytest.mark.parametrize("thing", LISTS)
def test_every_place_of_a_list_is_there(thing):
    """Files and folders, by their place in the package or beside it; more than one in each list."""
    places = [quoted for quoted in QUOTED.findall(LISTS[thing]) if re.search(r"/|\.md$", quoted)]
    assert [place for place in places if not any((root / place).exists() for root in (PACKAGE, ROOT))] == []
    assert len(places) > 1


@pytest.mark.parametrize("kind", [kind for kind in BUILT_IN if kind is not OwnDevice])
def test_every_kind_of_device_is_complete(kind):
    """Its module is among the kinds and has its tests; a unit of a log can be found to be one."""
    module = kind.__module__.rpartition(".")[2]
    assert kind.__module__ == f"rvsim.devices.kinds.{module}"
    assert (ROOT / "tests" / "devices" / "kinds" / f"test_{module}.py").is_file()
    assert kind.kind in REQUIRED_FUNCTIONS
    assert set(REQUIRED_FUNCTIONS[kind.kind]) <= FUNCTIONS.keys()


@pytest.mark.parametrize("kind", FlagKind)
def test_every_flag_is_complete(kind):
    """A rig can accept it, something is put into its words, and a test waits for it."""
    assert kind in FLAG_KINDS
    is_of_the_plan = kind.startswith("rig-")
    assert f"Kind.{kind.name}" in read("plan" if is_of_the_plan else "watch/drafts")
    assert f'"{kind}"' in read("tests/plan" if is_of_the_plan else "tests/watch")


def test_every_problem_has_its_words():
    """What can be found is put into the words of a flag."""
    modules = [
        import_module(f"rvsim.watch.drafts.{path.stem}") for path in (PACKAGE / "watch/drafts").glob("[a-z]*.py")
    ]
    drafted = {problem for module in modules for problem in getattr(module, "DRAFTS", {})}
    assert drafted == {
        one for name in transitions.__all__
        if hasattr(one := getattr(transitions, name), "problem_key")
        and one not in (transitions.Problem, transitions.Ended)
    }  # fmt: skip


@pytest.mark.parametrize("reader", FORMATS)
def test_every_format_of_logs_is_complete(reader):
    """Its reader has a module among the formats, and tests of it."""
    module = reader.__module__.removeprefix("rvsim.logs.formats.")
    assert (ROOT / "tests" / "logs" / "formats" / f"test_{module}.py").is_file()


@pytest.mark.parametrize(("word", "plan"), words(Fault, "fault").items())
def test_every_fault_is_complete(word, plan):
    """It has an effect and a sentence, a mistake that it finds, and a line among the keys."""
    assert f"plans.{plan.__name__}" in read("shakedown/explain.py")
    subjects = ("bus", "contact", "device", "message", "motion", "switching", "vehicle")
    effects = "".join(read(f"shakedown/faults/{subject}_faults.py") for subject in subjects)
    assert f"plans.{plan.__name__}" in effects or plan in get_args(ValuePlan)
    kinds = ("kinds", "motion_kinds", "switching_kinds")
    proofs = "".join(read(f"tests/shakedown/proofs/{name}.py") for name in kinds)
    assert f'"{word}"' in proofs
    assert word in KEYS


@pytest.mark.parametrize(("word", "plan"), words(Expectation, "expect").items())
def test_every_expectation_is_complete(word, plan):
    """It has a judge, a sentence and tests, and a line among the keys."""
    assert f"case plans.{plan.__name__}()" in read("shakedown/expect/run_judge.py")
    assert isinstance(plan.sentence, property)
    assert word in read("tests/shakedown/expect")
    assert word in KEYS


@pytest.mark.parametrize("command", [command.name or command.callback.__name__ for command in app.registered_commands])
def test_every_command_is_complete(command):
    """The README or a guide says when to use it, and a test calls it."""
    assert f"rvsim {command}" in read("README.md") + read("guides")
    assert f'"{command}"' in read("tests/faces")


@pytest.mark.parametrize("page", Page)
def test_every_page_is_complete(page):
    """A key opens it, in a way that the page of keys names; `tests/faces/screen/test_app.py` draws each."""
    (deed,) = [deed for deed in KEY_ACTIONS if deed.action == f"page({page.value!r})" and deed.key != "escape"]
    key = {"question_mark": "?"}.get(deed.key, deed.key)
    told = {part for mode in Mode for keys, _ in page_of_keys(mode) for part in keys.split()} | {"?"}
    assert key in told


def test_every_message_is_complete(catalogue):
    """Its number and its source are in the table."""
    with (ROOT / "tests/vectors/dgns.csv").open(encoding="utf-8") as file:
        rows = {row["name"]: row["dgn_hex"] for row in csv.DictReader(file)}
    assert {spec.name: f"{spec.dgn:05X}" for spec in catalogue}.items() <= rows.items()


def test_every_unit_is_complete(catalogue):
    """Each of its signs is ASCII or has a twin."""
    units = {field.printed_unit for spec in catalogue for field in spec.fields}
    assert {sign for unit in units for sign in unit if not sign.isascii()} <= READABLE.keys()


@pytest.mark.parametrize("form", [JsonLinesSink, Sentences, ScreenSink])
def test_every_form_of_output_is_complete(form):
    """It has whatever a run tells."""
    assert [name for name in ("frame", "events", "end", "flush") if not callable(getattr(form, name, None))] == []


def test_every_benchmark_has_a_row():
    """The last table has each of them, and none that is gone."""
    names = {path.stem.removeprefix("bench_") for path in (ROOT / "tests/benchmarks").glob("bench_*.py")}
    rows = re.findall(r"(?m)^\| ([^|]*) \|(?:[^|\n]*\|){5}$", section("Speed"))
    assert set(rows) - {"benchmark", "---"} == names
