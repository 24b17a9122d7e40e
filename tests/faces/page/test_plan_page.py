"""The printed sheet of a plan: its order, its boxes, that it loads nothing, and what comes out of a printer."""

import base64
import re
import shutil
import subprocess

import pytest

from rvsim.devices.registry import settings_models
from rvsim.faces.page.markup import text
from rvsim.faces.page.page import write_rendered
from rvsim.faces.page.plan_page import css_text, render_plan_page
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, unchecked
from rvsim.plan.report import PlanReport
from rvsim.rig.accepted import AcceptedPlan
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity

pytestmark = pytest.mark.paced

RULE = Rule("a rule, edition 1", "our decision", "another says 5 %")
HOSTILE = "<script>alert(1)</script>"
PAPERS = {"A4": (8.27, 11.69, 595, 841), "letter": (8.5, 11.0, 612, 792)}
"""Width and height in inches, and in points as a PDF has them."""
RIGS = ("castlemoor", "pebbleford", "quillhaven")
"""The largest one, the smallest one, and one without outputs."""


def answer(key, **given):
    """Return an answer about the currents."""
    filled = {"check": Check.CURRENTS, "subject": "pump", "question": "within its limit", "formula": "1 + 1 = 2 A"}
    return Answer(key=key, rule=RULE, **(filled | given))


def report(rig="ottersby", tables=()):
    """Return a report with a fault, a warning, a good and an unchecked answer about a shipped rig."""
    answers = (
        answer("good"),
        answer(
            "low", judgement=Judgement.FLAGGED, severity=Severity.WARNING, text="it is long", advice="shorten it",
            formula="drop = 12 %",
        ),
        answer(
            "worse", judgement=Judgement.FLAGGED, severity=Severity.FAULT, text=f"it burns {HOSTILE}", advice="fuse it",
            unproven="the connectors",
        ),
        unchecked("open", Check.CURRENTS, "mat", "within its limit", RULE, ["amps of output mat"]),
    )  # fmt: skip
    measured = PlanTable("ladder_readings", "Ladder", ("switch", "ohms"), (("porch", "330"),))
    sections = (Section(Check.CURRENTS, answers, tuple(tables)), Section(Check.LADDER, (), (measured,), ("hot",)))
    return PlanReport(load_rig(rig, settings_models(), for_plan=True), sections)


@pytest.fixture(scope="module")
def page():
    """The sheet as HTML."""
    return render_plan_page(report())


def test_the_order_of_the_sheet(page):
    """Cautions before everything, what is wrong before the tables, the door last; the worst flag first."""
    assert re.findall("<h2>(.*?)</h2>", page) == [
        "Cautions", "What is wrong", "What is not checked", "As built", "Expected readings",
        "How each answer was computed", "Signed", "For the door: Ottersby 5, an invented small camper van",
    ]  # fmt: skip
    assert page.index("it burns") < page.index("it is long") < page.index("amps of output mat")
    assert "4 questions: 1 good, 2 flagged, 1 not checked." in page
    assert "drop = 12 %" in page
    assert "Remedy: </strong>shorten it" in page
    assert "<li>hot</li>" in page


def test_severities_and_rules_are_words(page):
    """Nothing is told by colour alone: brackets and words for the severity; a rule by its number, once in the list."""
    assert '<span class="tag fault">[1]</span> fault: pump' in page
    assert '<span class="tag warning">&lt;2&gt;</span> warning: pump' in page
    assert page.count("<h4>within its limit (R1)</h4>") == 1
    lines = re.findall("<p><b>pump</b>: (.*?)<strong>(.*?)</strong></p>", page)
    assert lines == [("1 + 1 = 2 A", ""), ("drop = 12 %", " WARNING"), ("1 + 1 = 2 A", " FAULT")]
    assert page.count("<strong>R1</strong> a rule, edition 1 (our decision). Other sources: another says 5 %.") == 1
    assert "<li>the connectors</li>" in page


def test_limits_stand_where_they_differ():
    """One limit of all is beside the question, different ones are beside their answers."""
    of_pump, of_mat = answer("a", limit="at most 5 A"), answer("b", subject="mat", limit="at most 9 A")
    for answers, asked, lines in (
        ((of_pump, of_pump), "within its limit (at most 5 A, R1)", [("pump", "1 + 1 = 2 A")] * 2),
        ((of_pump, of_mat), "within its limit (R1)",
         [("pump", "1 + 1 = 2 A (at most 5 A)"), ("mat", "1 + 1 = 2 A (at most 9 A)")]),
    ):  # fmt: skip
        page = render_plan_page(PlanReport(report().rig, (Section(Check.CURRENTS, answers),)))
        assert f"<h4>{asked}</h4>" in page
        assert re.findall("<p><b>(.*?)</b>: (.*?)<strong></strong></p>", page) == lines


def test_what_the_rig_accepts_stands_with_its_reason():
    """It is no flag, and it is not hidden."""
    accepted = AcceptedPlan(flag="rig-current", answer="low", reason="measured in June")
    rig = report().rig.model_copy(update={"accepted": (accepted,)})
    page = render_plan_page(PlanReport(rig, report().sections))
    part = page[page.index("Accepted by the rig, with its reason") : page.index("What is not checked")]
    assert 'pump: it is long. <span class="facts">measured in June</span>' in part
    assert "Remedy: </strong>shorten it" not in page


def test_a_short_table_stays_on_one_page():
    """Up to twelve rows; a longer one goes on, its head repeated."""
    for rows, kind in ((12, "part short"), (13, "part")):
        bill = PlanTable("bill", "What to buy", ("part",), tuple((f"part {n}",) for n in range(rows)))
        assert f'<div class="{kind}"><h3>What to buy</h3>' in render_plan_page(report(tables=(bill,)))


