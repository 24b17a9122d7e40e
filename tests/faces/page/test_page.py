"""The file of a page: when it is written, and when not."""

import json
import os

import pytest

from rvsim.faces.page.markup import Html
from rvsim.faces.page.page import Page

FRAMES = "".join(f"({at}.000000) can0 19FFB748#01{at:02X}64FFFFFFFFFF\n" for at in range(30))


@pytest.fixture
def log(tmp_path):
    """Write a short log into the folder in which commands run."""
    (tmp_path / "drive.log").write_text(FRAMES, encoding="ascii")
    return "drive.log"


def test_it_is_written_beside_the_answer(rvsim, log, tmp_path):
    """The text goes to stdout as without it, and where the page is to stderr; nothing else is left in the folder."""
    code, out, err = rvsim("survey", log, "--html", "page.html")
    assert (code, out) == (0, rvsim("survey", log)[1])
    assert err == "rvsim: the page is in page.html; it needs no network\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drive.log", "page.html"]
    assert (tmp_path / "page.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert json.loads(rvsim("survey", log, "--json", "--html", "other.html")[1])["frames"] == 30


def test_the_same_log_gives_the_same_page(rvsim, log, tmp_path):
    """Byte by byte: nothing of the time or the machine is in it."""
    rvsim("survey", log, "--html", "a.html")
    rvsim("survey", log, "--html", "b.html")
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_from_stdin(rvsim, tmp_path):
    """A log that comes from a pipe is read twice, too."""
    code, _, _ = rvsim("survey", "-", "--html", "page.html", input=FRAMES)
    assert code == 0
    assert "TANK_STATUS" in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_file_is_not_replaced_unless_wanted(rvsim, log, tmp_path):
    """It stays as it was, and nothing is surveyed; with --overwrite it is replaced."""
    page = tmp_path / "page.html"
    page.write_text("mine", encoding="ascii")
    code, out, err = rvsim("survey", log, "--html", "page.html")
    assert (code, out) == (2, "")
    assert err == "rvsim: --html page.html: the file exists: name another one, or add --overwrite\n"
    assert page.read_text(encoding="ascii") == "mine"
    assert rvsim("survey", log, "--html", "page.html", "--overwrite")[0] == 0
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (
            ("--html", "drive.log", "--overwrite"),
            "--html drive.log: this is the log itself: name another file for the page",
        ),
        (("--html", "."), "--html .: a folder: name a file in it"),
        (("--html", "no/page.html"), "--html no/page.html: the folder no is missing: make it, or name another place"),
        (("drive.log", "--html", "p.html"), "--html writes the page of one log, and 2 are given: name one"),
    ],
)
def test_what_cannot_be_written(rvsim, log, arguments, problem, tmp_path):
    """One line says why, before anything is read."""
    code, out, err = rvsim("survey", log, *arguments)
    assert (code, out, err) == (2, "", f"rvsim: {problem}\n")
    assert (tmp_path / log).read_text(encoding="ascii") == FRAMES


def test_a_page_is_whole_or_not_there(rvsim, log, tmp_path, monkeypatch):
    """If the disk fills up, the file from before is still there and nothing else."""
    (tmp_path / "page.html").write_text("mine", encoding="ascii")

    def full(self, content):
        with open(self, "wb") as file:
            file.write(content[:10])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    code, _, err = rvsim("survey", log, "--html", "page.html", "--overwrite")
    assert code == 2
    assert "--html page.html: the page could not be written (No space left on device): free space there" in err
    assert sorted(os.listdir(tmp_path)) == ["drive.log", "page.html"]
    assert (tmp_path / "page.html").read_text(encoding="ascii") == "mine"


def test_what_fills_a_place_is_not_filled_again():
    """A text that looks like a place of the template stays as it is."""
    page = Page("[[script]]")
    page.add(Html("<p>[[points]]</p>"))
    made = page.render()
    assert "<title>[[script]]</title>" in made
    assert "<p>[[points]]</p>" in made
