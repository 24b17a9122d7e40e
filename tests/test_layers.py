"""Who may import whom: found by reading the code of the package, without running it."""

import ast
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

import rvsim

PACKAGE = Path(rvsim.__file__).parent
# From the top down: a file imports from its own layer and from those below.
LAYERS = [
    "faces", "runs", "plan", "logs", "shakedown", "edge", "sim", "devices", "world", "watch", "rig", "wire",
]  # fmt: skip
# Used by all, and using nothing themselves but each other.
COMMON = {"errors", "processors", "shipped", "thread_turns"}
# One owner for each library: what it can do is wrapped there, and nothing else depends on its ways.
OWNERS = {
    "cantools": ("wire/database.py",),
    "textparser": ("wire/database.py",),
    "can": ("edge/", "logs/read.py", "logs/record.py", "faces/interface.py"),
    "textual": ("faces/screen/",),
    "pyarrow": ("logs/export/arrow_tables.py",),
    "numpy": ("logs/", "plan/"),
}
# One place that knows the time of day and sleeps. Runs on a bus or with a hub hand the clock of the system on to these,
# and the faces print when a run began.
CLOCKS = ("sim/clock.py", "runs/hardware_run.py", "runs/listen.py", "runs/served_run.py", "faces/")
# Modules whose functions ask for or wait for real time.
ASKING = {
    "time": {
        "sleep", "time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns", "process_time",
        "localtime", "gmtime", "ctime", "strftime",
    },
    "datetime": {"now", "utcnow", "today"},
}  # fmt: skip


class Use(NamedTuple):
    """An import or a dotted name in a file of the package."""

    file: str
    name: str


@cache
def files():
    """Return the files of the package by their place in it, with their content."""
    return {path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}


@cache
def tree_of(text):
    """Parse a file once for all that is looked for in it."""
    return ast.parse(text)


