"""Points, hints, the score that is kept, sheets, graded answers, and practice in plain text and on the screen."""

import asyncio
import json
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.faces.practice.exercise import Bytes, Exercise, Hex, Kind, Mistake, Number, Several, Words
from rvsim.faces.practice.grading import graded, grades_json, load_answers
from rvsim.faces.practice.plain import run_plain
from rvsim.faces.practice.score import load_score, save_run, score_lines, weak_kinds
from rvsim.faces.practice.session import Session
from rvsim.faces.practice.sheet import sheet_page, sheet_text
from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.practice_app import PracticeScreen
from rvsim.faces.screen.sheet import Sheet

VALUE = Exercise(
    Kind.SCALE, 1, ("  DC_SOURCE_STATUS_1  01 78 14 01", "Bytes 2-3, number × 0.05, in V?"), "volts",
    Number(Fraction(138, 10), "V", Fraction(1, 100)), "low byte first", ("0114 hex = 276; 276 × 0.05 = 13.8 V.",),
    (Mistake(Number(Fraction(2561, 10), "V"), "The bytes are in the wrong order."),), bytes.fromhex("01781401"),
)  # fmt: skip
CHOICE = Exercise(
    Kind.STATE, 1, ("FF FF?",), "a word", Words("no data"), "all ones", ("All ones are no data.",),
    (Mistake(Words("a value"), "Look at the bits first."),), options=("a value", "no data"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("answer", "right", "wrong"),
    [
        (
            Number(Fraction(138, 10), "V"),
            ["13.8", "13,8 V", " 13.80v ", "+13.8", "13.8 volts"],
            ["13.9", "", "V", "13.8 A", "1 3.8.1", "13.8 amperes", "-13.8"],
        ),
        (Number(Fraction(276)), ["276", "0x114", "114h", "114 hex", "2 76"], ["114", "x114"]),
        (Number(Fraction(-5, 2), "°C"), ["-2.5", "-2.5 °C", "-2.5 C", "-2.5degC", "−2.5 degrees"], ["2.5"]),
        (Number(Fraction(1, 2), "%"), ["0.5", ".5", "0.5 percent"], ["5", "0.5 per"]),
        (Number(Fraction(60), "ohm", Fraction(1, 2)), ["60", "60 ohm", "60.4 ohms", "60 Ω"], ["61"]),
        (Hex(0x1FFE2, 5), ["1FFE2", "0x1ffe2", "1ffe2h", "01FFE2 hex"], ["FFE2", "g", ""]),
        (Bytes(b"\x01\xff"), ["01FF", "01 ff", "0x01 0xFF", "01:FF"], ["FF01", "1FF"]),
        (Words("no data", ("nothing",)), ["No data", "no_data", "NOTHING."], ["data"]),
        (Several((Hex(0x90), Hex(0xB9)), is_ordered=False), ["90 B9", "b9,90", "90 and b9"], ["90", "90 B9 B9"]),
        (Several((Number(Fraction(5)), Number(Fraction(3)))), ["5 3", "5, 3"], ["3 5"]),
        (Several((Hex(0x19FFFD45, 8), Bytes(b"\x01\xff"))), ["19FFFD45 01FF", "19fffd45 01 FF"], ["19FFFD45"]),
    ],
)
def test_answers_are_read_as_people_write_them(answer, right, wrong):
    """Case, blanks, commas, 0x and units do not matter; anything else is not the answer."""
    assert all(answer.fits(text) for text in (*right, answer.shown))
    assert not any(answer.fits(text) for text in wrong)


@given(st.text(max_size=40))
def test_any_answer_can_be_judged(text):
    """Whatever is typed, it is right or wrong."""
    for exercise in (VALUE, CHOICE):
        assert exercise.is_right(text) in (True, False)
        exercise.why_wrong(text)


def test_points_and_hints():
    """Two points, one with a hint, none for a wrong answer; 80 % of them pass the level."""
    session = Session([VALUE, CHOICE, VALUE, CHOICE], 1)
    assert session.answer("13.8").points == 2
    assert session.hint() == "all ones"
    assert session.answer("b").points == 1
    reply = session.answer("256.1 V")
    assert reply.lines[:2] == ("Wrong: it is 13.8 V.", "The bytes are in the wrong order.")
    assert session.answer(None).lines == ("It is no data.", "All ones are no data.")
    assert (session.points, session.percent, session.is_passed) == (3, 37.5, False)
    assert [kind for kind, _, _ in session.weak] == [Kind.SCALE, Kind.STATE]
    passed = Session([VALUE] * 5, 1)
    for text in ("13.8", "13.8", "13.8", "13.8", "1"):
        assert not passed.is_passed
        passed.answer(text)
    assert passed.is_passed
    assert "Level 1: passed." in passed.summary()


def test_the_score_is_kept(tmp_path):
    """Counts by kind over several runs, the highest level passed, weak spots; a damaged file begins anew."""
    path = tmp_path / "data" / "practice.json"
    assert "No exercise has been answered" in score_lines(load_score(path), path)[0]
    for _ in range(2):
        session = Session([VALUE, CHOICE], 2)
        session.answer("1")
        session.answer("no data")
        save_run(path, session, "2026-11-30")
    kept = load_score(path)
    assert kept["kinds"][str(Kind.SCALE)] == {"right": 0, "wrong": 2, "hints": 0}
    assert weak_kinds(kept) == [Kind.SCALE]
    assert "No level is passed yet." in score_lines(kept, path)
    path.write_text("{ broken", encoding="utf-8")
    assert load_score(path)["kinds"] == {}
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be kept"):
        save_run(tmp_path / "file" / "practice.json", session, "2026-11-30")


def test_plain_text():
    """A hint, a wrong answer with its reason, an answer left out, and the end of all lines."""
    lines = iter(["?", "256.1", "", "13.8"])
    written: list[str] = []
    session = Session([VALUE, CHOICE, VALUE, CHOICE], 1)
    run_plain(session, lambda: next(lines, None), written.append)
    said = "\n".join(written)
    assert "Hint: low byte first" in said
    assert "The bytes are in the wrong order." in said
    assert "a) a value   b) no data" in said
    assert [one.points for one in session.answered] == [0, 0, 2]
    assert "2 of 6 points" in said
    nothing = Session([VALUE], 1)
    run_plain(nothing, lambda: "q", written.append)
    assert written[-1] == "No exercise was answered."


def test_a_sheet_has_grids_and_answers_apart():
    """As text a form feed stands before the answers; as a page they begin a new one. Nothing is outside the page."""
    text = "\n".join(sheet_text([VALUE, CHOICE], "Level 1", "made with"))
    questions, answers = text.split("\f")
    assert questions.count("|_|_|_|_|_|_|_|_|") == 4
    assert "13.8 V" not in questions
    assert "13.8 V" in answers
    page = sheet_page([VALUE, CHOICE], "Level <1>", "made with")
    assert page.count("<td") == 32
    assert page.count('<td class="byte"') == 4
    assert "Level &lt;1&gt;" in page
    assert "http" not in page
    assert page.index("13.8 V") > page.index('class="answers"')


def test_a_class_is_graded(tmp_path):
    """Two persons in text; the same as JSON; each with points, and the mistake that was made."""
    text = tmp_path / "answers.txt"
    text.write_text("# sheet 7\nname: Ann\n1: 13.8 V\n2) b\n\nname: Ben\n1: 256.1\n", encoding="utf-8-sig")
    plain = tmp_path / "answers.json"
    plain.write_text(json.dumps({"Ann": {"1": "13.8 V", "2": "b"}, "Ben": {"1": "256.1"}}), encoding="utf-8")
    assert load_answers(text) == load_answers(plain)
    sessions = {name: graded([VALUE, CHOICE], 1, answers) for name, answers in load_answers(text).items()}
    told = grades_json(sessions, {"schema": 1})
    ann, ben = told["persons"]
    assert (ann["name"], ann["points"], ann["passed"]) == ("Ann", 4, True)
    assert (ben["points"], ben["exercises"][0]["why"]) == (0, "The bytes are in the wrong order.")
    assert told["right_by_exercise"] == [1, 1]
    with pytest.raises(InputError, match="there is no exercise 3"):
        graded([VALUE, CHOICE], 1, {3: "1"})


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("hello\n1: 2\n", "answers:1: 'hello' is neither a name nor an answer"),
        ("name: A\n1: 2\nname: A\n1: 3\n", "answers:3: A has answers above already"),
        ("", "no answers in it"),
        ("{", "not JSON"),
        ('{"Ann": [1]}', "has no answers by number"),
    ],
)
def test_a_file_that_has_no_answers(tmp_path, content, says):
    """Each line that cannot be read is told with its number."""
    path = tmp_path / "answers"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_answers(path)
    assert says in caught.value.problems[0]
    with pytest.raises(InputError, match="cannot be read"):
        load_answers(tmp_path)


