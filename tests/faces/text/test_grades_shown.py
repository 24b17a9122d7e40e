"""Nothing that is shown is marked better than its weakest part: every message of the catalogue, in every form.

What each part rests on is computed here from the definitions alone, by the table of grades: a number on its name and
layout, a word on the grade of its code too, and everything on the number of its message.
"""

import json
from io import StringIO

import pytest

from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.tape import arithmetic_lines, pieces, spelled_line
from rvsim.faces.text.marks import mark_of
from rvsim.faces.text.output import JsonLinesSink
from rvsim.faces.text.sentences import Sentences
from rvsim.faces.text.spell import as_json, as_text
from rvsim.faces.text.spell_fields import ORIGIN_WORDS
from rvsim.logs.formats.jsonl import start_line
from rvsim.runs.pipeline import Pipeline
from rvsim.watch.watch import Watch
from rvsim.wire.fields import Origin, State
from rvsim.wire.frame import Frame
from rvsim.wire.ident import is_addressed

ORDER = [Origin.PUBLISHED, Origin.USER, Origin.MEMORY, Origin.UNSURE]
RULES = {State.OUT_OF_RANGE, State.RESERVED, State.ERROR, State.UNCHANGED}
"""States whose codes are from memory; that all ones are no data is published (rv-c.com/node/522)."""
SAMPLES = [bytes.fromhex(data) for data in (
    "0101010101010101", "0000000000000000", "AAAAAAAAAAAAAAAA", "FEFEFEFEFEFEFEFE", "FDFFFDFFFDFFFDFF",
    "FFFFFFFFFFFFFFFF", "0178140100943577", "0203040506070809", "01FEFFFEFFFEFFFE", "3105C8FF64FE0310", "01",
)]  # fmt: skip


def rank(origin):
    """How weak an origin is."""
    return ORDER.index(Origin(origin))


def parts_of(reading):
    """The grades of all that is printed of a reading."""
    grades, raw = reading.field.grades, reading.raw
    parts = [grades.name, grades.layout]
    if reading.state is State.VALUE and raw in reading.field.labels:
        parts.append(reading.field.code_grades.get(raw, grades.codes))
    if reading.state in RULES:
        parts.append(Origin.MEMORY)
    return parts


def weakest_of(spec, readings):
    """The rank of the weakest part of some readings, and of the number of their message."""
    return max(map(rank, [spec.origin, *(part for reading in readings for part in parts_of(reading))]))


def rank_of_mark(text):
    """The rank of the sign at the end of a text; without one it counts as published."""
    return 3 if text.endswith(" **") else 2 if text.endswith(" *") else 1


def frame_of(spec, data):
    """A frame of a message: from 4A, to 21 where it is addressed."""
    return Frame(0, spec.identifier(0x4A, 0x21 if is_addressed(spec.dgn) else None), data)


@pytest.fixture(params=SAMPLES, ids=lambda data: data.hex())
def frames(request, catalogue):
    """Every message of the catalogue with one content, with its readings."""
    return [(spec, frame_of(spec, request.param), spec.decode(request.param)) for spec in catalogue]


def test_the_samples_have_every_grade_and_state(catalogue):
    """So that the tests below test something: words and numbers of each grade, and each state."""
    readings = [reading for spec in catalogue for data in SAMPLES for reading in spec.decode(data)]
    assert {reading.state for reading in readings} == set(State)
    assert {reading.field.grades.layout for reading in readings} >= {Origin.PUBLISHED, Origin.MEMORY, Origin.UNSURE}
    labelled = [reading for reading in readings if reading.state is State.VALUE and reading.label is not None]
    assert any(rank(parts_of(one)[2]) > max(map(rank, parts_of(one)[:2])) for one in labelled)


def test_spell_as_json(frames, catalogue):
    """Each field: its origin is the weakest of its parts and of its message, and the parts are told apart."""
    for spec, frame, readings in frames:
        fields = json.loads(as_json(frame, catalogue))["fields"]
        assert len(fields) == len(readings)
        for field, reading in zip(fields, readings, strict=True):
            assert rank(field["origin"]) == weakest_of(spec, [reading])
            assert field["grades"]["name"] == str(reading.field.grades.name)
            assert field["grades"]["layout"] == str(reading.field.grades.layout)
            if reading.state is State.VALUE and reading.label is not None:
                assert field["grades"]["codes"] == str(parts_of(reading)[2])


