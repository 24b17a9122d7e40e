"""Every place where a person sees a value shows it in the units that were chosen; what a program reads is metric."""

import ast
from dataclasses import replace
from fractions import Fraction
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

import rvsim
from rvsim.faces.screen.flag_page import flag_lines
from rvsim.faces.screen.lines import text_of
from rvsim.faces.screen.pages import foot_lines, page_rows, readings_lines, tape_lines
from rvsim.faces.screen.scene import Page, Scene
from rvsim.faces.text.display_units import METRIC, US
from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.noticed import flag_details, summary_lines
from rvsim.faces.text.output import flag_fields
from rvsim.faces.text.sentences import Sentences
from rvsim.faces.text.spell import as_text, parse_frame
from rvsim.logs.formats.jsonl import json_text
from rvsim.rig.functions import FUNCTIONS
from rvsim.runs.pipeline import Pipeline
from rvsim.shakedown.expect.expectation_plans import WorldPlan
from rvsim.shakedown.expect.state_judges import WorldJudge
from rvsim.watch.cause import Cause, CauseKind
from rvsim.watch.causes import causes
from rvsim.watch.rules import Finding, Rules
from rvsim.watch.summaries import summary
from rvsim.watch.transitions import (
    AlarmCodeReported,
    ColdPlace,
    CommandIgnored,
    CommandsContradict,
    DataLost,
    Limits,
    ReadingsContradict,
    TooCold,
    Topic,
    TwoSenders,
    TwoSendersSign,
    ValueOutOfRange,
    ValueStuck,
)
from rvsim.watch.watch import Watch
from rvsim.wire.fields import Alarm, AlarmSeverity, FieldSpec, Origin, Reading, State
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import compose

PACKAGE = Path(rvsim.__file__).parent
AIR = FieldSpec("air", 8, 16, scale=3125, offset=-27300000, decimals=5, unit="degC")
COLD, WARM = Reading(AIR, 8736, State.VALUE), Reading(AIR, 9408, State.VALUE)
"""0 and 21 °C, 32 and 69.8 °F."""
NOTHING = Reading(AIR, 65535, State.NO_DATA)
FRAME = Frame(0, 0x19FF9C91, b"\x01\x00\x00")
TOPIC = Topic(0x91, 0x1FF9C, "THERMOSTAT_AMBIENT_STATUS", 1)
PROBLEMS: list[Any] = [
    ValueOutOfRange(0, "a", TOPIC, WARM, Limits(-40, 10, "by the rig"), FRAME),
    DataLost(0, "a", TOPIC, NOTHING, COLD, FRAME),
    ReadingsContradict(0, 0, "a", TOPIC, WARM, "a", TOPIC, COLD, "the most", FRAME),
    ReadingsContradict(0, 0, "a", TOPIC, WARM, "b", TOPIC._replace(source=0x92), COLD, "the most", FRAME),
    ValueStuck(0, 0, "a", TOPIC, WARM, 0, 600_000_000, "b", TOPIC, COLD, WARM, FRAME),
    AlarmCodeReported(0, "a", TOPIC, WARM, Alarm(AlarmSeverity.FAULT, Origin.MEMORY), FRAME),
    CommandsContradict(0, 0, ("a", "b"), (1, 2), "air 1", 3, ((COLD,), (WARM,)), 2, 1, TOPIC, (FRAME, FRAME)),
    CommandIgnored(0, 0, "a", ("b",), "air 1", 1, (WARM,), (COLD,), 1, 1, (), TOPIC, FRAME, FRAME),
    CommandIgnored(0, 0, "a", ("b",), "air 1", 1, (WARM,), (None,), 1, 1, (), TOPIC, FRAME, FRAME),
    TooCold(0, 0, "a", TOPIC, COLD, ColdPlace.WATER_HEATER, 2.0, "", None, False, FRAME),
    TwoSenders(0, 0, "a", 1, TwoSendersSign.TWO_VALUE_TRAINS, "air", compose(COLD.brief, " and ", WARM.brief), FRAME),
]
"""One of each that tells values."""


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda problem: type(problem).__name__)
def test_a_flag_is_shown_in_the_units_that_were_chosen(problem):
    """All values of its text convert; the text itself, and its JSON, are metric."""
    flag = Rules().process(problem).flag
    metric, shown = METRIC.render(flag.text), US.render(flag.text)
    assert metric == flag.text
    assert "21.00 °C" in metric or "0.00 °C" in metric
    assert "°F" not in metric
    assert shown.count("°F") == metric.count("°C")
    assert "°C" not in shown
    for celsius, fahrenheit in (("21.00 °C", "69.8 °F"), ("0.00 °C", "32.0 °F")):
        assert (celsius in metric) is (fahrenheit in shown)
    assert json_text(flag_fields(flag, "raised")) == json_text({**flag_fields(flag, "raised"), "text": str(metric)})


