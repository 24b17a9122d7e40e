"""The command `practice`: exercises for a program, answers from a pipe, a sheet and its grades, and bad options."""

import json

import pytest

from rvsim.faces.practice import score


@pytest.fixture
def practice(run_here, tmp_path, monkeypatch):
    """Run the command in a folder of its own, where its score is kept, too: (exit code, stdout, stderr)."""
    monkeypatch.setattr(score, "score_file", lambda: tmp_path / "score.json")

    def go(*arguments, answers=None):
        typed = tmp_path / "typed"
        typed.write_text("".join(f"{one}\n" for one in answers or ()))
        code, out, err = run_here("practice", *arguments, folder=tmp_path, stdin=str(typed))
        return code, out.decode(), err.decode()

    return go


def test_the_answers_of_the_json_are_taken(practice, tmp_path):
    """By the plain form and by the grades of a sheet of one seed; without answers it is not passed."""
    chosen = ("--level", "1", "--seed", "4", "--count", "4")
    code, out, _ = practice(*chosen, "--json")
    answers = [one["answer"] for one in json.loads(out)["exercises"]]
    assert (code, len(answers)) == (0, 4)
    assert practice(*chosen, "--plain", answers=answers)[0] == 0
    assert practice(*chosen, "--plain", answers=[])[0] == 1
    (tmp_path / "class.txt").write_text("name: Ann\n" + "".join(f"{n}: {one}\n" for n, one in enumerate(answers, 1)))
    code, out, _ = practice(*chosen, "--grade", "class.txt")
    assert code == 0
    assert out.startswith("Ann: ")
    assert practice(*chosen, "--print", "sheet.txt")[0] == 0
    assert practice(*chosen, "--print", "sheet.txt")[0] == 2


@pytest.mark.parametrize("kind", ["read a DM_RV", "read-a-DM_RV", "READ_A_DM_RV"])
def test_a_kind_is_named_as_it_is_shown_or_with_hyphens(practice, kind):
    """In any case: only exercises of it come."""
    code, out, _ = practice("--kind", kind, "--count", "2", "--seed", "3", "--json")
    assert code == 0
    assert {one["kind"] for one in json.loads(out)["exercises"]} == {"read a DM_RV"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--kind", "bus lod"], "did you mean"),
        (["--level", "6"], "write 1 to 5"),
        (["--count", "0"], "write 1 to 200"),
        (["--grade", "x.txt"], "--seed"),
        (["no_such_scenario"], "no_such_scenario"),
    ],
)
def test_bad_options_are_one_line(practice, arguments, said):
    """With exit code 2."""
    code, _, err = practice(*arguments, "--plain")
    assert code == 2
    assert said in err
    assert err.count("\n") == 1
