"""The examples of the README and of the guides print what is written there."""

import os
import re
import shlex
import subprocess
import sys
import tomllib
from contextlib import redirect_stderr, redirect_stdout, suppress
from io import BytesIO, TextIOWrapper
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from rvsim.faces.cli.commands import app
from rvsim.faces.text.guides import FOLDER, TOPICS, guide, topics

pytestmark = pytest.mark.paced

README = Path(__file__).parent.parent / "README.md"
DEVELOPERS = README.with_name("DEVELOPERS.md")
MAX_README_LINES = 200
"""What is longer stands in a guide."""
DOCUMENTS = (README, *(FOLDER / f"{topic}.md" for topic in TOPICS))
EDIT = re.compile(r"In `(\S+)` change `([^`]+)` to `([^`]+)`")
"""A change to a file, in words."""
CUT = "[...]"
"""What stands for any lines, or within a line for any signs."""
PYTEST_LINE = re.compile(r"\bpytest -.*")
"""What runs pytest to the end of the line: its options are not ours."""
PROGRESS = re.compile(r"rvsim: (?:.*: )?\d+ of \d+ (?:runs|s of simulated time|wrong controllers) so far")
"""What a slow machine says besides."""


def examples() -> list[tuple[Path, str, list[str]]]:
    """Return each `$ command` of the console blocks with the lines under it, and each change, in their documents."""
    found: list[tuple[Path, str, list[str]]] = []
    pieces = re.compile(rf"```console\n(?P<block>.*?)```|{EDIT.pattern}", re.DOTALL)
    for document in DOCUMENTS:
        for piece in pieces.finditer(document.read_text(encoding="utf-8")):
            if piece["block"] is None:
                found.append((document, piece[0], []))
                continue
            for line in piece["block"].rstrip("\n").split("\n"):
                if line.startswith("$ "):
                    found.append((document, line[2:], []))
                else:
                    found[-1][2].append(line)
    return found


def programs(document: Path) -> list[tuple[str, str]]:
    """Return the name, which stands in the first line, and the text of each program and file of a document."""
    blocks = re.findall(
        r"```(?:python|toml|text)\n(# (\S+\.\w+).*?)```", document.read_text(encoding="utf-8"), re.DOTALL
    )
    return [(name, code) for code, name in blocks]


def pattern(expected: list[str]) -> str:
    """Return what the expected lines have to match: a cut stands for any lines, or within a line for any signs."""
    return "".join(
        r"(?:.*\n)*?" if line.strip() == CUT else ".*".join(map(re.escape, line.split(CUT))) + r"\n"
        for line in expected
    )


def matches(expected: list[str], printed: list[str]) -> bool:
    """Tell whether the printed lines are the expected ones."""
    return re.fullmatch(pattern(expected), "".join(line + "\n" for line in printed)) is not None


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """One folder for the examples of a document, with its files; a later one may read what an earlier has written."""
    places = {}
    for document in DOCUMENTS:
        places[document] = tmp_path_factory.mktemp(document.stem)
        for name, code in programs(document):
            (places[document] / name).write_text(code, encoding="utf-8")
    return places


def test_each_document_has_examples():
    """So that the next test tests something."""
    with_examples = [document for document, _, _ in examples()]
    assert all(document in with_examples for document in DOCUMENTS)
    assert len(with_examples) >= 20


@pytest.mark.parametrize(
    ("document", "command", "expected"),
    [pytest.param(*one, id=f"{one[0].stem}: {one[1]}") for one in examples()],
)
def test_an_example_prints_what_it_says(document, command, expected, folders, forked, monkeypatch):
    """Running an example's command prints the lines under it, on stdout and stderr together; a change is made."""
    folder = folders[document]
    if change := EDIT.fullmatch(command):
        name, before, after = change.groups()
        text = (folder / name).read_text(encoding="utf-8")
        assert text.count(before) == 1
        (folder / name).write_text(text.replace(before, after), encoding="utf-8")
        return
    program, *rest = shlex.split(command)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "80")
    if program == "rvsim" and (document, command) != FIRST:
        output = _output_of_command(rest)
    elif program == "python" and rest[0].endswith(".py"):
        output = _output_of_process(forked(*rest, code=OF_FILE))
    else:
        start = {"rvsim": [sys.executable, "-m", "rvsim"], "python": [sys.executable]}[program]
        output = _output_of_process({"args": [*start, *rest]})
    printed = [line for line in output.rstrip("\n").split("\n") if not PROGRESS.fullmatch(line)]
    assert matches(expected or [""], printed), output


OF_FILE = """
import runpy, sys
sys.argv = sys.argv[1:]
sys.path.insert(0, "")
runpy.run_path(sys.argv[0], run_name="__main__")
"""
"""Runs a program of Python as ``python FILE`` does."""
FIRST = examples()[0][:2]
"""The example that runs in a process of its own, as all programs do; the others are commands in this process."""


def _output_of_command(arguments: list[str]) -> str:
    """Return stdout and stderr of a command in this process, together and in the order of time."""
    written = BytesIO()
    stream = TextIOWrapper(written, encoding="utf-8", write_through=True)
    with redirect_stdout(stream), redirect_stderr(stream), suppress(SystemExit):
        app(arguments, prog_name="rvsim")
    stream.flush()
    return written.getvalue().decode("utf-8")


