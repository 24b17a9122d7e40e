"""The JSON form of frames and readings, key by key."""

import json
from importlib.metadata import version

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.logs.formats.jsonl import frame_fields, json_text, line, reading_fields, start_line, utc_text
from rvsim.wire.fields import FieldSpec, Grades, Origin, Reading, State
from rvsim.wire.frame import Frame


def test_the_first_line_says_what_follows():
    """The start line has its type, the number of the form, the version, and what the command adds."""
    assert json.loads(start_line(command="bench", seed=1, started=None)) == {
        "type": "start",
        "schema": 1,
        "version": version("rvsim-bench"),
        "command": "bench",
        "seed": 1,
        "started": None,
    }


def test_times_have_all_their_microseconds():
    """Seconds are written with six decimals, exactly, whatever a float would make of them."""
    assert line(86_400_000_001, {"type": "x"}) == '{"t": 86400.000001, "type": "x"}\n'
    assert line(1_250_000, {"type": "x"}) == '{"t": 1.250000, "type": "x"}\n'


def test_a_broadcast_frame(catalogue):
    """The keys and forms of a frame line; a broadcast has no destination."""
    fields = frame_fields(Frame(0, 0x19FFE2A1, bytes.fromhex("0102FF")), catalogue, "rvsim", sent=False)
    assert fields == {
        "type": "frame",
        "identifier": "19FFE2A1",
        "bytes": "0102FF",
        "dgn": "1FFE2",
        "message": "THERMOSTAT_STATUS_1",
        "source": 161,
        "destination": None,
        "channel": "rvsim",
        "sent": False,
    }


def test_an_addressed_and_an_unknown_frame(catalogue):
    """An addressed frame names its destination; an unknown DGN has no message."""
    fields = frame_fields(Frame(0, 0x1DEFFF01, b""), catalogue, "x", sent=True)
    assert (fields["dgn"], fields["destination"], fields["message"], fields["sent"]) == ("1EF00", 255, None, True)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (100, {"raw": 100, "value": 50.0, "state": "value"}),
        (255, {"raw": 255, "value": None, "state": "no data"}),
        (None, {"raw": None, "value": None, "state": "missing"}),
    ],
)
def test_a_reading(catalogue, raw, expected):
    """A reading has raw, value, unit, state, label and origin; no value unless the state is ``value``."""
    field = catalogue.by_name("FURNACE_STATUS").by_name["heat_output_level"]
    whole = {"field": "heat_output_level", "unit": "%", "label": None, "origin": "memory"}
    assert reading_fields(Reading(field, raw, field.state(raw))) == {**whole, **expected}


def test_a_number_that_json_readers_would_round_is_text():
    """Beyond 53 bits a raw value is hex text of its full width."""
    wide = FieldSpec("wide", 0, 64)
    assert reading_fields(Reading(wide, 0xC0A0C800DDC1E240, State.VALUE))["raw"] == "C0A0C800DDC1E240"
    assert reading_fields(Reading(FieldSpec("fits", 0, 53), 1, State.VALUE))["raw"] == 1


def test_an_origin_is_the_weakest_of_all_that_stands_beside_it():
    """The name of a field is better known than its place here; the message's number may be less sure than both."""
    field = FieldSpec("x", 0, 8, grades=Grades(Origin.PUBLISHED, Origin.MEMORY, Origin.UNSURE), labels={1: "one"})
    number, word = (Reading(field, raw, State.VALUE) for raw in (2, 1))
    assert reading_fields(number)["origin"] == "memory"
    assert reading_fields(word)["origin"] == "unsure"
    assert reading_fields(number, Origin.PUBLISHED, Origin.UNSURE)["origin"] == "unsure"
    assert reading_fields(number, Origin.PUBLISHED)["origin"] == "memory"


@given(st.text(st.characters(exclude_categories=())))
def test_every_text_is_one_line_of_ascii_that_every_reader_takes(text):
    """Half a sign, as a name that is not UTF-8 has them, comes as U+FFFD; everything else as it was."""
    written = json_text({"text": text})
    assert written.isascii()
    assert "\n" not in written
    whole = text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")  # two halves in a row are a sign
    assert len(json.loads(written)["text"]) == len(json.loads(json.dumps(text)))
    json.loads(written)["text"].encode("utf-8")
    if not any("\ud800" <= sign <= "\udfff" for sign in text):
        assert json.loads(written)["text"] == text == whole


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("caf\udce9", "caf\ufffd"),
        ("\\udce9", "\\udce9"),
        ("\\\\\udce9", "\\\\\ufffd"),
        ("\U0001f600 ° \ud83d", "\U0001f600 ° \ufffd"),
    ],
)
def test_only_half_a_sign_is_replaced(text, read):
    """A sign of two halves and a backslash that a person wrote stay."""
    assert json.loads(json_text(text)) == read


@pytest.mark.parametrize(
    ("time", "text"),
    [
        (1_700_000_000_250_000, "2023-11-14T22:13:20.250000+00:00"),
        (253_402_300_799_999_999, "9999-12-31T23:59:59.999999+00:00"),
        (253_402_300_800_000_000, None),
        (10**18, None),
        (10**30, None),
    ],
)
def test_a_time_that_no_date_can_have_is_none(time, text):
    """Dates end with the year 9999 (ISO 8601 without agreement between the partners)."""
    assert utc_text(time) == text
