"""The command `plan`: what it prints, its exit codes, other figures, spreadsheets, and bad input."""

import json
import os
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from rvsim.plan import report
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, path_name
from rvsim.watch.flag import Severity

VAN = """
schema = 1
name = "fernacre"
title = "Fernacre, an invented van"

[[device]]
name = "load centre"
address = 0x8E

[[module]]
name = "m"
device = "load centre"

[[output]]
name = "galley light"
module = "m"
terminal = 1
amps = 2.0
limit_amps = 5.0

[[output]]
name = "fan"
module = "m"
terminal = 2
amps = 3.0
limit_amps = 5.0
"""


def currents(given):
    """Flag each output whose current is above its limit, as a check of the plan does."""
    answers = []
    for output in given.rig.outputs:
        flagged = output.amps > output.limit_amps
        answers.append(
            Answer(
                key=f"output.{path_name(output.name)}.current", check=Check.CURRENTS, subject=output.name,
                question="Is its current low?", formula=f"{output.amps:g} A", rule=Rule("a rule", "our decision"),
                value=output.amps, unit="A", limit=f"at most {output.limit_amps:g} A",
                judgement=Judgement.FLAGGED if flagged else Judgement.GOOD, severity=Severity.WARNING,
                text=f"{output.amps:g} A are too much" if flagged else "", advice="another output" if flagged else "",
            )
        )  # fmt: skip
    return Section(Check.CURRENTS, tuple(answers))


@pytest.fixture(autouse=True)
def one_check(monkeypatch):
    """Have one check, whatever others there are."""
    monkeypatch.setattr(report, "CHECKS", {Check.CURRENTS: currents})


@pytest.fixture
def van(tmp_path, rvsim):
    """Write the van, with some text replaced: ``van(old, new)``; its name."""

    def go(old="", new=""):
        Path("van.toml").write_text(VAN.replace(old, new) if old else VAN, encoding="utf-8")
        return "van.toml"

    return go


def test_a_sound_rig_is_good_and_a_flagged_one_is_not(rvsim, van):
    """Data on stdout; 1 on a warning."""
    code, out, err = rvsim("plan", van())
    assert (code, err) == (0, "")
    assert out.startswith("fernacre, Fernacre, an invented van: nothing is wrong; 2 answers good.\n")
    code, out, err = rvsim("plan", van("amps = 2.0", "amps = 9.0"))
    assert (code, err) == (1, "")
    assert "  <1> warning, rig-current: galley light\n      9 A are too much.\n" in out
    found = json.loads(rvsim("plan", "van.toml", "--json")[1])
    assert (found["good"], [flag["answer"] for flag in found["flags"]]) == (False, ["output.galley_light.current"])


def test_a_notice_is_good(rvsim, van, monkeypatch):
    """It is worth knowing, and nothing has to be done."""

    def notice(given):
        first = currents(given).answers[0]
        noted = replace(first, judgement=Judgement.FLAGGED, severity=Severity.NOTICE, text="note")
        return Section(Check.CURRENTS, (noted,))

    monkeypatch.setattr(report, "CHECKS", {Check.CURRENTS: notice})
    code, out, _ = rvsim("plan", van())
    assert code == 0
    assert "(1) notice, rig-current: galley light" in out


def test_an_accepted_flag_is_said_and_does_not_count(rvsim, van):
    """With its reason."""
    van("amps = 2.0", "amps = 9.0")
    text = Path("van.toml").read_text()
    Path("van.toml").write_text(f'{text}\n[[accepted]]\nflag = "rig-current"\nreason = "seldom on"\n')
    code, out, _ = rvsim("plan", "van.toml")
    assert code == 0
    assert "reason: seldom on" in " ".join(out.split())


def test_one_check_only(rvsim, van):
    """By its name; another name is told with those that there are."""
    assert "currents: 2 good" in rvsim("plan", van(), "--check", "currents")[1]
    assert "currents" not in rvsim("plan", van(), "--check", "fuses")[1]
    code, out, err = rvsim("plan", van(), "--check", "fuse", "--check", "x")
    assert (code, out) == (2, "")
    assert err.startswith(
        'rvsim: --check fuse: there is no such check (did you mean "fuses"?); the checks are currents, '
    )
    assert len(err.splitlines()) == 2


