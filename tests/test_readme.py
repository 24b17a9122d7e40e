"""The README's examples print what the README says."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.paced

README = Path(__file__).parent.parent / "README.md"
EDIT = re.compile(r"In `(\S+)` change `([^`]+)` to `([^`]+)`")
"""A change to a file, in words."""
CUT = "[...]"
"""A line of the README that stands for any lines."""
PROGRESS = re.compile(r"rvsim: \d+ of \d+ runs so far")
"""What a slow machine says besides."""


def examples() -> list[tuple[str, list[str]]]:
    """Return each `$ command` of the README's console blocks with the lines under it, and each change in its place."""
    found: list[tuple[str, list[str]]] = []
    pieces = re.compile(rf"```console\n(?P<block>.*?)```|{EDIT.pattern}", re.DOTALL)
    for piece in pieces.finditer(README.read_text(encoding="utf-8")):
        if piece["block"] is None:
            found.append((piece[0], []))
            continue
        for line in piece["block"].rstrip("\n").split("\n"):
            if line.startswith("$ "):
                found.append((line[2:], []))
            else:
                found[-1][1].append(line)
    return found


def programs() -> list[tuple[str, str]]:
    """Return the name, which stands in the first line, and the text of each program of the README."""
    blocks = re.findall(r"```python\n(# (\S+\.py).*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    return [(name, code) for code, name in blocks]


def matches(expected: list[str], printed: list[str]) -> bool:
    """Tell whether the printed lines are the expected ones, where a cut stands for any lines."""
    pattern = "".join(r"(?:.*\n)*?" if line.strip() == CUT else re.escape(line) + r"\n" for line in expected)
    return re.fullmatch(pattern, "".join(line + "\n" for line in printed)) is not None


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One folder for all examples, with the programs; a later one may read what an earlier one has recorded."""
    place = tmp_path_factory.mktemp("readme")
    for name, code in programs():
        (place / name).write_text(code, encoding="utf-8")
    return place


def test_there_are_examples():
    """The README has examples, so that the next test tests something."""
    assert len(examples()) >= 3


@pytest.mark.parametrize(("command", "expected"), examples(), ids=lambda value: value if isinstance(value, str) else "")
def test_an_example_prints_what_it_says(command, expected, folder):
    """Running an example's command prints the lines under it, on stdout and stderr together; a change is made."""
    if change := EDIT.fullmatch(command):
        name, before, after = change.groups()
        text = (folder / name).read_text(encoding="utf-8")
        assert text.count(before) == 1
        (folder / name).write_text(text.replace(before, after), encoding="utf-8")
        return
    program, *rest = shlex.split(command)
    start = {"rvsim": [sys.executable, "-m", "rvsim"], "python": [sys.executable]}[program]
    done = subprocess.run(
        [*start, *rest],
        cwd=folder,
        env={**os.environ, "XDG_CACHE_HOME": str(folder), "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    printed = [line for line in done.stdout.rstrip("\n").split("\n") if not PROGRESS.fullmatch(line)]
    assert matches(expected or [""], printed), done.stdout


def test_the_commands_for_windows_are_those_of_the_others():
    """Run and test, a line each: no `&&`, which an older PowerShell does not know, and the folder Scripts."""
    text = README.read_text(encoding="utf-8")
    (windows,) = re.findall(r"```powershell\n(.*?)```", text, re.DOTALL)
    others = [line for line in text.splitlines() if line.startswith("python3 -m venv")]
    assert len(others) == 2
    assert windows.splitlines() == [
        line.replace("python3", "py").replace(" &&", ";").replace(".venv/bin/", ".venv\\Scripts\\") for line in others
    ]


def test_the_lines_for_adapters_name_what_the_options_take(tmp_path):
    """Each worked line gets as far as the package or the port that is not there, and says so in one line."""
    lines = [
        line for line in README.read_text(encoding="utf-8").splitlines() if line.startswith("rvsim listen --inter")
    ]
    assert [line.split("--channel ")[1][:4] for line in lines] == ["COM5", "/dev"]
    for line in lines:
        done = subprocess.run(
            [sys.executable, "-m", "rvsim", *line.split()[1:], "--seconds", "0.1", "--plain"],
            cwd=tmp_path,
            capture_output=True,
            encoding="utf-8",
            check=False,
            timeout=120,
        )
        assert done.returncode == 3
        assert "slcan" in done.stderr.splitlines()[-1]
        assert "the bus could not be opened" in done.stderr.splitlines()[-1]
