"""Answers in a file: those of one person or of a class, graded by the exercises of the sheet.

Knows: how such a file is written, as text or as JSON, and which line of it cannot be read. Does not know any exercise.
"""

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rvsim.errors import InputError
from rvsim.faces.practice.exercise import Exercise
from rvsim.faces.practice.session import Session
from rvsim.wire.file_text import decode_text

NO_NAME = "answers"
"""The name of a person where the file has none."""
_NAME = re.compile(r"name\s*[:=]\s*(.+)", re.IGNORECASE)
_ANSWER = re.compile(r"(\d{1,3}(?=\s*[.:)=])|[1-9]\d{0,2}(?=\s|$))\s*[.:)=]?\s*(.*)")
_MAX_BYTES = 1_000_000
Answers = dict[str, dict[int, str]]
"""The answers by person and number of the exercise."""


def load_answers(path: Path) -> Answers:
    """Return the answers in a file.

    As text: a line ``name: Ann`` for each person, and lines like ``3: 13.8 V``. As JSON: ``{"Ann": {"3": "13.8 V"}}``.

    Raises:
        InputError: it cannot be read, or lines of it are no answers; a line for each, at most twenty.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None
    if len(content) > _MAX_BYTES:
        raise InputError(f"{path}: more than {_MAX_BYTES // 1000} kB: this is no file of answers")
    try:
        text = decode_text(content)
    except UnicodeDecodeError:
        text = content.decode("cp1252", "replace")  # an editor of Windows: umlauts in names stay readable
    if text.lstrip().startswith("{"):
        return _from_json(path, text)
    return _from_text(path, text)


def _from_json(path: Path, text: str) -> Answers:
    try:
        given = json.loads(text)
    except ValueError as error:
        raise InputError(f"{path}: not JSON: {error}") from None
    if not given:
        raise InputError(f'{path}: no answers in it: write {{"Ann": {{"1": "13.8 V"}}}}')
    if given and all(str(key).isdecimal() for key in given):
        given = {NO_NAME: given}
    found: Answers = {}
    for name, answers in given.items():
        if not isinstance(answers, dict) or not all(str(number).isdecimal() for number in answers):
            raise InputError(f'{path}: {name!r} has no answers by number: write {{"Ann": {{"1": "13.8 V"}}}}')
        found[str(name)] = {int(number): "" if answer is None else str(answer) for number, answer in answers.items()}
    return found


def _from_text(path: Path, text: str) -> Answers:
    found: Answers = {}
    problems: list[str] = []
    name = NO_NAME
    for number, line in enumerate(text.splitlines(), 1):
        line = line.strip()
        if not line or line.startswith("#"):
            continue
        if named := _NAME.fullmatch(line):
            name = named[1].strip()
            if name in found:
                problems.append(f"{path}:{number}: {name} has answers above already: write each name once")
            found.setdefault(name, {})
        elif answer := _ANSWER.fullmatch(line):
            answers = found.setdefault(name, {})
            if int(answer[1]) in answers:
                problems.append(f"{path}:{number}: {name} has an answer to {int(answer[1])} above: keep one of both")
            answers[int(answer[1])] = answer[2].strip()
        else:
            problems.append(f"{path}:{number}: {line[:40]!r} is neither a name nor an answer: write it like 3: 13.8 V")
    if problems:
        raise InputError(*problems[:20])
    if not found:
        raise InputError(f"{path}: no answers in it: write a line for each, like 3: 13.8 V")
    return found


def graded(exercises: Sequence[Exercise], level: int, answers: Mapping[int, str], name: str = NO_NAME) -> Session:
    """Return the answered session of one person.

    Raises:
        InputError: an answer has a number that no exercise has.
    """
    extra = sorted(number for number in answers if not 1 <= number <= len(exercises))
    if extra:
        raise InputError(
            f"{name}: there is no exercise {extra[0]}: the sheet has {len(exercises)}; give level, seed and count of "
            "the sheet"
        )
    session = Session(exercises, level)
    for number in range(1, len(exercises) + 1):
        session.answer(answers.get(number) or None)
    return session


def grades_json(sessions: Mapping[str, Session], header: Mapping[str, Any]) -> dict[str, Any]:
    """Return all results as plain data: the sheet, each person, and how often each exercise was right."""
    count = max((len(session.exercises) for session in sessions.values()), default=0)
    right = [sum(session.answered[place].is_right for session in sessions.values()) for place in range(count)]
    return {
        **header,
        "persons": [{"name": name, **session.as_json()} for name, session in sessions.items()],
        "right_by_exercise": right,
    }


def as_data(number: int, exercise: Exercise) -> dict[str, Any]:
    """Return an exercise as plain data, with its answer."""
    return {
        "number": number,
        "kind": str(exercise.kind),
        "level": exercise.level,
        "question": list(exercise.question),
        "form": exercise.form,
        "options": list(exercise.options),
        "answer": exercise.answer.shown,
        "hint": exercise.hint,
        "explanation": list(exercise.explanation),
        "mistakes": [{"answer": one.answer.shown, "why": one.why} for one in exercise.mistakes],
    }