def test_every_answer(rvsim, van):
    """With its key."""
    assert "key: output.fan.current" in rvsim("plan", van(), "--every")[1]


def test_one_table_only(rvsim, van, monkeypatch):
    """By its name; another name is told with those that there are, and the exit code is that of the plan."""
    table = PlanTable("outputs", "Outputs as built", ("output",), (("fan",),))
    empty = PlanTable("bill", "What to buy", ("part",), ())
    monkeypatch.setattr(
        report, "CHECKS", {Check.CURRENTS: lambda given: currents(given)._replace(tables=(table, empty))}
    )
    code, out, err = rvsim("plan", van("amps = 2.0", "amps = 9.0"), "--table", "outputs")
    assert (code, out.splitlines()[-3:], err) == (1, ["Outputs as built", "  output", "  fan"], "")
    code, out, err = rvsim("plan", van(), "--table", "output")
    assert (code, out) == (2, "")
    assert err == ('rvsim: --table output: the plan has no such table (did you mean "outputs"?); it has outputs\n')
    assert rvsim("plan", van(), "--table", "outputs", "--every")[:2] == (2, "")
    assert rvsim("plan", "--new", "new.toml", "--table", "outputs")[:2] == (2, "")


def test_what_if(rvsim, van):
    """What changes, before and after; several at once; the rig's own file stays."""
    code, out, err = rvsim("plan", van(), "--what-if", "output.galley_light.amps=6", "--what-if", "output.fan.amps=4")
    assert (code, err) == (1, "")
    assert "  output.galley_light.amps = 6 (was 2.0)\n  output.fan.amps = 4 (was 3.0)\n" in out
    assert "    before: 2 A (at most 5 A), good; 2 A\n    after:  6 A (at most 5 A), warning; 6 A\n" in out
    assert "2 answers changed" in out
    code, out, _ = rvsim("plan", "van.toml", "--what-if", "output.fan.amps=4", "--json")
    found = json.loads(out)
    assert (code, [one["key"] for one in found["changed"]]) == (0, ["output.fan.current"])
    code, out, _ = rvsim("plan", "van.toml", "--what-if", "output.fan.terminal=3")
    assert (code, out.splitlines()[-1]) == (0, "Nothing changes: no answer of the plan depends on this.")
    assert Path("van.toml").read_text() == VAN


@pytest.mark.parametrize(
    ("figure", "said"),
    [
        ("output.galley_lite.amps=6", '"galley_lite" is not there (did you mean "galley light"?)'),
        ("output.fan.limit_amp=6", 'unknown key "limit_amp" (did you mean "limit_amps"?)'),
        ("output.fan.amps=many", 'with --what-if: van.toml, line 25, output 2 "fan", amps: "many" is not a number'),
        ("output.fan.amps=-1", "amps: -1 is below 0; write 0 or more"),
        ("output.fan.amps", "write a key of the rig and its value, like output.galley_light.length_m=8"),
        ("output.fan.length_m=3", "a wire needs its size and length"),
    ],
)
def test_a_figure_that_cannot_be(rvsim, van, figure, said):
    """One line, exit code 2."""
    code, out, err = rvsim("plan", van(), "--what-if", figure)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert said in err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "name a rig, a shipped one or a TOML file; --new FILE writes one to start from"),
        (("winter_evening",), 'this is a scenario, and the plan checks a rig; name its rig, "ottersby"'),
        (("nowhere",), 'no rig is called "nowhere"'),
        (("van.csv",), "van.csv: a spreadsheet is read with --from: rvsim plan --from van.csv"),
        (("nowhere.toml",), 'there is no file "nowhere.toml"'),
        (("./",), "is a folder; name a .toml file in it"),
        (("van.toml", "--to-rig", "x.toml"), "--to-rig goes with --from FILE"),
        (("van.toml", "--new", "x.toml"), "--new writes a rig to start from and checks nothing"),
        (("van.toml", "--to-csv", "x.csv", "--json"), "--to-csv writes a spreadsheet and checks nothing"),
        (("van.toml", "--every", "--what-if", "output.fan.amps=1"), "--what-if and --every cannot go together"),
        (("van.toml", "--to-csv", "x.txt"), "--to-csv x.txt: give it a name that ends in .csv"),
        (("van.toml", "--to-csv", "no/x.csv"), "there is no folder no; make it, or name another file"),
        (("--new", "van.toml"), "--new van.toml: the file exists; name another one, or move it away"),
        (("--from", "nowhere.csv"), "nowhere.csv cannot be read (No such file or directory)"),
        (("van.toml", "--dbc", "nowhere.dbc"), "nowhere.dbc"),
    ],
)
def test_what_cannot_be_asked(rvsim, van, arguments, said):
    """One line, exit code 2, nothing on stdout, no file written."""
    van()
    code, out, err = rvsim("plan", *arguments)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert said in err
    assert os.listdir() == ["van.toml"]
    assert Path("van.toml").read_text() == VAN