def test_the_limits_of_a_flag_are_shown_too():
    """-40 is the same on both scales; the unit stands once."""
    assert "outside -40 to 50 °F (by the rig)" in US.render(Rules().process(PROBLEMS[0]).flag.text)


def test_two_trains_of_values_are_told_with_their_quantities(catalogue):
    """Found by the watch in frames, as two units on one address send them: -17.75 and -11.5 °C."""
    watch = Watch(catalogue)
    spec = catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
    for number in range(12):
        raw = (8168, 8368)[number % 2] + number // 4
        frame = spec.pack(instance=1, ambient_temperature=raw)
        watch.observe(Frame(10_000_000 + number * 2_500_000, spec.identifier(0x91), frame))
    (flag,) = (one for one in watch.flags if one.kind == "shared-address")
    assert flag.text.endswith("-17.69 °C and -11.44 °C, 6 times in turn")
    assert US.render(flag.text).endswith("0.2 °F and 11.4 °F, 6 times in turn")


def test_what_a_cause_explains_keeps_its_quantities():
    """The evidence of a cause repeats the texts of flags."""
    rules = Rules()
    findings = [Finding(rules.process(one).flag, one) for one in (PROBLEMS[-1], PROBLEMS[0])]
    (cause,) = causes(findings, {})
    assert US.render(cause.text).endswith("32.0 °F and 69.8 °F")
    assert "air 69.8 °F, outside -40 to 50 °F" in US.render(cause.evidence[-1])


@pytest.fixture
def caused(scene, monkeypatch):
    """A scene, in which one flag of a bad value is laid to a cause that tells values too."""

    def go(units):
        found = scene(units)
        found.watch.observe(Frame(130_000_000, 0x19FF9C91, bytes.fromhex("01 A0 92 FF FF FF FF FF")))
        (flag,) = found.watch.flags
        text = compose("the air is at ", WARM.brief)
        evidence = (compose("it was ", COLD.brief),)
        cause = Cause(CauseKind.SHARED_SUPPLY, "a, b", flag.severity, 0, None, text, "wait", evidence, (flag,))
        monkeypatch.setattr(Watch, "causes", (cause,))
        monkeypatch.setattr(Watch, "all_flags", (replace(flag, evidence=(compose("and before ", WARM.brief),)),))
        return found

    return go


def test_a_cause_is_shown_in_the_units_that_were_chosen(caused):
    """In sentences, in a survey, on the page of devices and on that of flags."""

    def shown(units):
        found, out = caused(units), StringIO()
        told = explain_flags(found.watch.flags, found.watch.causes)
        Sentences(out, (), units).end(130_000_000, found.watch)
        lines = (
            out.getvalue(),
            "\n".join(summary_lines(told, units)),
            "\n".join(flag_details(told, units)),
            rows(found),
            "\n".join(text_of(line) for line in flag_lines(found, 140)),
        )
        return [text.count(METRIC_CAUSE if units is METRIC else US_CAUSE) for text in lines], "".join(lines)

    (metric, metric_text), (us, us_text) = shown(METRIC), shown(US)
    assert metric == us == [1, 1, 1, 1, 1]
    assert ("it was 0.00 °C" in metric_text, "it was 32.0 °F" in us_text) == (True, True)
    assert ("and before 21.00 °C" in metric_text, "and before 69.8 °F" in us_text) == (True, True)
    assert ("°F" in metric_text, "°C" in us_text) == (False, False)


METRIC_CAUSE, US_CAUSE = "the air is at 21.00 °C", "the air is at 69.8 °F"


def loses_quantities(path):
    """Whether an f-string of a file holds what a reading says."""
    strings = (
        node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.JoinedStr)
    )
    return any(isinstance(one, ast.Attribute) and one.attr == "brief" for text in strings for one in ast.walk(text))


