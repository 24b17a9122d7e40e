"""What the script of a page does, in a headless Chromium; skipped, with a reason, where the machine has none."""

import re

import pytest

pytestmark = pytest.mark.paced
WIDTH = 1100
ROLES = ("button", "searchbox", "combobox", "checkbox", "link", "figure", "table")
OUTDOOR = "[...document.querySelectorAll('.reading')].find(one => one.textContent.includes('outdoor sensor'))"


@pytest.fixture(scope="module")
def shown(chromium, quiet_page):
    """Return the browser with the page of the quiet heater."""
    chromium.open(quiet_page, width=WIDTH)
    chromium.wait_for("document.documentElement.dataset.points")
    return chromium


@pytest.fixture(autouse=True)
def clean(request):
    """Check that nothing was requested or written to the console; show the whole log again for the next test."""
    yield
    if "shown" in request.fixturenames:
        shown = request.getfixturevalue("shown")
        shown.run("showTime(...whole)")
        assert (shown.requests(), shown.problems()) == ([], [])


def rows(browser, table):
    """Return the first cells of the rows that a table shows."""
    return browser.run(
        f"[...document.querySelectorAll('#{table} tbody tr:not([hidden])')].map(row => row.cells[0].textContent)"
    )


def search(browser, table, words):
    """Type words into the search of a table."""
    browser.run(
        f"(() => {{ const field = document.querySelector('#{table} input[type=search]'); field.value = {words!r};"
        "field.dispatchEvent(new Event('input')) })()"
    )


def test_tables_are_searched(shown):
    """Every word has to be in a row, in any letters; how many rows are shown is said."""
    search(shown, "message-table", "furnace STATUS")
    assert rows(shown, "message-table") == ["FURNACE_STATUS, instance 1 *"]
    count = "document.querySelector('#message-table [role=status]').textContent"
    assert re.fullmatch(r"1 of \d+ messages shown", shown.run(count))
    search(shown, "message-table", "")
    assert re.fullmatch(r"\d+ messages", shown.run(count))


def test_tables_are_filtered(shown):
    """A choice among the texts of a column."""
    choose = (
        "(value => {{ const choice = document.querySelector('#flag-table select'); choice.value = value;"
        "choice.dispatchEvent(new Event('change')) }})({!r})"
    )
    assert shown.run("[...document.querySelector('#flag-table select').options].map(one => one.text)") == [
        "all", "fault", "warning",
    ]  # fmt: skip
    shown.run(choose.format("=fault"))
    assert rows(shown, "flag-table") == ["[4]"]
    shown.run(choose.format(""))
    assert len(rows(shown, "flag-table")) > 1


def test_tables_are_sorted(shown):
    """By the heads: numbers by size, up, then down; the head says the order, and it is announced."""
    head = "document.querySelectorAll('#message-table thead th')[3]"
    frames = "[...document.querySelectorAll('#message-table tbody tr')].map(row => Number(row.cells[3].textContent))"
    assert shown.run(f"{head}.getAttribute('aria-sort')") == "none"
    for order in ("ascending", "descending"):
        shown.run(f"{head}.querySelector('button').focus()")
        shown.press("Enter")
        found = shown.run(frames)
        assert found == sorted(found, reverse=order == "descending")
        assert shown.run(f"{head}.getAttribute('aria-sort')") == order
        assert shown.run("document.getElementById('announced').textContent") == f"Messages: sorted by Frames, {order}"
    assert found[0] >= 100


def test_keys_zoom(shown):
    """Plus, minus, left, right and home, in a drawing that has the focus; the time is announced and written."""
    shown.run(f"{OUTDOOR}.focus()")
    end = shown.run("whole[1]")
    shown.press("+")
    assert shown.run("shown") == pytest.approx([end / 4, 3 * end / 4], abs=1)
    shown.press("ArrowLeft")
    assert shown.run("shown") == pytest.approx([end / 8, 5 * end / 8], abs=2)
    shown.press("ArrowRight")
    shown.press("+")
    assert shown.run("shown") == pytest.approx([3 * end / 8, 5 * end / 8], abs=2)
    said = shown.run("document.getElementById('announced').textContent")
    assert re.fullmatch(r"Time shown: [\d.]+ s to [\d.]+ s", said)
    assert shown.run("document.querySelector('.time').textContent") == said.removeprefix("Time shown: ")
    shown.press("-")
    shown.press("Home")
    assert shown.run("shown") == [0, end]
    assert "the whole log" in shown.run("document.getElementById('announced').textContent")


def test_buttons_zoom(shown):
    """The same for a pointer; each button has a name."""
    buttons = "[...document.querySelectorAll('.controls [role=group] button')]"
    assert shown.run(f"{buttons}.map(one => one.getAttribute('aria-label'))") == [
        "zoom in", "zoom out", "earlier", "later", "show the whole log",
    ]  # fmt: skip
    shown.run(f"{buttons}[0].click()")
    assert shown.run("shown[0] > whole[0] && shown[1] < whole[1]")


