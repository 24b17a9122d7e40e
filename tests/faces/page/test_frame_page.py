"""Pages of one message, one frame, a built frame, a frame on the pair; the page of all messages as a file."""

import json
import re
from html import unescape

import pytest

from rvsim.faces.text.spell_layout import facts, field_heading, field_notes
from rvsim.faces.text.spell_senders import parties

THERMOSTAT = ("19FFE2A1", "0102FFFF2C25FFFF")


def words(html):
    """The words of a page without its styles, scripts and elements."""
    bare = re.sub(r"<(style|script|pre)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<wbr/?>|</?b>", "", bare)).replace("<", " <").split())


@pytest.fixture
def page_of(rvsim, tmp_path):
    """Spell something and return what was printed and the words of the page: ``page_of(*words)``."""

    def go(*arguments):
        code, out, err = rvsim("spell", *arguments, "--html", "page.html", "--overwrite")
        assert (code, err) == (0, "rvsim: the page is in page.html; it needs no network\n")
        html = (tmp_path / "page.html").read_text(encoding="utf-8")
        assert not re.search(r'(src|href)="(?!#)', html)
        return out, html, " ".join(re.sub(r"<[^>]*>", " ", words(html)).split())

    return go


def test_the_page_of_a_frame_says_what_is_printed(page_of):
    """Each line of the text is on the page; before it the tape, and the bits as a drawing and as text."""
    out, html, told = page_of(*THERMOSTAT)
    text = " ".join(out.split())
    for said in (
        "2CFF hex = 11519; 11519 × 0.03125 - 273 = 86.96875 °C; range -273 to 1774.8125 °C",
        "FF is F0 or above: a broadcast, and the byte behind it belongs to the DGN.",
        "Number: from memory (name: rv-c.com/node/572; number: memory). Fields without a note in brackets: name "
        "published; place and code from memory.",
    ):
        assert said in text
        assert said in told
    assert "19FFE2A1 01 instance 1 * · 02 operating mode heat, fan mode auto, schedule mode disabled * ·" in told
    drawing = re.search(r"<svg.*?</svg>", html, re.DOTALL)[0]
    assert drawing.count('class="digits"') == 6 + 7 + 3
    assert ">operating mode: heat</text>" in drawing
    assert "byte 1, 02  00  00  0010" in html
    rows = [int(y) for y in re.findall(r'y="(\d+)" class="digits"', drawing)]
    assert [rows.count(y) for y in sorted(set(rows))] == [6, 1, 3, 1, 1, 1, 1, 1, 1]
    placed = [(int(y), text) for y, text in re.findall(r'<text x="\d+" y="(\d+)">(.*?)</text>', drawing)]
    assert len({y for y, _ in placed}) == len(placed) == 6 + 7 + 3
    assert [text.split(":")[0] for _, text in sorted(placed)][5:10] == [
        "priority 6 (0 goes first)", "instance", "operating mode", "fan mode", "schedule mode"
    ]  # fmt: skip
    assert 'data-frame="19FFE2A1 0102FFFF2C25FFFF"' in html


def test_short_odd_and_unknown_frames(page_of):
    """Too short; a DGN that nobody defines; an identifier alone; data of no bytes; a note on what was given."""
    assert (
        "The frame has 3 bytes and the message 8: the missing fields count as no data."
        in page_of("19FFE2A1", "0102FF")[2]
    )
    _, html, told = page_of("19000044", "2009")
    assert "No message with this number is defined" in told
    assert "<article" not in html
    told = page_of("19FFE2A1")[2]
    assert "An identifier alone: its data bytes are missing." in told
    assert "byte 0: instance " not in told.partition("The message THERMOSTAT_STATUS_1")[0]
    assert "has bit 31 set" in page_of("99FFE2A1", "01")[2]
    assert "known by its name only" in page_of("WASTEDUMP_STATUS")[2]
    assert "As text: make 'AB'." in page_of("18FEEB44", "41422A")[2]


def test_the_page_of_a_message_and_of_a_built_frame(page_of, catalogue):
    """All facts and notes of the layout; the steps of what was given."""
    spec = catalogue.by_name("THERMOSTAT_STATUS_1")
    told = page_of("1FFE2")[2]
    for said in (*facts(spec, parties(spec)), *(note for field in spec.fields for note in field_notes(field))):
        assert said in told, said
    told = page_of("DC_SOURCE_STATUS_1", "instance=1", "dc_voltage=13.8", "--source", "9F")[2]
    assert "13.8 / 0.05 = 276 = 0114 hex; low byte first: 14 01" in told
    assert "All ones (no data): device priority, dc current." in told
    assert "source address 9F hex (given)" in told


def test_the_page_of_a_frame_on_the_pair(page_of):
    """Every part with its stuff bits, and who wins."""
    _, html, told = page_of(*THERMOSTAT, "--wire", "--against", "18EAFFF9")
    assert ">110011111[0]11</text>" in html
    assert "142 bits, 11 of them stuff bits" in told
    assert "18EAFFF9 goes on, and 19FFE2A1 waits" in told