def _output_of_process(start: dict[str, Any]) -> str:
    """Return stdout and stderr of a program, together."""
    done = subprocess.run(
        **start,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    return done.stdout


def test_the_readme_is_short():
    """It has what everybody needs, and names a guide for each of the rest."""
    text = README.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MAX_README_LINES
    (table,) = re.findall(r"## Where to go next\n(.*?)\n## ", text, re.DOTALL)
    assert all(f"`{topic}`" in table or f"--guide {topic}`" in table for topic in TOPICS)
    assert all(option in table for option in ("--help", "--words", "--keys"))


def test_every_guide_names_the_help_texts():
    """Of any one a reader finds the glossary or the lists of keys; the list of topics has each with its title."""
    listed = list(topics())
    assert len(listed) == len(TOPICS) + 1
    for topic, line in zip(TOPICS, listed[1:], strict=True):
        title = guide(topic).splitlines()[0]
        assert line == f"  {topic:<12} {title.removeprefix('# ')}"
        assert "rvsim about --words" in guide(topic) or "rvsim about --keys" in guide(topic)
    assert {path.stem for path in FOLDER.iterdir()} == set(TOPICS)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.stem)
def test_what_a_document_names_is_there(document):
    """Guides, commands and options: no name is left behind when one changes."""
    text = PYTEST_LINE.sub("", document.read_text(encoding="utf-8"))
    program: Any = get_command(app)
    all_commands = (program, *program.commands.values())
    options = {name for command in all_commands for one in command.params for name in one.opts}
    named = set(re.findall(r"(?<![\w-])--[a-z][\w-]*", text))
    assert named <= options | {"--help", "--rvsim-scenarios", "--rvsim-strength"}
    commands = set(re.findall(r"[`$] ?rvsim (\w+)", text))
    assert commands <= program.commands.keys() | {"COMMAND"}
    assert set(re.findall(r"--guide ([\w-]+)", text)) <= {"TOPIC", *TOPICS}


@pytest.mark.parametrize(
    "document", [README, FOLDER / "integrator.md", FOLDER / "support.md"], ids=lambda path: path.stem
)
def test_the_cautions_stand_where_results_are_explained(document):
    """In whatever says what a bench or a survey is good for."""
    text = " ".join(document.read_text(encoding="utf-8").split())
    for caution in (
        "Local law, the makers' instructions and a licensed person decide",
        "number on the bus never replaces a listed gas or CO alarm",
        "heater's lockout is a safety function: find fuel, voltage and exhaust first",
        "Lithium is not charged below 0 °C cell temperature",
    ):
        assert caution in text


def test_the_guide_for_those_who_listen_says_what_an_adapter_can_do():
    """It never transmits; an adapter acknowledges, and at the wrong bit rate disturbs a bus."""
    text = " ".join(guide("support").split())
    assert "It never transmits." in text
    assert "An adapter at the wrong bit rate disturbs every device on a live bus." in text
    assert "Two terminators measure 60 ohm; that does not prove the connectors, the ground or the supply." in text


def test_the_class_of_the_guide_is_that_of_developers_md():
    """It is the one that `tests/devices/test_registry.py` installs and runs."""
    (lamp,) = programs(FOLDER / "own-devices.md")[1:]
    assert lamp in programs(DEVELOPERS)


def test_every_toml_file_of_a_guide_can_be_read():
    """By itself; that it can be used, the examples show."""
    for document in DOCUMENTS:
        for name, text in programs(document):
            if name.endswith(".toml"):
                assert tomllib.loads(text)["schema"] == 1


def test_the_commands_for_windows_are_those_of_the_others():
    """Run and test, a line each: no `&&`, which an older PowerShell does not know, and the folder Scripts."""
    text = README.read_text(encoding="utf-8")
    (windows,) = re.findall(r"```powershell\n(.*?)```", text, re.DOTALL)
    others = [line for line in text.splitlines() if line.startswith("python3 -m venv")]
    assert len(others) == 2
    assert windows.splitlines() == [
        line.replace("python3", "py").replace(" &&", ";").replace(".venv/bin/", ".venv\\Scripts\\") for line in others
    ]


def test_the_lines_for_adapters_name_what_the_options_take(tmp_path, forked):
    """Each worked line gets as far as the package or the port that is not there, and says so in one line."""
    lines = [line for line in guide("support").splitlines() if line.startswith("rvsim listen --inter")]
    assert [line.split("--channel ")[1][:4] for line in lines] == ["COM5", "/dev"]
    for line in lines:
        done = subprocess.run(
            **forked(*line.split()[1:], "--seconds", "0.1", "--plain"),
            cwd=tmp_path,
            capture_output=True,
            encoding="utf-8",
            check=False,
            timeout=120,
        )
        assert done.returncode == 3
        assert "slcan" in done.stderr.splitlines()[-1]
        assert "the bus could not be opened" in done.stderr.splitlines()[-1]


def test_the_first_hour_fits_any_terminal():
    """Ten steps, each ending with a question and its answer; text in 80 columns, pictures in ASCII."""
    text = guide("first-hour")
    steps = re.split(r"^## \d+\. ", text, flags=re.MULTILINE)[1:]
    assert len(steps) == 10
    assert all(re.search(r"\nQuestion: [^\n]+(\n[^\n]+)*\nAnswer: ", step) for step in steps)
    pictures = re.findall(r"```\n(.*?)```", re.sub(r"```console\n.*?```\n", "", text, flags=re.DOTALL), re.DOTALL)
    assert len(pictures) >= 5
    assert all(picture.isascii() for picture in pictures)
    prose = re.sub(r"```console\n.*?```\n", "", text, flags=re.DOTALL)
    assert max(map(len, prose.splitlines())) <= 80