def test_no_text_below_the_faces_loses_its_quantities():
    """An f-string keeps the metric words only; `compose` keeps the numbers.

    But for the words beside an instance, which belong to the key of a topic and have no unit.
    """
    lost = {
        path.relative_to(PACKAGE).as_posix()
        for layer in ("watch", "shakedown", "runs")
        for path in (PACKAGE / layer).rglob("*.py")
        if loses_quantities(path)
    }
    assert lost == {"watch/decode.py"}


# Sentences.


def sentences(catalogue, units, *frames):
    """What is said of frames, given as (identifier, bytes), a second apart."""
    out = StringIO()
    hearing = Pipeline(Watch(catalogue), Sentences(out, (), units))
    for second, (identifier, data) in enumerate(frames):
        hearing.observe(Frame(second * 1_000_000, identifier, bytes.fromhex(data)))
    return out.getvalue()


def test_sentences(catalogue):
    """Readings, and the flag about 900 °C, which is 1652 °F."""
    frames = ((0x19FF9C91, "01 C0 24 FF FF FF FF FF"), (0x19FF9C91, "01 A0 92 FF FF FF FF FF"))
    metric, shown = sentences(catalogue, METRIC, *frames), sentences(catalogue, US, *frames)
    assert "ambient temperature 21.00 °C *" in metric
    assert "ambient temperature 69.8 °F *" in shown
    assert "ambient temperature 900.00 °C, outside -60 to 85 °C (" in metric
    assert "ambient temperature 1652.0 °F, outside -76 to 185 °F (" in shown
    assert "°C" not in shown


def test_a_heartbeat_keeps_its_words(catalogue):
    """Words alone have no units."""
    frames = ((0x19FECA58, "05 58 FF FF FF FF FF FF"),)
    assert sentences(catalogue, US, *frames) == sentences(catalogue, METRIC, *frames)


@pytest.mark.parametrize(
    ("function", "message", "data", "shown"),
    [
        ("water_heater", "WATERHEATER_STATUS", "01 01 FF FF C0 24 F5 FF", "water 69.8 °F, burner lit"),
        ("thermostat", "THERMOSTAT_STATUS_1", "01 02 FF C0 24 FF FF FF", "wants 69.8 °F in the cabin"),
        ("ambient_sensor", "THERMOSTAT_AMBIENT_STATUS", "01 C0 24 FF FF FF FF FF", "69.8 °F"),
        ("thermostat", "THERMOSTAT_AMBIENT_STATUS", "01 C0 24 FF FF FF FF FF", "ambient temperature 69.8 °F"),
    ],
)
def test_what_a_function_says(catalogue, function, message, data, shown):
    """Sentences of functions, and of one without words of its own."""
    readings = catalogue.by_name(message).decode(bytes.fromhex(data))
    said = {message: {reading.field.name: reading for reading in readings}}
    assert US.render(summary(FUNCTIONS[function], said, {}).sentence) == shown


# One frame taken apart.


def one_line(text):
    """A text without its line breaks."""
    return " ".join(text.split())


def test_a_frame_taken_apart_shows_both(catalogue):
    """The arithmetic is that of the definition; what it comes to in the other unit stands behind it."""
    frame = parse_frame("19FF9C91", "01 C0 24 FF FF FF FF FF")
    metric, shown = "\n".join(as_text(frame, catalogue)), "\n".join(as_text(frame, catalogue, US))
    assert "9408 × 0.03125 - 273 = 21 °C; range -273 to 1774.8125 °C" in one_line(metric)
    assert "9408 × 0.03125 - 273 = 21 °C = 69.8 °F; range" in one_line(shown)
    assert "range -273 to 1774.8125 °C (-459.4 to 3226.7 °F)" in one_line(shown)


def test_a_unit_without_arithmetic_shows_both(catalogue):
    """10 litres are raw 10; that in gallons has no end."""
    frame = parse_frame("19FFB7A2", "01 64 C8 0A 00 14 00 FF")
    assert "000A hex = 10 L ≈ 2.642 US gal" in one_line("\n".join(as_text(frame, catalogue, US)))
    assert "000A hex = 10 L;" in one_line("\n".join(as_text(frame, catalogue)))


# The screen.


