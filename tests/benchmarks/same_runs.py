"""Two installations of rvsim side by side: the same scenarios and seeds must give the same runs.

python tests/benchmarks/same_runs.py OTHER_PYTHON [SCENARIO...]

OTHER_PYTHON is the interpreter of the other installation, for example /somewhere/.venv/bin/python. Every scenario that
both ship is run with each seed by both, through their commands. Recorded frames are compared byte for byte; verdict,
readings, presence, flags and survey as JSON without their texts, which may be worded differently. Each difference is
printed; the exit code is 1 if there is any.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import Any

SEEDS = (1, 20260)
MAX_SHOWN = 10
"""Differences that are printed of one output; the rest is counted."""
TEXTS = {
    "text",
    "advice",
    "evidence",
    "title",
    "expected",
    "found",
    "look",
    "nearest",
    "before",
    "warnings",
    "error",
    "means",
    "next_step",
}
"""Keys whose wording may differ: what is compared is whether there is a text, or how many lines of it."""
ABOUT_THE_PROGRAM = {"version"}
SHIPPED = "from rvsim.shipped import scenario_folder; print(scenario_folder())"
RECORDING = "frames.jsonl"
"""One name in both folders, so that it is the same in the outputs."""

Outputs = dict[str, list[str]]
"""The lines of each output of a run, by what the output is."""


def without_texts(value: Any) -> Any:
    """Return JSON data in which only what there is of texts is left, not their wording."""
    if isinstance(value, dict):
        return {
            key: size_of_text(one) if key in TEXTS else without_texts(one)
            for key, one in value.items()
            if key not in ABOUT_THE_PROGRAM
        }
    return [without_texts(one) for one in value] if isinstance(value, list) else value


def size_of_text(text: Any) -> Any:
    """Return the number of lines of a list of texts, and for one text whether there is any."""
    return len(text) if isinstance(text, list) else bool(text)


def comparable(output: str) -> list[str]:
    """Return the JSON lines of an output without wording, and other lines as they are."""
    return [
        json.dumps(without_texts(json.loads(line))) if line.startswith("{") else line for line in output.splitlines()
    ]


class Installation:
    """One installation, called through its commands."""

    def __init__(self, name: str, python: str, folder: Path) -> None:
        self.name, self._python, self._folder = name, python, folder
        folder.mkdir()
        answer = subprocess.run([python, "-c", SHIPPED], capture_output=True, text=True, cwd=folder, check=True)
        self.scenarios = {path.stem: path for path in Path(answer.stdout.strip()).glob("*.toml")}

    def start(self, *options: str) -> "subprocess.Popen[str]":
        """Start a command."""
        pipe = subprocess.PIPE
        return subprocess.Popen(
            [self._python, "-m", "rvsim", *options], cwd=self._folder, stdout=pipe, stderr=pipe, text=True
        )

    def rig(self, scenario: str) -> list[str]:
        """Return the option that holds a survey against a scenario's rig, if that is a rig by name."""
        names = [
            line.split('"')[1]
            for line in self.scenarios[scenario].read_text(encoding="utf-8").splitlines()
            if line.startswith("rig = ")
        ]
        return ["--rig", *names] if names else []

    def frames(self) -> list[str]:
        """Return the lines of the recording, without the first one, which names the program's version."""
        path = self._folder / RECORDING
        return path.read_text(encoding="utf-8").splitlines()[1:] if path.exists() else ["no recording"]


def commands(scenario: str, seed: int, rig: list[str]) -> dict[str, list[str]]:
    """Return what is asked of an installation, in this order, by what it gives."""
    run = [scenario, "--seed", str(seed), "--json"]
    return {
        "verdict": ["shakedown", *run, "--every", "--record", RECORDING, "--overwrite"],
        "bench": ["bench", *run, "--speed", "max"],
        "survey": ["survey", RECORDING, "--json", *rig],
    }


def outputs(both: tuple[Installation, Installation], scenario: str, seed: int) -> tuple[Outputs, Outputs]:
    """Return what both installations give for one run, asked at the same time."""
    found: tuple[Outputs, Outputs] = {}, {}
    asked = [commands(scenario, seed, installation.rig(scenario)) for installation in both]
    for what in asked[0]:
        running = [installation.start(*options[what]) for installation, options in zip(both, asked, strict=True)]
        for installation, process, given in zip(both, running, found, strict=True):
            out, problems = process.communicate()
            given[what] = [*comparable(out), f"exit code {process.returncode}"]
            if "Traceback" in problems or (process.returncode and not out):
                print(f"{installation.name}: {what} of {scenario}: {problems.strip()}", file=sys.stderr)
    for installation, given in zip(both, found, strict=True):
        given["frames"] = installation.frames()
    return found


def paths(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every single value of JSON data with its place."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if parts is None:
        yield place, value
    else:
        for key, one in parts:
            yield from paths(one, f"{place}.{key}" if place else str(key))


def where(ours: str | None, theirs: str | None) -> str:
    """Say what is different in two lines: the values of JSON, or the lines as they are."""
    if ours is None or theirs is None or not ours.startswith("{") or not theirs.startswith("{"):
        return f"{ours} | {theirs}"
    here, there = dict(paths(json.loads(ours))), dict(paths(json.loads(theirs)))
    places = [place for place in here | there if here.get(place) != there.get(place)]
    told = [f"{place}: {here.get(place)} | {there.get(place)}" for place in places[:MAX_SHOWN]]
    return "; ".join(told) or "the same values in another order or form"


def differences(ours: list[str], theirs: list[str]) -> list[str]:
    """Return a line for each line that is not the same in both."""
    return [
        f"line {number}: {where(one, other)}"
        for number, (one, other) in enumerate(zip_longest(ours, theirs), 1)
        if one != other
    ]


def main() -> int:
    """Run the scenarios, print each difference and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("other_python")
    parser.add_argument("scenario", nargs="*")
    given = parser.parse_args()
    different = runs = frames = 0
    with tempfile.TemporaryDirectory() as folder:
        # Not resolved: the interpreter of a virtual environment is a link, and its place says which packages it has.
        both = (
            Installation("here", sys.executable, Path(folder, "here")),
            Installation("there", str(Path(given.other_python).absolute()), Path(folder, "there")),
        )
        shipped = [set(installation.scenarios) for installation in both]
        for scenario in sorted(shipped[0] ^ shipped[1]):
            print(f"{scenario}: only {both[scenario in shipped[1]].name}")
            different += 1
        for scenario in given.scenario or sorted(shipped[0] & shipped[1]):
            for seed in SEEDS:
                here, there = outputs(both, scenario, seed)
                runs, frames = runs + 1, frames + len(here["frames"])
                found = {what: differences(here[what], there[what]) for what in here}
                for what, lines in found.items():
                    for line in lines[:MAX_SHOWN]:
                        print(f"{scenario}, seed {seed}, {what}: {line}")
                    if len(lines) > MAX_SHOWN:
                        print(f"{scenario}, seed {seed}, {what}: {len(lines) - MAX_SHOWN} more")
                    different += len(lines)
                state = "different" if any(found.values()) else "the same"
                print(f"{scenario}, seed {seed}: {state}, {len(here['frames'])} frames", flush=True)
    print(f"{runs} runs, {frames} frames: {different} differences (here | there)")
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
