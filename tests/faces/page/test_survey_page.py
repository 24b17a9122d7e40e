"""The page of a survey: what stands on it, in which order, and that nothing of a log becomes more than text."""

import json
import re
from base64 import b64decode
from gzip import decompress
from html.parser import HTMLParser

import pytest

from rvsim.faces.page.colours import colour_css
from rvsim.faces.screen.palettes import DARK, LIGHT, MIN_CONTRAST
from rvsim.logs.reduced import MAX_POINTS

HOSTILE = "<script>alert(1)</script>"


class Outline(HTMLParser):
    """The elements of a page: names, identifiers, headings, texts, links."""

    def __init__(self, page):
        super().__init__()
        self.found, self.ids, self.open, self.headings, self.texts = [], [], [], [], []
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):
        """Note an element and its attributes."""
        self.found.append((tag, dict(attrs)))
        self.ids += [value for key, value in attrs if key == "id"]
        if tag not in ("meta", "wbr", "path", "link", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        """Check that elements are closed in their order."""
        assert self.open.pop() == tag

    def handle_startendtag(self, tag, attrs):
        """Note an element without content."""
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        """Note a text, and a heading."""
        if self.open and re.fullmatch("h[1-6]", self.open[-1]):
            self.headings.append((self.open[-1], data))
        if self.open and self.open[-1] not in ("script", "style"):
            self.texts.append(data)


@pytest.fixture(scope="module")
def outline(quiet_page):
    """Return the elements of the page of the quiet heater."""
    return Outline(quiet_page)


def points(page):
    """Return what a page keeps for its script."""
    packed = re.search(r'id="points">(.*?)<', page.read_text(encoding="utf-8"))[1]
    return json.loads(decompress(b64decode(packed)))


def test_the_order(outline):
    """What is wrong comes first, then presence, bus load, readings, and the tables."""
    assert outline.headings[0] == ("h1", "quiet.log")
    assert [text for tag, text in outline.headings if tag == "h2"] == [
        "What is wrong", "Presence of the devices", "Bus load", "Readings over time", "All readings", "Devices",
        "Messages", "All flags",
    ]  # fmt: skip


def test_causes_come_first(outline):
    """The flag that explains others stands first, with what to try next; those it explains are not listed again."""
    wrong = [text for tag, text in outline.headings if tag == "h3"][:3]
    assert wrong[0] == " fault: heater stopped sending"
    assert sum("late-message" in text for text in outline.texts if "explains" in text) >= 1
    assert not any("did not send in time" in text for text in wrong)
    assert any("check its power and fuse first" in text for text in outline.texts)


def test_it_is_one_file(quiet_page, outline):
    """Nothing is loaded from elsewhere: no address but places on the page, and a policy that forbids the network."""
    places = {value for _, attributes in outline.found for key, value in attributes.items() if key in ("href", "src")}
    assert all(place.startswith("#") for place in places)
    assert {place[1:] for place in places} <= set(outline.ids)
    policy = next(
        found["content"] for _, found in outline.found if found.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert not re.search(r"https?:|//\w", policy)
    assert "url(" not in quiet_page.read_text(encoding="utf-8")
    assert "@import" not in quiet_page.read_text(encoding="utf-8")


def test_it_is_well_formed(outline):
    """Every element is closed, every identifier stands once, every part has a name."""
    assert outline.open == []
    assert len(outline.ids) == len(set(outline.ids))
    assert all(found["aria-labelledby"] in outline.ids for _, found in outline.found if "aria-labelledby" in found)
    assert dict(outline.found)["html"] == {"lang": "en"}


def test_flags_are_drawn_with_their_readings(quiet_page):
    """A flag about a field is drawn with it and with no other field; one about a device with all its readings."""
    page = quiet_page.read_text(encoding="utf-8")
    figures = {
        re.search(r"<strong>(.*?)</strong> <span[^>]*>(.*?)</span>", figure).groups(): re.findall(
            r'tag">(.*?)<', figure
        )
        for figure in re.findall(r"<figure.*?</figure>", page)
    }
    outdoor = next(tags for (title, whose), tags in figures.items() if whose.endswith("outdoor sensor"))
    water = next(tags for (title, whose), tags in figures.items() if title.startswith("water temperature"))
    assert set(outdoor) == {"&lt;5&gt;", "&lt;6&gt;", "no data"}
    assert water == ["[4]"]
    assert all(not tags for (title, whose), tags in figures.items() if whose.endswith("battery monitor"))


def test_lines_are_interrupted(quiet_page):
    """While the heater is silent its readings have no line, and where the sensor has no data neither."""
    page = quiet_page.read_text(encoding="utf-8")
    water = next(one for one in re.findall(r"<figure.*?</figure>", page) if "water temperature" in one)
    assert re.search(r' d="(.*?)"', water)[1].count("M") == 2
    outdoor = next(one for one in re.findall(r"<figure.*?</figure>", page) if "outdoor sensor" in one)
    no_data = float(re.search(r'<span class="band special" style="left:([\d.]+)%', outdoor)[1])
    last = re.findall(r"H([\d.]+)", re.search(r' d="(.*?)"', outdoor)[1])[-1]
    assert float(last) == pytest.approx(10 * no_data, abs=0.1)


def test_what_is_drawn_is_said(page_of, quiet_log):
    """Every change, or how many points of how many; the sentence has the lowest, highest and last value."""
    texts = Outline(page_of(quiet_log)).texts
    sentence = next(text for text in texts if text.startswith("From 15.00 °C to"))
    assert re.search(r", last [\d.]+ °C, flags .*\. Drawn: every change \(\d+ changes in \d+ readings\)\.$", sentence)


def test_a_long_log_is_reduced(page_of, tmp_path):
    """A reading with very many changes is drawn by the lowest and highest of each piece of time, and that is said."""
    lines = [f"({at / 10:.6f}) can0 19FFFD45#0178{(at * 7919) % 251:02X}01FFFFFFFF\n" for at in range(20_000)]
    log = tmp_path / "long.log"
    log.write_text("".join(lines), encoding="ascii")
    page = page_of(log)
    said = [text for text in Outline(page).texts if "the lowest and the highest of each piece of time" in text]
    assert len(said) == 1
    drawn, changes, readings = map(
        int, re.search(r"Drawn: (\d+) points of (\d+) changes in (\d+) readings", said[0]).groups()
    )
    assert drawn <= MAX_POINTS + 1 < changes < readings == 20_000
    voltage = max(points(page)[0]["readings"], key=lambda reading: len(reading["times"]))
    assert len(voltage["times"]) == len(voltage["raws"]) == drawn


def test_points_are_whole_numbers(quiet_page):
    """The script gets differences of integers, and the scale that makes values of them."""
    (channel,) = points(quiet_page)
    assert channel["started"] is None
    outdoor = next(reading for reading in channel["readings"] if reading["states"])
    assert all(isinstance(number, int) for key in ("times", "raws", "scale") for number in outdoor[key])
    raws = [sum(outdoor["raws"][: at + 1]) for at in range(len(outdoor["raws"]))]
    factor, offset, divisor = outdoor["scale"]
    assert "-6.00" in {f"{(raw * factor + offset) / divisor:.2f}" for raw in raws}
    assert outdoor["states"] == {"65535": "no data"}
    assert (outdoor["unit"], outdoor["decimals"]) == ("°C", 2)


def test_units(page_of, quiet_log):
    """With --units us the drawings and tables are converted, as all texts are."""
    page = page_of(quiet_log, "--units", "us")
    assert "°C" not in re.sub(r"<script.*?</script>", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    outdoor = next(reading for reading in points(page)[0]["readings"] if reading["states"])
    factor, offset, divisor = outdoor["scale"]
    raws = [sum(outdoor["raws"][: at + 1]) for at in range(len(outdoor["raws"]))]
    assert "21.20" in {f"{(raw * factor + offset) / divisor:.2f}" for raw in raws}


def test_nothing_from_a_log_is_more_than_text(page_of, tmp_path, write):
    """Names of files, channels and definitions with HTML in them are shown as they are, and run nowhere."""
    definitions = tmp_path / "own.dbc"
    definitions.write_text(
        'VERSION ""\nBO_ 2633950976 OWN_STATUS: 8 Vector__XXX\n'
        f' SG_ level : 0|8@1+ (1,0) [0|250] "{HOSTILE}" Vector__XXX\n'
        f'VAL_ 2633950976 level 1 "{HOSTILE}" 2 "two";\n',
        encoding="ascii",
    )
    log = tmp_path / "<img src=x onerror=alert(1)>.jsonl"
    lines = [
        json.dumps(
            {
                "t": at,
                "type": "frame",
                "identifier": "1CFEF345",
                "bytes": f"{1 + at % 2:02X}" + "FF" * 7,
                "channel": HOSTILE,
            }
        )
        for at in range(20)
    ]
    log.write_text("\n".join(lines) + "\n", encoding="ascii")
    page = page_of(log, "--dbc", str(definitions))
    outline = Outline(page)
    assert [tag for tag, _ in outline.found].count("script") == 2
    assert not any(tag == "img" for tag, _ in outline.found)
    assert not any(key.startswith("on") for _, attributes in outline.found for key in attributes)
    assert any("<img src=x" in text for text in outline.texts)


def test_several_channels(page_of, tmp_path):
    """Each channel has its parts under its name; nothing has a name twice."""
    log = tmp_path / "two.log"
    frames = [f"({at}.000000) can{at % 2} 19FFB748#01{at % 9:02X}64FFFFFFFFFF\n" for at in range(40)]
    log.write_text("".join(frames), encoding="ascii")
    page = page_of(log)
    outline = Outline(page)
    assert len(outline.ids) == len(set(outline.ids))
    assert [text for tag, text in outline.headings if text.startswith("What is wrong")] == [
        "What is wrong, channel can0", "What is wrong, channel can1",
    ]  # fmt: skip
    assert len(points(page)) == 2


@pytest.mark.parametrize("content", ["", "(1.000000) can0 123#00\n"])
def test_a_log_without_frames(page_of, tmp_path, content):
    """The page says that there is nothing, and has no empty tables."""
    log = tmp_path / "empty.log"
    log.write_text(content, encoding="ascii")
    outline = Outline(page_of(log))
    assert {text for tag, text in outline.headings if tag == "h2"} <= {"What is wrong", "Bus load"}
    assert not any(tag in ("table", "figure") for tag, _ in outline.found)
    assert any("no frames of this network" in text for text in outline.texts)


def test_only_what_was_asked_for(page_of, quiet_log):
    """With --device the page has that device alone, and says so."""
    outline = Outline(page_of(quiet_log, "--rig", "ottersby", "--device", "outdoor sensor", "--from", "60"))
    assert "Shown: from 60 s" in " ".join(outline.texts)
    assert "outdoor sensor" in outline.texts
    assert not {"battery monitor", "0 s"} & set(outline.texts)


def test_colours():
    """They are those of the screen, whose contrast is tested; texts are readable on the panel of the controls too."""
    css = colour_css()
    for palette in (LIGHT, DARK):
        for style in ("plain", "dim", "notice", "warning", "fault"):
            assert f"--{style}: {palette.styles[style].foreground}" in css
            assert contrast(palette.styles[style].foreground, palette.panel.background) >= MIN_CONTRAST
    assert css.index(LIGHT.styles["plain"].background) < css.index("prefers-color-scheme: dark")


def contrast(one, other):
    """Return the contrast of two colours (WCAG 2.1, relative luminance)."""

    def luminance(colour):
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    dark, light = sorted(map(luminance, (one, other)))
    return (light + 0.05) / (dark + 0.05)
