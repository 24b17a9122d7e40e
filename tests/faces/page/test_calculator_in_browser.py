"""The page of all messages in a headless Chromium: its arithmetic against cantools, its search, its calculators."""

import json
import random
from decimal import Decimal

import cantools
import pytest

from rvsim.errors import InputError
from rvsim.faces.text.spell_build import build
from rvsim.faces.text.spell_fields import meaning
from rvsim.faces.text.spell_given import GivenValue
from rvsim.faces.text.spell_list import found_messages
from rvsim.shipped import dbc_files

pytestmark = pytest.mark.paced
FRAMES = 1000
OWN = """VERSION ""
BU_:
BO_ 2633957124 OWN_SHAPES: 7 X
 SG_ up : 3|11@0- (0.125,-4) [0|0] "bar" X
 SG_ wide : 24|32@1- (0.0001,-7) [0|0] "" X
 SG_ far : 16|8@1+ (1,0) [0|0] "" X
BA_DEF_ SG_ "SpecialCodes" ENUM "none","no_data","unchanged","measured","commanded";
BA_DEF_DEF_ "SpecialCodes" "none";
BA_ "SpecialCodes" SG_ 2633957124 far 3;
VAL_ 2633957124 far 252 "beyond" ;
"""
"""A big-endian field of 11 bits with a negative offset, a signed one of 32 bits, a name above reserved codes."""
READ = """(frames => frames.map(([dgn, hex]) => {
  const message = known.messages[dgn], bytes = bytesOf(hex).bytes;
  return message.fields.map(field => {
    const raw = rawIn(field, bytes);
    return [field.name, `${raw}`, stateOf(field, raw), valueOf(field, raw), meaningOf(field, bytes)];
  });
}))"""
WRITE = """(frames => frames.map(([dgn, values]) => {
  const message = known.messages[dgn];
  let bytes = Array(message.length).fill(0xFF);
  for (const field of message.fields) bytes = withRaw(message, field, bytes, rawOf(field, values[field.name]).raw);
  return bytesText(bytes, "");
}))"""
TRIED = """(texts => texts.map(([dgn, name, text]) => {
  const found = rawOf(known.messages[dgn].fields.find(field => field.name === name), text);
  return found.problem === undefined ? `${found.raw}` : found.problem;
}))"""


@pytest.fixture(scope="module")
def page(tmp_path_factory, reference_page_of):
    """Write the page of all messages with one more of the user's own."""
    own = tmp_path_factory.mktemp("own") / "own.dbc"
    own.write_text(OWN, encoding="ascii")
    return reference_page_of("--dbc", str(own)), own


@pytest.fixture(scope="module")
def shown(chromium, page):
    """Return the browser with the page; it requested nothing and wrote nothing to the console at the end."""
    chromium.open(page[0], width=1100)
    yield chromium
    assert (chromium.requests(), chromium.problems()) == ([], [])


@pytest.fixture(scope="module")
def specs(page, definition_cache):
    """Return the messages with fields, and those of cantools by name."""
    from rvsim.wire.database import load_catalogue

    theirs = {
        message.name: message
        for path in (*dbc_files(), page[1])
        for message in cantools.database.load_file(path, database_format="dbc", strict=False).messages
        if message.signals
    }
    return [spec for spec in load_catalogue([page[1]]) if spec.fields], theirs


def call(browser, function, argument):
    """Call a function in the page with plain data."""
    return browser.run(f"{function}({json.dumps(argument)})")