def test_boxes_to_fill_in(page):
    """Each expected reading has a box for the measured one and one to tick; what is built has none."""
    readings = page[page.index("Expected readings") : page.index("How each answer was computed")]
    rows = readings.count('<tr><th scope="row"')
    assert rows > 11
    heads = re.findall(r'<h3>(Ladder|Power on, bus).*?<th scope="col">(measured|seen)</th>', readings)
    assert heads == [("Ladder", "measured"), ("Power on, bus", "seen")]
    assert readings.count('class="box"') == readings.count('class="tick"') == rows
    assert 'class="box"' not in page[page.index("As built") : page.index("Expected readings")]


def test_it_loads_nothing(page):
    """One file: no address, no script, and a policy that allows only the styles in it."""
    assert "default-src 'none'; style-src 'unsafe-inline'" in page
    assert not re.search(r"\b(src|href)=|url\(|@import|http://|https://|<script", page)
    assert text(HOSTILE) in page


def test_tables_of_other_checks_are_shown():
    """A table of a check that nobody measures stands in a section of its own, its note beside it."""
    bill = PlanTable("bill", "What to buy", ("part", "metres"), (("cable 2.5 mm²", "12"),), "generic names")
    page = render_plan_page(report(tables=(bill,)))
    part = page[page.index("Network, night, what is left, what to buy") : page.index("How each answer was computed")]
    assert "cable 2.5\u00a0mm²" in part
    assert "generic names" in part
    assert 'class="number">12</td>' in part


def test_a_sound_rig_says_so():
    """Without flags and gaps nothing but that sentence; no list of what is left out."""
    page = render_plan_page(PlanReport(report().rig, (Section(Check.CURRENTS, (answer("good"),)),)))
    assert "Nothing that was checked is wrong." in page
    assert "What is not checked" not in page


def test_a_title_cannot_leave_its_style():
    """A name in the foot of the page is written by numbers, so that no letter of it is a part of the style."""
    assert css_text("é") == '"\\0000e9"'
    assert css_text('a"}</style>') == '"a\\000022\\00007d\\00003c\\00002fstyle\\00003e"'


def test_it_is_written_as_a_whole(tmp_path, page):
    """The file is there with all its content, and nothing beside it."""
    path = tmp_path / "sheet.html"
    write_rendered(path, page, overwrite=False)
    assert path.read_text(encoding="utf-8") == page
    assert list(tmp_path.iterdir()) == [path]


def printed(chromium, path, width, height):
    """Return the PDF of what is open, on paper of a size in inches."""
    data = chromium.call("Page.printToPDF", paperWidth=width, paperHeight=height, preferCSSPageSize=True)["data"]
    return base64.b64decode(data)


def pages_of(pdf):
    """Return how many pages a PDF has."""
    return len(re.findall(rb"/Type /Page\b", pdf))


@pytest.mark.paced
@pytest.mark.parametrize("paper", PAPERS)
def test_on_paper(chromium, tmp_path, page, paper):
    """The paper of the printer, several pages, numbered by the style; nothing is requested."""
    path = tmp_path / "sheet.html"
    write_rendered(path, page, overwrite=False)
    chromium.open(path)
    width, height, points_wide, points_high = PAPERS[paper]
    pdf = printed(chromium, path, width, height)
    assert set(re.findall(rb"/MediaBox \[0 0 (\d+)\S* (\d+)", pdf)) == {
        (str(points_wide).encode(), str(points_high).encode())
    }
    assert pages_of(pdf) > 2
    assert (chromium.requests(), chromium.problems()) == ([], [])


@pytest.mark.paced
def test_pages_are_numbered(chromium, tmp_path, page):
    """The corner of each page has its number and how many there are, the other one the rig; read where it can be."""
    path = tmp_path / "sheet.html"
    write_rendered(path, page, overwrite=False)
    chromium.open(path)
    boxes = (
        "[...document.styleSheets].flatMap(sheet => [...sheet.cssRules]).filter(rule => rule instanceof CSSPageRule)"
        ".map(rule => rule.cssText).join(' ')"
    )
    assert 'counter(page) " of " counter(pages)' in chromium.run(boxes)
    reader = shutil.which("pdftotext")
    if reader is None:  # the PDF has glyphs, which only a reader of PDF turns into letters again
        return
    pdf = tmp_path / "sheet.pdf"
    pdf.write_bytes(printed(chromium, path, *PAPERS["A4"][:2]))
    done = subprocess.run([reader, "-layout", str(pdf), "-"], capture_output=True, text=True, check=True)
    pages = done.stdout.removesuffix("\f").split("\f")
    feet = [content.rstrip().splitlines()[-1].split() for content in pages]
    assert [" ".join(foot[-4:]) for foot in feet] == [f"page {n} of {len(pages)}" for n in range(1, len(pages) + 1)]
    assert {" ".join(foot[:3]) for foot in feet} == {"ottersby: commissioning sheet,"}
    assert "For the door" in pages[-1]


@pytest.mark.paced
@pytest.mark.parametrize("rig", RIGS)
def test_the_door_is_one_page(chromium, tmp_path, rig):
    """Whatever a shipped rig has, the last page holds all of what hangs at the door, on both papers."""
    path = tmp_path / "sheet.html"
    write_rendered(path, render_plan_page(report(rig)), overwrite=False)
    chromium.open(path)
    chromium.run("document.querySelectorAll('main > :not(.door)').forEach(part => part.remove())")
    for width, height, *_ in PAPERS.values():
        assert pages_of(printed(chromium, path, width, height)) == 1
