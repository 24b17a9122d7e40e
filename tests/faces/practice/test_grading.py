"""Answers of a class as editors save them, and a score file that somebody has changed."""

import json
import subprocess
import sys

import pytest

from rvsim.errors import InputError
from rvsim.faces.practice.course import make_exercises
from rvsim.faces.practice.exercise import Kind
from rvsim.faces.practice.grading import graded, load_answers
from rvsim.faces.practice.material import load_material
from rvsim.faces.practice.score import load_score, score_lines, weak_kinds

LINES = ("# class 10", "Name: J\u00fcrgen M\u00fc\u00dfig", "1: 5E", "2) b", "3 = 13,8 V", "4. 01 FF", "5 no data", "6",
         "7:", "", "NAME = Zo\u00eb", "1 5F")  # fmt: skip
READ = {
    "J\u00fcrgen M\u00fc\u00dfig": {1: "5E", 2: "b", 3: "13,8 V", 4: "01 FF", 5: "no data", 6: "", 7: ""},
    "Zo\u00eb": {1: "5F"},
}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_answers_are_read_as_editors_save_them(tmp_path, encoding, end):
    """Umlauts, line ends of Windows, a byte order mark; numbers with a sign behind them or a blank."""
    path = tmp_path / "answers.txt"
    path.write_bytes(end.join(LINES).encode(encoding))
    assert load_answers(path) == READ


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("name: A\n1: x\n1: y\n", "answers:3: A has an answer to 1 above: keep one of both"),
        ("0 5E\n", "answers:1: '0 5E' is neither a name nor an answer"),
        ("1234: x\n", "neither a name nor an answer"),
        ("{}", "no answers in it"),
        ("#\n", "no answers in it"),
    ],
)
def test_what_cannot_be_graded_is_told(tmp_path, content, says):
    """With the line and what to do."""
    path = tmp_path / "answers"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_answers(path)
    assert says in caught.value.problems[0]