def test_a_zoomed_line_has_all_its_points(shown):
    """The line is drawn again from the points, as high as what is shown; the names of its values follow."""
    path = f"{OUTDOOR}.querySelector('.line').getAttribute('d')"
    labels = f"[...{OUTDOOR}.querySelectorAll('.values span')].map(one => one.textContent)"
    shown.run(f"{OUTDOOR}.scrollIntoView({{ behavior: 'instant' }})")
    shown.wait_for(f"inView.has({OUTDOOR})")
    before, named = shown.run(path), shown.run(labels)
    assert named[-1] == "900.00 °C"
    shown.run("showTime(20e6, 80e6)")
    zoomed = shown.run(path)
    assert zoomed != before
    low, high = shown.run(labels)
    assert "900" not in high
    assert float(low.split()[0]) < float(high.split()[0]) < 0
    shown.run("showTime(...whole)")
    assert (shown.run(path), shown.run(labels)) == (before, named)


def test_the_line_of_the_file_is_that_of_the_script(shown, quiet_page):
    """What is drawn without a script and with it is the same, up to the number of its points."""
    shown.open(quiet_page, width=WIDTH)
    shown.wait_for("document.documentElement.dataset.points")
    places = (
        "figures.map(one => one.querySelector('.line').getBoundingClientRect())"
        ".map(place => [place.height, place.left, place.right]).flat()"
    )
    pieces = "figures.map(one => one.querySelector('.line').getAttribute('d').split('M').length)"
    drawn, before = shown.run(places), shown.run(pieces)
    shown.run("figures.forEach(draw)")
    assert shown.run(pieces) == before
    assert max(before) > 2
    assert shown.run(places) == pytest.approx(drawn, abs=1.5)


def test_flags_and_ticks_follow(shown):
    """A flag outside the time that is shown is not there; ticks are at round times in it."""
    flag = f"[...{OUTDOOR}.querySelectorAll('.band.flag')].map(one => one.hidden)"
    assert shown.run(flag) == [False, False]
    shown.run("showTime(30e6, 60e6)")
    assert shown.run(flag) == [True, True]
    assert shown.run("[...document.querySelector('.timeline .ticks').children].map(one => one.textContent)") == [
        "30 s", "35 s", "40 s", "45 s", "50 s", "55 s", "60 s",
    ]  # fmt: skip


def test_a_drag_shows_that_time(shown):
    """From where the button of the mouse goes down to where it comes up; a double click shows all again."""
    shown.run(f"{OUTDOOR}.scrollIntoView({{ block: 'center', behavior: 'instant' }})")
    left, top, width, height = shown.run(
        f"(() => {{ const place = {OUTDOOR}.querySelector('.canvas').getBoundingClientRect();"
        "return [place.x, place.y, place.width, place.height] })()"
    )
    mouse = {"y": top + height / 2, "button": "left"}
    shown.call("Input.dispatchMouseEvent", type="mouseMoved", x=left + width / 4, **mouse)
    under = f"{OUTDOOR}.querySelector('.under').textContent"
    assert re.fullmatch(r"-\d+\.\d\d °C at [\d.]+ s", shown.run(under))
    shown.call("Input.dispatchMouseEvent", type="mousePressed", x=left + width / 4, clickCount=1, **mouse)
    shown.call("Input.dispatchMouseEvent", type="mouseMoved", x=left + width / 2, buttons=1, **mouse)
    shown.call("Input.dispatchMouseEvent", type="mouseReleased", x=left + width / 2, clickCount=1, **mouse)
    end = shown.run("whole[1]")
    assert shown.run("shown") == pytest.approx([end / 4, end / 2], rel=0.01)
    shown.run(f"{OUTDOOR}.querySelector('.canvas').dispatchEvent(new Event('dblclick'))")
    assert shown.run("shown") == [0, end]


def test_the_time_of_a_problem(shown):
    """A button of a problem shows its time in all drawings."""
    shown.run("document.querySelector('.problem button').click()")
    assert shown.run("shown[0] < 32.3e6 && shown[1] > 60.5e6 && shown[1] < whole[1]")


def test_drawings_are_searched(shown):
    """By the names of readings, messages and devices; only those with flags if wanted."""
    field, box = (
        "document.querySelector('#readings input[type=search]')",
        "document.querySelector('#readings [type=checkbox]')",
    )
    visible = "document.querySelectorAll('section.device .reading:not([hidden])').length"
    every = shown.run(visible)
    shown.run(f"{field}.value = 'water temp'; {field}.dispatchEvent(new Event('input'))")
    assert shown.run(visible) == 1
    assert shown.run("document.querySelectorAll('section.device:not([hidden])').length") == 1
    shown.run(f"{field}.value = ''; {field}.dispatchEvent(new Event('input')); {box}.click()")
    assert 1 < shown.run(visible) < every
    shown.run(f"{box}.click()")
    assert shown.run(visible) == every