def test_bits_in_the_terminal(rvsim):
    """A frame, a built one, a message; nothing else goes with it."""
    code, out, _ = rvsim("spell", *THERMOSTAT, "--bits")
    assert (code, out.splitlines()[-1]) == (0, "  byte 7, FF  11111111  unused")
    assert "byte 2, 14  00010100  dc voltage, low byte: 13.8 V" in rvsim(
        "spell", "DC_SOURCE_STATUS_1", "dc_voltage=13.8", "--bits"
    )[1]  # fmt: skip
    assert "operating mode: cool" in rvsim("spell", "THERMOSTAT_STATUS_1", "--bits")[1]
    for arguments, problem in (
        (("WASTEDUMP_STATUS", "--bits"), "known by name only"),
        ((*THERMOSTAT, "--bits", "--json"), "leave --wire and --json out"),
        (("--bits",), "--bits shows the bits of a frame"),
    ):
        code, _, err = rvsim("spell", *arguments)
        assert (code, len(err.splitlines())) == (2, 1)
        assert problem in err


def test_all_messages_are_on_one_page(rvsim, tmp_path, catalogue):
    """Each once, with its facts, each field and its grades, and a worked frame; below 3 MB, with a policy."""
    assert rvsim("spell", "--tables", "messages.html") == (
        0, "", "rvsim: the page is in messages.html; it needs no network\n"
    )  # fmt: skip
    html = (tmp_path / "messages.html").read_text(encoding="utf-8")
    assert len(html.encode()) < 3_000_000
    assert not re.search(r'(src|href)="(?!#)', html)
    found = dict(re.findall(r'<details class="message" id="(\w+)" data-name="\w+">(.*?)</details>', html, re.DOTALL))
    assert sorted(found) == sorted(f"{spec.dgn:05X}" for spec in catalogue)
    for spec in catalogue:
        part = " ".join(unescape(re.sub(r"</?wbr/?>", "", found[f"{spec.dgn:05X}"])).split())
        for said in (*facts(spec, parties(spec)), *map(field_heading, spec.fields)):
            assert f">{said}<" in part, (spec.name, said)
        assert ("A frame with invented values" in part) is bool(spec.fields)
    data = json.loads(re.search(r'id="definitions">(.*?)</script>', html, re.DOTALL)[1])
    assert sum(len(message["fields"]) for message in data["messages"].values()) == sum(
        len(spec.fields) for spec in catalogue
    )


def test_names_from_outside_stay_text(rvsim, tmp_path):
    """A definition file whose names of codes and notes look like elements, and end a block of data."""
    (tmp_path / "own.dbc").write_text(
        'VERSION ""\nBU_:\nBO_ 2633957124 OWN: 8 X\n SG_ level : 0|8@1+ (1,0) [0|0] "" X\n'
        'CM_ BO_ 2633957124 "</script><img src=x>";\nVAL_ 2633957124 level 1 "<b>full</b>" ;\n', encoding="ascii"
    )  # fmt: skip
    assert rvsim("spell", "--tables", "messages.html", "--dbc", "own.dbc")[0] == 0
    html = (tmp_path / "messages.html").read_text(encoding="utf-8")
    assert html.count("</script>") == 3
    assert "<img" not in html
    assert "<b>full" not in html
    assert "Your own definitions" in html
    assert "from your own definitions" in html


def test_no_file_is_replaced(rvsim, tmp_path):
    """Without --overwrite; a folder, a missing folder, options that do not go together: one line, exit code 2."""
    (tmp_path / "old.html").write_text("old", encoding="ascii")
    for arguments, problem in (
        (("--tables", "old.html"), "--tables old.html: the file exists: name another one, or add --overwrite"),
        ((*THERMOSTAT, "--html", "old.html"), "--html old.html: the file exists"),
        (("--tables", "."), "--tables .: a folder"),
        (("--tables", "no/where.html"), "the folder no is missing"),
        ((*THERMOSTAT, "--tables", "new.html"), "--tables writes a page of all messages: only --dbc"),
        (("--tables", "new.html", "--json"), "--tables writes a page of all messages: only --dbc"),
        (("--html", "new.html"), "--html is for a message or a frame: name one; a page of all messages is --tables"),
        (("--find", "tank", "--html", "new.html"), "--html is for a message or a frame"),
        ((*THERMOSTAT, "--overwrite"), "--overwrite goes with --html FILE or --tables FILE"),
    ):
        code, out, err = rvsim("spell", *arguments)
        assert (code, out, len(err.splitlines())) == (2, "", 1), arguments
        assert problem in err
    assert (tmp_path / "old.html").read_text(encoding="ascii") == "old"
    assert not (tmp_path / "new.html").exists()
    assert rvsim("spell", "--tables", "old.html", "--overwrite")[0] == 0