def test_many_mistakes_are_told_together(tmp_path):
    """Twenty at most, so that the first ones stay on the screen."""
    path = tmp_path / "answers"
    path.write_text("1: x\n" + "junk\n" * 30, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_answers(path)
    assert len(caught.value.problems) == 20


def test_null_in_json_is_no_answer(tmp_path):
    """As a program writes an answer that was left out; a number is an answer."""
    path = tmp_path / "answers"
    path.write_text('{"1": null, "2": 5}', encoding="utf-8")
    assert load_answers(path) == {"answers": {1: "", 2: "5"}}


@pytest.mark.parametrize(
    "kinds",
    [
        {"bus load": {"right": "x", "wrong": 1, "hints": 0}},
        {"bus load": 5},
        {"bus load": {}},
        {"bus load": {"right": -5, "wrong": 3, "hints": 0}},
        {"bus load": {"right": 1}},
        {"bus load": {"right": True, "wrong": 3, "hints": 0}},
        [],
        None,
    ],
)
@pytest.mark.parametrize("runs", [[{"level": 2, "passed": True}, 1, {"passed": True}, {"level": "x"}], {}, None])
def test_a_changed_score_file_is_read_as_far_as_it_is_one(tmp_path, kinds, runs):
    """What no run has written is left out; the rest counts."""
    path = tmp_path / "practice.json"
    good = {"terminators": {"right": 1, "wrong": 3, "hints": 1}}
    kinds = {**kinds, **good} if isinstance(kinds, dict) else kinds
    path.write_text(json.dumps({"schema": 1, "kinds": kinds, "runs": runs}), encoding="utf-8")
    kept = load_score(path)
    assert kept["kinds"] == (good if isinstance(kinds, dict) else {})
    assert weak_kinds(kept) == ([Kind.OHMS] if isinstance(kinds, dict) else [])
    said = " ".join(score_lines(kept, path))
    if isinstance(kinds, dict):
        assert "1 of 4 right, 1 with a hint" in said
        assert ("Highest level passed: 2." in said) == isinstance(runs, list)


def test_a_score_that_cannot_be_kept_does_not_spoil_the_result(rvsim, tmp_path, monkeypatch):
    """One line says so, and the exit code is that of the answers."""
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    (tmp_path / "one.log").write_text("(0.000000) can0 19FFE45E#0101FFFFFFFFFFFF\n")
    options = ("practice", "one.log", "--plain", "--kind", "terminators", "--count", "1", "--seed", "1")
    told = json.loads(rvsim(*options[:2], "--json", *options[3:])[1])
    code, out, err = rvsim(*options, input=told["exercises"][0]["answer"] + "\n")
    assert code == 0
    assert "passed" in out
    assert err.count("\n") == 1
    assert "the score cannot be kept" in err
    assert rvsim(*options, input="no idea\n")[0] == 1


def test_closed_input_is_the_end(tmp_path):
    """As in a job without a terminal: no answer, no trace of Python."""
    (tmp_path / "one.log").write_text("(0.000000) can0 19FFE45E#0101FFFFFFFFFFFF\n")
    command = f"{sys.executable} -m rvsim practice one.log --plain --seed 1 <&-"
    done = subprocess.run(["sh", "-c", command], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stdout.endswith("No exercise was answered.\n")
    assert done.stderr == ""


def test_grades_fit_a_terminal(rvsim, tmp_path):
    """Name and result in one line, what to practise in another; a number too many names the person."""
    (tmp_path / "one.log").write_text("(0.000000) can0 19FFE45E#0101FFFFFFFFFFFF\n")
    (tmp_path / "answers").write_text("name: Zo\u00eb\n1: x\n", encoding="utf-8")
    code, out, _ = rvsim("practice", "one.log", "--seed", "1", "--level", "5", "--count", "20", "--grade", "answers")
    assert code == 1
    assert out.startswith("Zo\u00eb: 0 of 40 points, 0 %. Level 5: not passed")
    assert "  wrong or left out: 1, 2, 3" in out
    assert "(0 of 1)" in out
    assert max(map(len, out.splitlines())) <= 80
    with pytest.raises(InputError, match="Zo\u00eb: there is no exercise 3"):
        graded([], 1, {3: "x"}, "Zo\u00eb")


def test_a_log_of_another_vehicle_has_exercises(catalogue, tmp_path, rvsim):
    """No message in it is known: identifiers and the bus are asked about; a kind that it cannot have is refused."""
    lines = [f"({number}.000000) can0 09F8010{number}#36729A16021AB80D\n" for number in range(1, 4)]
    (tmp_path / "other.log").write_text("".join(lines))
    material = load_material(str(tmp_path / "other.log"), catalogue, 1)
    for level in range(1, 6):
        made = make_exercises(material, level, 30, 3)
        assert len(made) == 30
        assert all(one.is_right(one.answer.shown) for one in made)
    asked = make_exercises(material, 1, 5, 1, kinds=[Kind.IDENTIFIER])
    assert any("09F8010" in one.question[0] for one in asked)
    with pytest.raises(InputError, match="no exercise of scale a value can be made of it"):
        make_exercises(material, 1, 5, 1, kinds=[Kind.SCALE])
    code, _, err = rvsim("practice", "other.log", "--seed", "1", "--json")
    assert code == 0
    assert "no message in it has known fields" in err
    (tmp_path / "short.log").write_text("(0.000000) can0 123#01\n")
    with pytest.raises(InputError, match="no frame with a 29-bit identifier"):
        load_material(str(tmp_path / "short.log"), catalogue, 1)


def test_every_kind_can_be_asked_for_by_its_name(rvsim):
    """As the list of kinds prints it, in lower case, and with signs for the blanks."""
    names = [
        name for kind in Kind for name in (str(kind), kind.lower(), kind.replace(" ", "-"), kind.replace(" ", "_"))
    ]
    options = [word for name in names for word in ("--kind", name)]
    code, out, _ = rvsim("practice", "--seed", "1", "--level", "5", "--count", "52", "--json", *options)
    assert code == 0
    assert {one["kind"] for one in json.loads(out)["exercises"]} == set(map(str, Kind))
    code, _, err = rvsim("practice", "--kind", "bus lod")
    assert code == 2
    assert 'did you mean "bus load"' in err


@pytest.mark.parametrize(
    "given",
    [("--print", "sheet.txt", "--json"), ("--print", "sheet.txt", "--grade", "a.txt"), ("--grade", "a.txt", "--score")],
)
def test_options_of_which_one_would_do_nothing_are_refused(rvsim, tmp_path, given):
    """One clear line, and nothing is written."""
    code, told, error = rvsim("practice", *given)
    assert (code, told) == (2, "")
    assert error.count("\n") == 1
    assert "do not go together" in error
    assert not (tmp_path / "sheet.txt").exists()