def test_a_thousand_frames_both_ways(shown, specs):
    """Each field as cantools and the decoder have it; written again as text, cantools encodes the same bytes."""
    drawn = random.Random(21)
    every, theirs = specs
    frames = [every[number % len(every)] for number in range(FRAMES)]
    data = [drawn.choice((drawn.randbytes, lambda n: b"\xff" * (n - 2) + b"\xfb\xfe"))(spec.length) for spec in frames]
    pairs = [(f"{spec.dgn:05X}", one.hex()) for spec, one in zip(frames, data, strict=True)]
    written, expected, states = [], [], set()
    for spec, one, fields in zip(frames, data, call(shown, READ, pairs), strict=True):
        message = theirs[spec.name]
        raws = message.decode(one, decode_choices=False, scaling=False)
        signals = {signal.name: signal for signal in message.signals}
        texts = {}
        for name, raw, state, value, told in fields:
            field, signal = spec.by_name[name], signals[name]
            assert int(raw) == raws[name], (spec.name, name)
            scale, offset = (Decimal(str(part)) for part in (signal.conversion.scale, signal.conversion.offset))
            assert Decimal(value) == scale * int(raw) + offset, (spec.name, name)
            reading = next(reading for reading in spec.decode(one) if reading.field is field)
            assert (state, told) == (str(reading.state), meaning(reading, one)), (spec.name, name)
            states.add(state)
            texts[name] = value if state == "value" else state if state != "reserved" else f"0x{int(raw):X}"
            if (
                state == "value"
                and drawn.random() < 0.5
                and field.codes.get(field.labels.get(int(raw), "")) == int(raw)
            ):
                texts[name] = field.labels[int(raw)]
        written.append((f"{spec.dgn:05X}", texts))
        expected.append(message.encode(raws, scaling=False, padding=True, strict=False).hex().upper())
    assert call(shown, WRITE, written) == expected
    assert states == {"value", "no data", "out of range", "error", "reserved", "unchanged"}


def test_what_cannot_be_sent_is_said_as_spell_says_it(shown, specs):
    """Outside the range, between two steps, a wrong unit, no number, no code, raw hex that does not fit."""
    tried = []
    for spec in specs[0]:
        for field in spec.fields[:4]:
            high = field.text(field.raw_limits[1])
            with_unit = f"{field.text(1)} {field.printed_unit}".strip()
            texts = [
                f"{high}1",
                "-0.00001",
                "+1.3",
                f"{field.text(3)} furlong",
                "zzz",
                "no data",
                "error",
                "-7.00005",
                "no_data",
            ]
            texts += ["0x123456789AB", field.text(251), field.text(min(2, field.all_ones)), "out of range", with_unit]
            tried += [(spec, field, text) for text in texts]
    answers = call(shown, TRIED, [(f"{spec.dgn:05X}", field.name, text) for spec, field, text in tried])
    seen = set()
    for (spec, field, text), answer in zip(tried, answers, strict=True):
        try:
            expected = str(build(spec, [GivenValue(field.name, text)], source=1).raws[field.name])
        except InputError as error:
            told = error.problems[0].removeprefix(f"{spec.name}: {field.name}")
            expected = told.removeprefix(f"={text}").strip().split(" of its codes")[0]
            seen.add(expected.split(":")[0].split(",")[0])
        assert answer.split(" of its codes")[0] == expected, (spec.name, field.name, text)
    assert {"is outside its range", "lies between two steps of 0.5", "is not a number", "has no unit", "is in %",
            "is neither a number nor one", "has no code for error", "does not fit in 8 bits"} <= seen  # fmt: skip


def search(browser, text):
    """Type into the search; return the names that are shown, and how many the page says."""
    browser.run(f"search.value = {text!r}; search.dispatchEvent(new Event('input'))")
    names = browser.run("parts.filter(part => !part.hidden).map(part => part.dataset.name)")
    return names, browser.run("count.textContent")