def imports(file, text, nodes=ast.walk):
    """Return every module and every name that a file imports, wherever in it, in full."""
    found = set()
    for node in nodes(tree_of(text)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = ["rvsim", *file.split("/")[:-1]]
                base = ".".join([*parents[: len(parents) + 1 - node.level], *([base] if base else [])])
            found |= {f"{base}.{alias.name}" for alias in node.names}
    return {Use(file, name) for name in found}


@cache
def all_imports():
    """Return the imports of the whole package."""
    return set().union(*(imports(file, text) for file, text in files().items()))


def dotted(node):
    """Return ``a.b.c`` for a chain of attributes, None for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute) and (base := dotted(node.value)):
        return f"{base}.{node.attr}"
    return None


def names(file, text):
    """Return every dotted name that is used in a file: spelled in full from an import, else with a dot before it."""
    nodes = list(ast.walk(tree_of(text)))
    known = {}
    for node in nodes:
        if isinstance(node, ast.Import):
            first = [(alias.name, alias.asname or alias.name.split(".")[0]) for alias in node.names]
            known |= {short: name if short != name.split(".")[0] else short for name, short in first}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            known |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
    found = set()
    for node in nodes:
        if isinstance(node, ast.Name | ast.Attribute) and (name := dotted(node)):
            first, dot, rest = name.partition(".")
            found.add(known.get(first, f".{first}") + dot + rest)
    return {Use(file, name) for name in found}


def layer_of(place):
    """Return the first part of a place in the package: a layer, or a file beside the layers without its ending."""
    return place.replace(".py", "").replace("/", ".").split(".")[0]


def nodes_when_run(node):
    """Yield the nodes below one, without what only a type checker reads."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.If) and dotted(child.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            for other in child.orelse:
                yield other
                yield from nodes_when_run(other)
        else:
            yield child
            yield from nodes_when_run(child)


def module_of(file):
    """Return the name of a module in Python."""
    return ".".join(["rvsim", *file.removesuffix(".py").split("/")]).removesuffix(".__init__")


def circles(texts):
    """Return the groups of modules of which each imports, by way of the others, itself; inside functions, too."""
    modules = {module_of(file): file for file in texts}
    uses = {
        module: {
            name if name in modules else name.rpartition(".")[0]
            for _, name in imports(file, texts[file], nodes_when_run)
        }.intersection(modules.keys() - {module})
        for module, file in modules.items()
    }
    reached = {}
    for module in modules:
        found, waiting = set(), [module]
        while waiting:
            new = uses[waiting.pop()] - found
            found |= new
            waiting += new
        reached[module] = found
    groups = {frozenset(other for other in reached[module] if module in reached[other]) for module in modules}
    return sorted(sorted(group) for group in groups if group)


@cache
def all_names():
    """Return the imports and the dotted names of the whole package."""
    return all_imports().union(*(names(file, text) for file, text in files().items()))


def upward(uses):
    """Return the uses that go from a lower layer to a higher one, or from what all use to any layer.

    What the package exports is for others: within it everything is imported from where it stands.
    """
    wrong = set()
    for use in uses:
        package, _, place = use.name.partition(".")
        source, target = layer_of(use.file), layer_of(place)
        if package == "rvsim" and place in rvsim.__all__:
            wrong.add(use)
        if package != "rvsim" or target not in LAYERS or source in ("__main__", "__init__"):
            continue
        if source not in LAYERS or LAYERS.index(target) < LAYERS.index(source):
            wrong.add(use)
    return wrong


def stray(uses):
    """Return the uses of a library outside the places that own it."""
    return {
        use for use in uses
        if (library := use.name.split(".")[0]) in OWNERS and not use.file.startswith(OWNERS[library])
    }  # fmt: skip


def asks_for_time(uses):
    """Return the uses of a clock or a wait outside the places that may."""
    return {
        use for use in uses
        if "." in use.name and use.name.split(".")[-1] in ASKING.get(use.name.split(".")[0], ())
        and not use.file.startswith(CLOCKS)
    }  # fmt: skip


def shared_chance(uses):
    """Return the uses of the random module's shared state: all but its classes of generators with their own."""
    own = {"Random", "SystemRandom"}
    return {use for use in uses if use.name.startswith("random.") and use.name.split(".")[1] not in own}


def reads_physics(uses):
    """Return the uses of the physics, by import or through another object."""
    return {use for use in uses if "world" in use.name.split(".")}


def test_the_layers_are_the_folders_of_the_package():
    """No folder stands outside the layers."""
    assert {file.split("/")[0] for file in files() if "/" in file} <= {*LAYERS, "_shipped"}


def test_imports_only_go_down():
    """No layer knows the ones above it, and what all use knows none."""
    assert upward(all_imports()) == set()


def test_every_library_has_one_owner():
    """A library is imported only where it is wrapped."""
    assert stray(all_imports()) == set()


def test_one_place_asks_for_the_time_and_sleeps():
    """Time is told everywhere else."""
    assert asks_for_time(all_names()) == set()


def test_what_watches_is_told_the_time():
    """What watches a bus or a log gets every time from a frame or its caller."""
    assert {use for use in all_imports() if use.file.startswith("watch/") and use.name.split(".")[0] in ASKING} == set()


def test_chance_is_drawn_from_a_generator_of_ones_own():
    """The same seed gives the same run: nobody draws from the state that all modules share."""
    assert shared_chance(all_names()) == set()


def test_a_panel_knows_only_what_frames_tell():
    """The panel neither imports the physics nor reads it through another object."""
    text = files()["devices/kinds/panel.py"]
    assert reads_physics(imports("devices/kinds/panel.py", text) | names("devices/kinds/panel.py", text)) == set()


def test_no_modules_import_each_other():
    """No module needs itself to be imported, not even through others of its own layer."""
    assert circles(files()) == []


@pytest.mark.parametrize(
    ("check", "file", "text"),
    [
        (upward, "wire/a.py", "from rvsim.rig import load"),
        (upward, "wire/a.py", "from rvsim import watch"),
        (upward, "watch/a.py", "import rvsim.world.world"),
        (upward, "watch/a.py", "def f():\n    from ..sim.clock import Clock"),
        (upward, "watch/a.py", "from .. import edge"),
        (upward, "errors.py", "from rvsim.wire import ident"),
        (upward, "wire/a.py", "from rvsim import SimulatedBus"),
        (stray, "wire/spec.py", "import cantools.database"),
        (stray, "wire/spec.py", "from textparser import ParseError"),
        (stray, "sim/bench.py", "if x:\n    from can import Message"),
        (stray, "logs/survey.py", "import can as c"),
        (stray, "faces/cli/commands.py", "from textual.app import App"),
        (stray, "watch/rules.py", "import numpy"),
        (stray, "logs/export/table.py", "def f():\n    from pyarrow import parquet"),
        (asks_for_time, "sim/bench.py", "import time\ntime.sleep(1)"),
        (asks_for_time, "sim/bench.py", "import time as t\nt.monotonic_ns()"),
        (asks_for_time, "edge/port.py", "from time import monotonic"),
        (asks_for_time, "edge/port.py", "from datetime import datetime as d\nd.now()"),
        (asks_for_time, "edge/port.py", "import datetime\ndatetime.datetime.now()"),
        (reads_physics, "devices/kinds/panel.py", "from rvsim.world.cabin import Cabin"),
        (reads_physics, "devices/kinds/panel.py", "def f(self):\n    return self.site.world.cabin"),
        (shared_chance, "devices/a.py", "import random\nrandom.seed(1)"),
        (shared_chance, "devices/a.py", "from random import choice"),
        (shared_chance, "devices/a.py", "import random as r\nr.random()"),
    ],
)
def test_the_checks_find_what_they_look_for(check, file, text):
    """Each kind of mistake is found, however it is spelled."""
    assert check(imports(file, text) | names(file, text))


@pytest.mark.parametrize(
    ("check", "file", "text"),
    [
        (upward, "faces/a.py", "from rvsim.wire import ident\nimport rvsim.faces.cli.commands"),
        (upward, "wire/a.py", "from rvsim import errors, shipped\nfrom . import ident"),
        (upward, "watch/a.py", "from ..wire.ident import split"),
        (stray, "edge/port.py", "import can"),
        (stray, "wire/a.py", "import canmatrix"),
        (asks_for_time, "sim/clock.py", "import time\ntime.sleep(1)"),
        (asks_for_time, "sim/kernel.py", "frame.time\nself.time()"),
        (shared_chance, "sim/bench.py", "import random\nr = random.Random(1)\nr.random()"),
        (shared_chance, "sim/bench.py", "from random import Random"),
    ],
)
def test_the_checks_let_pass_what_is_allowed(check, file, text):
    """What the rules allow is not found."""
    assert not check(imports(file, text) | names(file, text))


@pytest.mark.parametrize(
    ("texts", "found"),
    [
        ({"wire/a.py": "import rvsim.wire.b", "wire/b.py": "from rvsim.wire.a import x"}, [["a", "b"]]),
        ({"wire/a.py": "from . import b", "wire/b.py": "def f():\n    from rvsim.wire import a"}, [["a", "b"]]),
        (
            {"wire/a.py": "from rvsim.wire import b", "wire/b.py": "from .c import x", "wire/c.py": "from . import a"},
            [["a", "b", "c"]],
        ),
        ({"wire/a.py": "from rvsim.wire import b, c", "wire/b.py": "from . import c", "wire/c.py": ""}, []),
        ({"wire/a.py": "from . import b", "wire/b.py": "if TYPE_CHECKING:\n    from . import a"}, []),
        (
            {"wire/a.py": "from . import b", "wire/b.py": "if TYPE_CHECKING:\n    x = 1\nelse:\n    from . import a"},
            [["a", "b"]],
        ),
    ],
)
def test_circles_are_found(texts, found):
    """Two modules or more, at the top or inside a function; imports for a type checker do not count."""
    assert circles(texts) == [[f"rvsim.wire.{name}" for name in group] for group in found]