def row_of(spelled, title):
    """What is said of a field in all its lines; the notes below have no brackets."""
    starts = [line.startswith("  byte") and f"  {title}  " in f"{line}  " for line in spelled]
    assert starts.count(True) == 1
    first = starts.index(True)
    under = (n for n, line in enumerate(spelled[first + 1 :], first + 1) if not line.startswith("     "))
    return " ".join(" ".join(spelled[first : next(under, len(spelled))]).split())


def test_spell_in_words(frames, catalogue):
    """Behind a row, or at the end for all rows without a note, stand the grades of all its parts; and the message's."""
    for spec, frame, readings in frames:
        spelled = list(as_text(frame, catalogue))
        ending = " ".join(spelled[-12:])
        number = ORIGIN_WORDS[spec.origin]
        assert f"Number: {number}" in ending or f"Number and layout: {number}" in ending
        usual = number if "Number and layout" in ending else ending.rpartition(": ")[2]
        if "Number: " in ending and "Fields" in ending:
            usual = ending.partition("Fields")[2].partition(": ")[2].partition(". ")[0]
        for reading in readings:
            row = row_of(spelled, reading.field.title)
            _, bracket, note = row.partition(" [")
            grades = note if bracket else usual
            assert all(ORIGIN_WORDS[part] in grades for part in parts_of(reading)), (spec.name, row, usual)


def test_the_tape(frames):
    """Each piece of the running line has the mark of its weakest reading; opened, the grades of every part."""
    for spec, frame, _ in frames:
        gathered = pieces(spec, frame.data)
        for number, piece in enumerate(gathered):
            (item,) = (text for text, style in spelled_line(spec, frame.data, number) if style == "chosen")
            shown = [one for one in piece.readings if one.state not in (State.NO_DATA, State.UNCHANGED)]
            assert rank_of_mark(item.rstrip("]")) >= weakest_of(spec, shown or piece.readings), (
                spec.name,
                item,
            )
            for reading, line in zip(
                piece.readings, arithmetic_lines(spec, frame.data, number)[-len(piece.readings) :], strict=False
            ):
                assert all(ORIGIN_WORDS[part] in line for part in parts_of(reading)), (spec.name, line)


def test_the_running_line_without_a_chosen_piece(frames):
    """Each reading that is told stands in an item with a mark that is no better; gathered ones too."""
    for spec, frame, readings in frames:
        items = text_of(spelled_line(spec, frame.data)).split(" · ")
        for reading in readings:
            told = [item for item in items if f"{reading.field.title} {reading.brief}" in item]
            assert all(rank_of_mark(item) >= weakest_of(spec, [reading]) for item in told), (spec.name, told)
        silent = [one for one in readings if one.state is State.NO_DATA]
        if silent == list(readings) and silent:  # nothing but no data: each of them is in one of the items
            assert max(map(rank_of_mark, items)) >= weakest_of(spec, silent)


def test_sentences(frames, catalogue):
    """A sentence has the mark of the weakest of the readings that it names, of its message and of its instance."""
    for spec, frame, readings in frames:
        out = StringIO()
        hearing = Pipeline(Watch(catalogue), Sentences(out, ()))
        hearing.observe(frame)
        for line in out.getvalue().splitlines()[1:]:
            told = [one for one in readings if f" {one.field.title} {one.brief}" in line]
            if ": " in line and told and "Try next" not in line and "warning, " not in line and "fault, " not in line:
                assert rank_of_mark(line) >= weakest_of(spec, told), line


def test_json_lines(frames, catalogue):
    """The origin of a reading line is the weakest of all that stands in it."""
    for spec, frame, readings in frames:
        out = StringIO()
        hearing = Pipeline(Watch(catalogue), JsonLinesSink(out, catalogue, "c", start_line("bench")))
        hearing.observe(frame)
        by_name = {reading.field.name: reading for reading in readings}
        for line in map(json.loads, out.getvalue().splitlines()):
            if line["type"] == "reading":
                beside = [by_name[spec.instance.name]] if line["instance"] is not None else []
                layouts = [max(map(rank, parts_of(one)[:2])) for one in beside]
                assert rank(line["origin"]) >= max([weakest_of(spec, [by_name[line["field"]]]), *layouts]), line


def test_a_message_of_a_survey(catalogue):
    """A message's line has the mark of its number, and with an instance that of its place."""
    for spec in catalogue:
        assert rank_of_mark(mark_of(spec)) == max(rank(spec.origin), 1)
        if spec.instance is not None:
            own = [spec.origin, *spec.instance.grades[:2]]
            assert rank_of_mark(mark_of(spec, has_instance=True)) == max(1, *map(rank, own))
