"""Which tests wait for the wall clock: those of ports, hubs and processes, marked ``paced``; found by reading them.

A test that reads the time, sleeps or gives up after a time can fail on a slow machine without a mistake in rvsim.
"""

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
READS = {
    "time.time", "time.time_ns", "time.monotonic", "time.monotonic_ns", "time.perf_counter", "time.perf_counter_ns",
    "time.process_time", "time.sleep", "time.localtime", "time.gmtime", "asyncio.sleep", "datetime.now",
    "datetime.utcnow", "datetime.today", "date.today",
}  # fmt: skip
LIMITED = {"wait", "join", "communicate"}
"""Calls that give up after a time, where that is their only argument: a number, or a constant in seconds."""
MARK = "pytestmark = pytest.mark.paced"


def dotted(node):
    """Return ``a.b`` for a chain of names, and an empty text for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    return f"{base}.{node.attr}" if isinstance(node, ast.Attribute) and (base := dotted(node.value)) else ""


def is_seconds(node):
    """Tell whether an argument is a positive number or a constant that is named as one of seconds."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float) and node.value > 0
    return isinstance(node, ast.Name) and node.id.isupper() and node.id.endswith("_S")


def waits(node):
    """Return what in a piece of code reads the time, sleeps or gives up after a time, with its lines."""
    found = []
    for one in ast.walk(node):
        if isinstance(one, ast.Attribute) and ".".join(dotted(one).split(".")[-2:]) in READS:
            found.append((one.lineno, dotted(one)))
        elif isinstance(one, ast.ImportFrom):
            found += [(one.lineno, name) for alias in one.names if (name := f"{one.module}.{alias.name}") in READS]
        elif isinstance(one, ast.Call):
            called = one.func.attr if isinstance(one.func, ast.Attribute) else ""
            has_limit = called in LIMITED and len(one.args) == 1 and is_seconds(one.args[0])
            if has_limit or any(key.arg == "timeout" and is_seconds(key.value) for key in one.keywords):
                found.append((one.lineno, called or dotted(one.func)))
    return sorted(found)


def functions(tree):
    """Return the functions of a module with the names of their parameters."""
    return {
        node.name: (node, {argument.arg for argument in node.args.args})
        for node in tree.body
        if isinstance(node, ast.FunctionDef)
    }


def waiting_fixtures(tree):
    """Return the fixtures of a conftest that wait for the wall clock, by themselves or by another one."""
    known = functions(tree)
    classes = {node.name for node in tree.body if isinstance(node, ast.ClassDef) and waits(node)}
    found = {
        name for name, (node, _) in known.items()
        if waits(node) or any(isinstance(one, ast.Name) and one.id in classes for one in ast.walk(node))
    }  # fmt: skip
    while more := {name for name, (_, uses) in known.items() if uses & found} - found:
        found |= more
    return found


def unmarked(texts):
    """Return the files that wait for the wall clock and are not marked, with the first place where they do.

    Args:
        texts: the files by their place, those named ``conftest.py`` among them.
    """
    marked = {file for file, text in texts.items() if MARK in text.splitlines() and not file.endswith("conftest.py")}
    trees = {file: ast.parse(text) for file, text in texts.items() if file not in marked}
    fixtures = {
        file.removesuffix("conftest.py"): waiting_fixtures(tree)
        for file, tree in trees.items()
        if file.endswith("conftest.py")
    }
    found = {}
    for file, tree in trees.items():
        if file.endswith("conftest.py"):
            continue
        asked = set().union(*(names for folder, names in fixtures.items() if file.startswith(folder)))
        places = waits(tree) + [
            (node.lineno, name) for node, uses in functions(tree).values() for name in sorted(uses & asked)
        ]
        if places:
            found[file] = places[0]
    return found


def test_who_waits_for_the_wall_clock_is_marked():
    """Every such file has the mark ``paced``; what is left can be told the time, and is the same on any machine."""
    files = [path for path in TESTS.rglob("*.py") if "benchmarks" not in path.parts]
    assert unmarked({path.relative_to(TESTS).as_posix(): path.read_text(encoding="utf-8") for path in files}) == {}


@pytest.mark.parametrize(
    "text",
    [
        "import time\ntime.sleep(1)",
        "import time as t\nfrom time import monotonic",
        "def f(clock=time.monotonic):\n    pass",
        "import datetime\ndatetime.datetime.now()",
        "subprocess.run(command, timeout=120)",
        "thread.join(5)",
        "port.arrived.wait(LIMIT_S)",
        "processes[0].wait(20)",
        "def test_a(hub):\n    pass",
        "def test_a(client):\n    pass",
    ],
)
def test_what_waits_is_found(text):
    """Clocks, sleeps, limits, and fixtures that have one; not in a marked file."""
    conftest = "def hub():\n    return Hub(time.monotonic)\ndef client(hub):\n    pass\ndef plain():\n    pass"
    assert set(unmarked({"edge/conftest.py": conftest, "edge/test_a.py": text})) == {"edge/test_a.py"}
    assert unmarked({"edge/conftest.py": conftest, "edge/test_a.py": f"{MARK}\n{text}"}) == {}


@pytest.mark.parametrize(
    "text",
    ["', '.join(names)", "bus.recv(1.0)", "bus.recv(timeout=0)", "line.join(number)", "frame.time\nself.time()",
     "def send(self, timeout=None):\n    pass", "def test_a(plain):\n    pass", "thread.join()"],
)  # fmt: skip
def test_what_does_not_wait_is_let_pass(text):
    """Texts that are joined, calls that return at once, times of frames."""
    assert unmarked({"conftest.py": "def plain():\n    pass", "test_a.py": text}) == {}