def shown(app):
    """The page as text."""
    return "\n".join(text_of(row.line()) for row in app.query_one("#page", Sheet).rows)


def test_the_screen():
    """A wrong answer is explained at once; a hint; the result at the end; Esc ends not passed."""

    async def go() -> tuple[str, str, str, int | None]:
        app = PracticeScreen(Session([VALUE, CHOICE], 1), "rvsim practice --level 1 --seed 1")
        async with app.run_test(size=(80, 24)) as pilot:
            (keys,) = app.query_one("#keys", Sheet).rows
            assert len(text_of(keys.line()).rstrip()) < 80
            for key in ("2", "5", "6", ".", "1", "enter"):
                await pilot.press(key)
            await pilot.pause()
            wrong = shown(app)
            for key in ("enter", "?", "enter", "b", "enter"):
                await pilot.press(key)
            await pilot.pause()
            right = shown(app)
            await pilot.press("enter")
            await pilot.pause()
            end = shown(app)
            assert app.export_screenshot().startswith("<svg")
            await pilot.press("enter")
        return wrong, right, end, app.return_value

    wrong, right, end, code = asyncio.run(go())
    assert "Wrong: it is 13.8 V.\n The bytes are in the wrong order." in wrong
    assert "Hint: all ones" in right
    assert "Right: no data." in right
    assert "1 of 4 points" in end
    assert code == 1