def test_the_search_finds_what_find_finds(shown, specs, catalogue):
    """As one types: names, fields, names of codes, notes; numbers in hex and decimal; where it was found is told."""
    for word in ("tank", "ambient Temperature", "over voltage", "defrost", "ROOF_FAN", "unlocks"):
        names, told = search(shown, word)
        assert sorted(names) == sorted(hit.spec.name for hit in found_messages(word, catalogue)), word
        assert told == f"{len(names)} of {len(catalogue) + 1} messages shown"
    hits = "document.getElementById('1FFE2').querySelector('.hits').textContent"
    search(shown, "defrost")
    assert shown.run(hits) == "in operating mode = window defrost/dehumidify"
    assert shown.run("document.querySelectorAll('main > section:not([hidden])').length") == 1
    for number in ("1ffe2", "0x1FFE2", "131042", "19FFE244"):
        assert search(shown, number)[0] == ["THERMOSTAT_STATUS_1"], number
    assert search(shown, "no such word")[0] == []
    search(shown, "inverter_configuration status 1")
    assert shown.run("showFirst() ?? document.activeElement.closest('details').dataset.name") == (
        "INVERTER_CONFIGURATION_STATUS_1"
    )
    shown.run("location.hash = '#1ABCD'")
    shown.wait_for("search.value === '1ABCD'")
    assert shown.run("count.textContent").startswith("0 of ")
    names, told = search(shown, "")
    assert (len(names), told) == (len(catalogue) + 1, f"{len(catalogue) + 1} messages")


def test_a_frame_is_pasted_and_a_message_is_named_in_the_address(shown):
    """Enter puts the frame into the calculator of its message; / goes to the search; # unfolds a message."""
    shown.run("document.activeElement.blur(); for (const part of parts) part.open = false")
    shown.press("/")
    assert shown.run("document.activeElement.id") == "search"
    _, told = search(shown, "19FFFD4A#0178140100943577")
    assert told == "A frame of DC_SOURCE_STATUS_1: Enter puts it into its calculator"
    shown.press("Enter")
    assert shown.run("parts.filter(part => part.open).map(part => part.id)") == ["1FFFD"]
    calculator = "calculators['1FFFD']"
    assert shown.run(f"bytesText({calculator}.bytes, '')") == "0178140100943577"
    assert (
        shown.run(f"{calculator}.element.querySelector('code').textContent") == "rvsim spell 19FFFD4A 0178140100943577"
    )
    search(shown, "")
    shown.run("location.hash = '#thermostat_status_1'")
    shown.wait_for("document.getElementById('1FFE2').open && calculators['1FFE2']")
    assert shown.run("document.activeElement.closest('details').id") == "1FFE2"


