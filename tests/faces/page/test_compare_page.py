"""The page of a comparison: the same differences as the text, as tables."""

import json
import re

import pytest


@pytest.fixture
def logs(tmp_path):
    """Write two logs of a tank: in the second one it has less in it, and another device is gone."""
    for name, level, is_alone in (("before.log", 80, False), ("after.log", 10, True)):
        lines = []
        for at in range(0, 120, 5):
            lines.append(f"({at}.000000) can0 19FFB748#01{level:02X}64FFFFFFFFFF\n")
            if not is_alone:
                lines.append(f"({at}.500000) can0 19FFB749#02{7:02X}64FFFFFFFFFF\n")
        (tmp_path / name).write_text("".join(lines), encoding="ascii")
    return "before.log", "after.log"


def test_every_difference_is_on_the_page(rvsim, logs, tmp_path):
    """As many rows as differences, with what was before and after; the rules stand below."""
    code, out, err = rvsim("compare", *logs, "--json", "--html", "page.html")
    assert (code, err) == (1, "rvsim: the page is in page.html; it needs no network\n")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    table = re.search(r'<div class="table" id="difference-table".*?</table>', page, re.DOTALL)[0]
    found = json.loads(out)["differences"]
    assert table.count("<tr>") == len(found) + 1
    assert {one["aspect"] for one in found} >= {"device", "value at rest"}
    assert "<h1>before.log and after.log, compared</h1>" in page
    assert f"<p>{len(found)} differences: " in page
    assert "address 49 hex" in table
    assert page.count("moved by more than half of the wider range") == 1


def test_nothing_differs(rvsim, logs, tmp_path):
    """The page says so, and has no table of differences."""
    code, _, _ = rvsim("compare", logs[0], logs[0], "--html", "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert code == 0
    assert "<p>Nothing differs by these thresholds.</p>" in page
    assert "difference-table" not in page


def test_a_log_is_not_replaced(rvsim, logs, tmp_path):
    """Neither of the two, even with --overwrite."""
    for log in logs:
        code, _, err = rvsim("compare", *logs, "--html", log, "--overwrite")
        assert (code, err) == (2, f"rvsim: --html {log}: this is the log itself: name another file for the page\n")
