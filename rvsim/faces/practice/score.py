"""The score of a person on this machine: right and wrong answers by kind, and the latest runs.

Knows: the file in which it is kept, and that a damaged one is no reason to stop. Does not know any exercise.
"""

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from rvsim.errors import InputError
from rvsim.faces.practice.exercise import LEVELS, Kind
from rvsim.faces.practice.session import Session

SCHEMA = 1
_COUNTED = ("right", "wrong", "hints")
MAX_RUNS = 200
"""Runs that are kept. Our choice."""
WEAK_SHARE = 0.7
"""A kind of which less was right is a weak spot. Our choice."""
MIN_ANSWERS = 2
"""Answers of a kind before it can be a weak spot. Our choice."""


def score_file() -> Path:
    """Return the file of this person's score."""
    import platformdirs

    return platformdirs.user_data_path("rvsim", appauthor=False) / "practice.json"


def load_score(path: Path) -> dict[str, Any]:
    """Return what is kept; nothing where there is no file, or one that cannot be read."""
    with suppress(OSError, ValueError):
        kept = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(kept, dict) and kept.get("schema") == SCHEMA:
            return {**kept, "kinds": _counts(kept.get("kinds")), "runs": _runs(kept.get("runs"))}
    return {"schema": SCHEMA, "kinds": {}, "runs": []}


def _counts(kept: Any) -> dict[str, dict[str, int]]:
    """Return the answers by kind, without what no run of this program has written."""
    known = kept.items() if isinstance(kept, dict) else ()
    return {
        kind: {key: counts[key] for key in _COUNTED}
        for kind, counts in known
        if isinstance(counts, dict) and all(type(counts.get(key)) is int and counts[key] >= 0 for key in _COUNTED)
    }


def _runs(kept: Any) -> list[dict[str, Any]]:
    """Return the runs, without what no run of this program has written."""
    listed = kept if isinstance(kept, list) else ()
    return [run for run in listed if isinstance(run, dict) and run.get("level") in LEVELS]


def save_run(path: Path, session: Session, date: str) -> None:
    """Add a run to what is kept.

    Raises:
        InputError: the file cannot be written.
    """
    kept = load_score(path)
    for one in session.answered:
        counts = kept["kinds"].setdefault(str(one.exercise.kind), {"right": 0, "wrong": 0, "hints": 0})
        counts["right" if one.is_right else "wrong"] += 1
        counts["hints"] += one.with_hint
    run = {"date": date, "level": session.level, "percent": round(session.percent), "passed": session.is_passed}
    kept["runs"] = [*kept["runs"], run][-MAX_RUNS:]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(kept, indent=1), encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: the score cannot be kept ({error.strerror}); your answers still count") from None


def weak_kinds(kept: Mapping[str, Any]) -> list[Kind]:
    """Return the kinds of which too little was right so far, the weakest first."""
    shares: list[tuple[float, Kind]] = []
    for kind in Kind:
        counts = kept["kinds"].get(str(kind))
        if counts is None:
            continue
        right, wrong = counts["right"], counts["wrong"]
        if right + wrong >= MIN_ANSWERS and right / (right + wrong) < WEAK_SHARE:
            shares.append((right / (right + wrong), kind))
    return [kind for _, kind in sorted(shares, key=lambda one: one[0])]


def score_lines(kept: Mapping[str, Any], path: Path) -> list[str]:
    """Return the score in words: each kind, the highest level that was passed, and the weak spots."""
    if not kept["kinds"]:
        return ["No exercise has been answered on this machine: rvsim practice starts with level 1."]
    lines = []
    for kind in Kind:
        counts = kept["kinds"].get(str(kind))
        if counts:
            asked = counts["right"] + counts["wrong"]
            hints = f", {counts['hints']} with a hint" if counts["hints"] else ""
            lines.append(f"  {kind:<24}{counts['right']:>4} of {asked} right{hints}")
    passed = [run["level"] for run in kept["runs"] if run.get("passed")]
    lines.append(f"Highest level passed: {max(passed)}." if passed else "No level is passed yet.")
    weak = weak_kinds(kept)
    if weak:
        lines.append(f"Weak spots, asked twice as often: {', '.join(weak)}.")
    lines.append(f"Kept in {path}.")
    return lines