def test_broken_rigs(rvsim, van):
    """Syntax with its line; three hundred mistakes, a hundred of them in full."""
    code, _, err = rvsim("plan", van("terminal = 2", "terminal = = 2"))
    assert (code, err.count("\n")) == (2, 1)
    assert "van.toml, line 24" in err
    Path("van.toml").write_text(VAN + "".join(f'[[output]]\nname = "o{n}"\nmodule = 5\n' for n in range(150)))
    code, out, err = rvsim("plan", "van.toml")
    assert (code, out, len(err.splitlines())) == (2, "", 101)
    assert "200 more mistakes; correct these first" in err


def test_a_spreadsheet_and_back(rvsim, van):
    """Written, read again beside the rig and by itself, and as a TOML file; no file is replaced."""
    code, out, err = rvsim("plan", van(), "--to-csv", "van.csv")
    assert (code, out, err) == (0, "", "rvsim: the spreadsheet is in van.csv\n")
    assert Path("van.csv").read_bytes().startswith(b"\xef\xbb\xbfpart,name,")
    own = rvsim("plan", "van.toml", "--json")[1]
    assert rvsim("plan", "van.toml", "--from", "van.csv", "--json") == (0, own, "")
    code, out, err = rvsim("plan", "--from", "van.csv", "--to-rig", "new.toml")
    assert (code, err) == (0, "rvsim: the rig is in new.toml\n")
    assert out.startswith("van, from van.csv: nothing is wrong; 2 answers good.")
    assert rvsim("plan", "new.toml")[1] == out
    for again in (("van.toml", "--to-csv", "van.csv"), ("--from", "van.csv", "--to-rig", "new.toml")):
        code, out, err = rvsim("plan", *again)
        assert (code, out) == (2, "")
        assert "the file exists" in err


def test_figures_of_a_spreadsheet_can_be_tried(rvsim, van):
    """Other figures go with it; a wrong one is told with its cell."""
    rvsim("plan", van(), "--to-csv", "van.csv")
    code, out, _ = rvsim("plan", "--from", "van.csv", "--what-if", "output.fan.amps=9")
    assert code == 1
    assert "output.fan.amps = 9 (was 3.0)" in out
    code, _, err = rvsim("plan", "--from", "van.csv", "--what-if", "output.fan.amps=-9")
    assert code == 2
    assert err.startswith("rvsim: with --what-if: van.csv, ")
    Path("van.csv").write_text(Path("van.csv").read_text().replace("3.0", "three").replace("2.0", "-2"))
    code, out, err = rvsim("plan", "--from", "van.csv")
    assert (code, out) == (2, "")
    assert 'rvsim: van.csv, G5: "three" is not a number; write one like 2.5' in err


def test_a_rig_to_start_from(rvsim, monkeypatch):
    """A new file that the plan takes."""
    monkeypatch.setattr(report, "CHECKS", {})
    code, out, err = rvsim("plan", "--new", "mine.toml")
    assert (code, out) == (0, "")
    assert err == "rvsim: the rig is in mine.toml; change it to yours, and check it: rvsim plan mine.toml\n"
    assert rvsim("plan", "mine.toml")[0] == 0


def test_a_reader_that_leaves(tmp_path, forked):
    """A closed pipe is no error."""
    command = forked("plan", "brackenlow", "--check", "ladder")
    with subprocess.Popen(**command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path) as plan:
        done = subprocess.run(["head", "-1"], stdin=plan.stdout, capture_output=True, check=True)
        plan.stdout.close()
        assert plan.stderr.read() == b""
    assert done.stdout.startswith(b"brackenlow, ")
    assert plan.returncode == 0