def test_a_calculator_by_hand(shown):
    """A value between two steps offers both; codes are chosen by name; bytes and identifier are typed."""
    shown.run("location.hash = '#1FFFD'; unfold(document.getElementById('1FFFD'))")
    shown.run("""var one = calculators['1FFFD'], field = Object.fromEntries(one.fields.map(part => [part.name, part]));
      var give = (control, text) => { control.value = text; control.dispatchEvent(new Event('input')); },
      choose = (control, value) => { control.value = value; control.dispatchEvent(new Event('change')); },
      wrong = part => part.row.querySelector('.wrong').textContent;
      one.setFrame(0x19FFFD45, bytesOf('0178140100943577').bytes)""")
    shown.run("give(field.dc_voltage.typed, '13.81')")
    assert shown.run("wrong(field.dc_voltage)").startswith(
        "Not possible: 13.81 lies between two steps of 0.05: write the nearest, 13.8 V (0114 hex) or 13.85 V"
    )
    assert shown.run("[field.dc_voltage.typed.ariaInvalid, one.data.value]") == ["true", "01 78 14 01 00 94 35 77"]
    shown.run("field.dc_voltage.row.querySelectorAll('.wrong button')[1].click()")
    assert shown.run("[field.dc_voltage.typed.value, one.data.value, wrong(field.dc_voltage)]") == [
        "13.85", "01 78 15 01 00 94 35 77", ""
    ]  # fmt: skip
    assert shown.run("field.dc_voltage.row.querySelector('output').textContent") == (
        "15 01, low byte first: 0115 hex = 277; 277 × 0.05 = 13.85 V"
    )
    codes = "[...field.dc_voltage.choice.options].map(option => option.text)"
    assert shown.run(codes) == ["a value", "out of range (FFFE hex)", "no data (FFFF hex)"]
    shown.run("choose(field.dc_voltage.choice, '65534')")
    assert shown.run("[one.data.value, field.dc_voltage.typed.hidden]") == ["01 78 FE FF 00 94 35 77", True]
    shown.run("choose(field.dc_voltage.choice, ''); give(field.dc_voltage.typed, 'no data')")
    shown.run("field.dc_voltage.typed.dispatchEvent(new Event('change'))")
    assert shown.run("[one.data.value, field.dc_voltage.choice.value]") == ["01 78 FF FF 00 94 35 77", "65535"]
    shown.run("choose(field.instance.choice, '2'); give(one.data, '02 78 14')")
    assert shown.run("one.fields.map(part => part.row.querySelector('output').textContent)") == [
        "02 hex = 2: chassis start battery", "78 hex = 120: battery monitor / BMS", "missing: the frame is too short",
        "missing: the frame is too short",
    ]  # fmt: skip
    for text, problem in (("0", "1 hex digit: two make"), ("zz", "this is not hex"), ("00" * 9, "9 bytes: a frame")):
        shown.run(f"give(one.data, '{text}')")
        assert problem in shown.run("one.data.closest('.line').nextSibling.textContent"), text
    shown.run("choose(field.instance.choice, '1')")
    assert shown.run("[one.data.value, one.data.closest('.line').nextSibling.hidden]") == [
        "01 78 14 FF FF FF FF FF", True
    ]  # fmt: skip
    shown.run("choose(one.ends.priority, '2'); give(one.ends.source, '9f')")
    assert shown.run("one.ends.whole.value") == "09FFFD9F"
    shown.run("give(one.ends.whole, '19FFE244')")
    assert shown.run("one.ends.wrong.textContent") == (
        "Not possible: its DGN is 1FFE2, THERMOSTAT_STATUS_1, and not 1FFFD."
    )
    shown.run("give(one.ends.whole, '0DFFFD80')")
    assert shown.run("[one.ends.priority.value, one.ends.source.value, one.ends.wrong.hidden]") == ["3", "80", True]


def test_identifiers_of_messages_with_a_destination(shown):
    """Priority, DGN, destination and source by the places of SAE J1939-21; all numbers of a byte, both ways."""
    drawn = random.Random(3)
    whole = [drawn.getrandbits(29) for _ in range(300)]
    split = call(shown, "(numbers => numbers.map(identifierParts))", whole)
    for number, parts in zip(whole, split, strict=True):
        bits = f"{number:029b}"
        group, specific = int(bits[5:13], 2), int(bits[13:21], 2)
        destination = specific if group < 240 else None
        dgn = int(bits[3:13] + (bits[13:21] if destination is None else "00000000"), 2)
        assert parts == {"priority": int(bits[:3], 2), "dgn": dgn, "source": int(bits[21:], 2),
                         "destination": destination}  # fmt: skip
    join = "(every => every.map(one => identifierOf(one.priority, one.dgn, one.source, one.destination)))"
    assert call(shown, join, split) == whole
    shown.run("unfold(document.getElementById('0EA00'))")
    assert shown.run("calculators['0EA00'].ends.destination.value") == "FF"


def test_it_is_printed_without_calculators(shown, specs):
    """What is found, unfolded, with the worked frame; one message is a page or two."""
    shown.run("for (const part of parts) part.open = false")
    search(shown, "THERMOSTAT_STATUS_1")
    shown.call("Emulation.setEmulatedMedia", media="print")
    shown.run("unfold(document.getElementById('1FFE2'), false)")
    display = "getComputedStyle(document.getElementById('1FFE2').querySelector('.{}')).display"
    assert (shown.run(display.format("calculator")), shown.run(display.format("worked"))) == ("none", "block")
    shown.call("Emulation.setEmulatedMedia", media="")
    assert (shown.run(display.format("calculator")), shown.run(display.format("worked"))) == ("block", "none")
    assert len(shown.print()) > 10_000
    search(shown, "")