def test_light_and_dark(shown):
    """As the reader's system has it, and by a button the other way; black on white on paper."""
    back = "getComputedStyle(document.documentElement).backgroundColor"
    button = "[...document.querySelectorAll('#controls button')].at(-1)"
    assert shown.run(back) == "rgb(250, 249, 246)"
    assert shown.run(f"{button}.textContent") == "dark colours"
    shown.run(f"{button}.click()")
    assert (shown.run(back), shown.run(f"{button}.textContent")) == ("rgb(20, 23, 26)", "light colours")
    shown.call("Emulation.setEmulatedMedia", media="print")
    assert shown.run("getComputedStyle(document.body).color") == "rgb(36, 40, 44)"
    shown.call("Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": "dark"}])
    shown.run(f"{button}.click()")
    assert shown.run(back) == "rgb(250, 249, 246)"
    shown.run("delete document.documentElement.dataset.theme")
    assert shown.run(back) == "rgb(20, 23, 26)"
    shown.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "light"}])


def test_print(shown):
    """Some pages of A4; what was folded away is open meanwhile, and controls are not printed."""
    shown.run(
        "addEventListener('beforeprint', () => { folded = document.querySelectorAll('details:not([open])').length })"
    )
    shown.run("showTime(20e6, 50e6)")
    printed = shown.print()
    assert shown.run("figures.every(one => one.drawnFor === shown.join())")
    assert printed.startswith(b"%PDF")
    pages = len(re.findall(rb"/Type /Page\b", printed))
    assert 5 < pages < 40
    assert set(re.findall(rb"/MediaBox \[0 0 (\d+)\S* (\d+)", printed)) <= {
        (b"594", b"841"),
        (b"595", b"842"),
        (b"595", b"841"),
    }
    assert shown.run("folded") == 0
    assert shown.run("document.querySelectorAll('details[open]').length") == 0


def test_nothing_runs_off_a_narrow_screen(shown):
    """On 360 pixels only tables are wider, and they scroll in their frame."""
    shown.call("Emulation.setDeviceMetricsOverride", width=360, height=800, deviceScaleFactor=1, mobile=False)
    assert shown.run("document.documentElement.scrollWidth") <= 360
    shown.call("Emulation.setDeviceMetricsOverride", width=WIDTH, height=900, deviceScaleFactor=1, mobile=False)


def test_every_control_has_a_name(shown):
    """Buttons, fields and drawings are named for readers who do not see the page."""
    nodes = shown.call("Accessibility.getFullAXTree")["nodes"]
    controls = [
        node for node in nodes
        if node.get("role", {}).get("value") in ROLES
    ]  # fmt: skip
    assert len(controls) > 50
    assert [node["role"]["value"] for node in controls if not node.get("name", {}).get("value")] == []


def test_times_that_cannot_be_trusted(chromium, page_of, tmp_path):
    """Without a timeline the lines are there, and can be zoomed."""
    log = tmp_path / "back.log"
    times = [*range(1000, 1400, 5), *range(200, 600, 5), *range(2000, 2300, 5)]
    log.write_text(
        "".join(f"({at}.000000) can0 19FFB748#01{at % 50:02X}64FFFFFFFFFF\n" for at in times), encoding="ascii"
    )
    chromium.open(page_of(log), width=WIDTH)
    chromium.wait_for("document.documentElement.dataset.points")
    assert chromium.run("document.querySelectorAll('.timeline').length") == 0
    chromium.run("document.querySelector('.reading').focus()")
    chromium.press("+")
    assert chromium.run("shown[0] > whole[0] && shown[1] < whole[1]")
    assert chromium.problems() == []


def test_a_comparison(chromium, rvsim, quiet_log, page_of, tmp_path):
    """Its tables sort and search; there is no time to zoom."""
    log = tmp_path / "cut.log"
    log.write_text("".join(quiet_log.read_text(encoding="ascii").splitlines(keepends=True)[:400]), encoding="ascii")
    assert rvsim("compare", str(quiet_log), str(log), "--rig", "ottersby", "--html", "page.html")[0] == 1
    chromium.open(tmp_path / "page.html", width=WIDTH)
    every = rows(chromium, "difference-table")
    search(chromium, "difference-table", "heater")
    assert 0 < len(rows(chromium, "difference-table")) < len(every)
    assert chromium.run("document.querySelectorAll('#controls button').length") == 1
    assert (chromium.problems(), chromium.requests()) == ([], [])


def test_a_page_without_a_script(chromium, quiet_page):
    """What is wrong, lines and tables can be read where no script runs."""
    chromium.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        chromium.open(quiet_page, width=WIDTH)
        printed = chromium.print()
    finally:
        chromium.call("Emulation.setScriptExecutionDisabled", value=False)
    assert len(re.findall(rb"/Type /Page\b", printed)) > 5