@pytest.fixture
def scene(catalogue):
    """A bus on which a sensor and a thermostat are heard for two minutes while the air gets colder by 1 °C."""

    def go(units):
        watch = Watch(catalogue)
        found = Scene("bus", watch, None, units=units)
        for second in range(0, 121, 5):
            raw = 9408 - round(second * 32 / 120)
            for identifier, data in (
                (0x19FF9C91, b"\x01" + raw.to_bytes(2, "little") + b"\xff" * 5),
                (0x19FFE244, b"\x01\x02\xff\xc0\x24\xff\xff\xff"),
            ):
                watch.observe(Frame(second * 1_000_000, identifier, data))
            found.now = second * 1_000_000
            for one in found.devices():
                found.sent.of(one)
        return found

    return go


def rows(found, width=140):
    """The page of devices, all of them open."""
    found.open_devices = {one.device for one in found.devices()}
    return "\n".join(text_of(row.line()) for row in page_rows(found, width)[0])


def test_the_page_of_devices(scene):
    """Sentences, trends, numbers and the ends of rails."""
    metric, shown = rows(scene(METRIC)), rows(scene(US))
    for celsius, fahrenheit in (
        ("20.00 °C *, falling 0.5 °C a minute", "68.0 °F *, falling 0.9 °F a minute"),
        ("wants 21.00 °C in the cabin", "wants 69.8 °F in the cabin"),
        ("set point       21.00 °C *     5 ├", "set point        69.8 °F *    41 ├"),
        ("┤ 30 °C", "┤ 86 °F"),
        (" -30 ├", " -22 ├"),
    ):
        assert celsius in metric
        assert fahrenheit in shown
    assert "°C" not in shown
    assert "°F" not in metric
    assert [line.count("●") for line in metric.splitlines()] == [line.count("●") for line in shown.splitlines()]


def test_the_rail_has_the_same_mark_in_all_units(scene):
    """A place between two ends does not depend on the scale."""

    def rails(text):
        return [line[line.index("├") : line.index("┤") + 1] for line in text.splitlines() if "├" in line]

    assert rails(rows(scene(METRIC), 80)) == rails(rows(scene(US), 80)) != []


def test_the_page_of_what_it_says_and_the_tape(scene):
    """Field by field, byte by byte, and the arithmetic of an open byte with both."""
    found = scene(US)
    found.choose("address 91 hex")
    assert any("ambient temperature            68.0 °F" in text_of(line) for line in readings_lines(found))
    assert "A0 24 ambient temperature 68.0 °F" in " ".join(text_of(line).strip() for line in foot_lines(found, 80))
    found.page, found.piece_index = Page.TAPE, 1
    told = " ".join(text_of(line).strip() for line in tape_lines(found, 100))
    assert "[A0 24 ambient temperature 68.0 °F *]" in told
    assert "9376 × 0.03125 - 273 = 20 °C = 68 °F." in told
    assert "Whole range -273 to 1774.8125 °C (-459.4 to 3226.7 °F)." in told


def test_flags_and_what_was_done_by_hand(scene):
    """In the place of a device, on the page of flags, and in the line of what was done last."""
    found = scene(US)
    found.watch.observe(Frame(130_000_000, 0x19FF9C91, bytes.fromhex("01 A0 92 FF FF FF FF FF")))
    found.status_text = compose("thermostat 1 is commanded to ", WARM.brief)
    assert "1652.0 °F, outside -76 to 185 °F" in " ".join(rows(found).split())
    flags = " ".join(text_of(line).strip() for line in flag_lines(found, 100))
    assert "1652.0 °F, outside -76 to 185 °F" in flags
    assert "°C" not in flags
    assert any("commanded to 69.8 °F" in text_of(line) for line in foot_lines(found, 80))


def test_no_value_of_the_vehicle_is_rounded_into_its_bounds():
    """What is beyond a bound is beyond it in all units: 18 against at most 17.95 is 64.4 against 64.31."""
    for most, value, shown in ((17.95, 18.0, "64.4 °F"), (18.0, 18.04, "64.47 °F"), (18.0, 18.00001, "64.40002 °F")):
        plan = WorldPlan.model_validate({"expect": "world", "value": "cabin", "at_most": most})
        judge = WorldJudge(plan, {}, lambda _: None)
        judge.observe_second(0, type("World", (), {"cabin_c": value})())
        assert US.render(judge.failure.found) == f"{shown} at 0.000 s"
        bound = Fraction(most).limit_denominator(100) * Fraction(9, 5) + 32
        assert Fraction(shown.split()[0]) > bound
