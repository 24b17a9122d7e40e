"""Every kind of exercise is solved again out of its own text, by arithmetic that is written here.

Nothing of the decoder, the codec or the definitions is used for an answer: a solver reads the question as a student
does.
"""

import re
from fractions import Fraction
from random import Random

import pytest

from rvsim.faces.practice.course import LEVEL_KINDS, MAKERS, make_exercises
from rvsim.faces.practice.exercise import LEVELS, Kind
from rvsim.faces.practice.material import Material, load_material
from rvsim.wire.frame import Frame

DRAWS = 60


@pytest.fixture(scope="module")
def material(catalogue):
    """A minute of the shipped vehicle."""
    return load_material(None, catalogue, 1)


def drawn(material, kind, level):
    """Exercises of a kind, each with the text of its question in one line."""
    found = []
    for number in range(DRAWS):
        exercise = MAKERS[kind](Random(f"{kind}:{level}:{number}"), material, level)
        assert exercise is not None
        found.append((exercise, " ".join(exercise.question)))
    return found


def levels_of(kind):
    """The levels in which a kind is asked."""
    return [level for level in LEVELS if kind in LEVEL_KINDS[level]]


def cases(kind):
    """One case for each level of a kind."""
    return pytest.mark.parametrize("level", levels_of(kind))


def place(text):
    """The first and last byte, and the lowest bit and the number of bits, of a place in words."""
    if found := re.search(r"bytes (\d)-(\d)", text):
        first, last = int(found[1]), int(found[2])
        return first, last, 0, 8 * (last - first + 1)
    found = re.search(r"byte (\d)(?: bits? (\d)(?:-(\d))?)?", text)
    assert found is not None, text
    low = int(found[2] or 0)
    return int(found[1]), int(found[1]), low, (int(found[3] or low) - low + 1) if found[2] else 8


def data_in(question):
    """The bytes of the frame in a question."""
    found = re.search(r"[A-Z_0-9]+  ((?:[0-9A-F]{2} )*[0-9A-F]{2})", question)
    assert found is not None, question
    return bytes.fromhex(found[1])


def rule_in(question):
    """The step and the offset in a question."""
    found = re.search(r"number × ([\d.]+)(?: ([-+]) ([\d.]+))?", question)
    assert found is not None, question
    offset = Fraction(found[3] or 0) * (-1 if found[2] == "-" else 1)
    return Fraction(found[1]), offset


@cases(Kind.IDENTIFIER)
def test_identifiers(material, level):
    """SAE J1939-21: three bits of priority, one reserved, one of page, format, specific, source."""
    for exercise, question in drawn(material, Kind.IDENTIFIER, level):
        text = re.search(r"frame ([0-9A-F]{8})", question)[1]
        bits = f"{int(text, 16):029b}"
        specific = "00" if int(text[2:4], 16) < 0xF0 else text[4:6]
        answers = {
            "source address": text[6:],
            "priority": str(int(bits[:3], 2)),
            "DGN": f"{int(bits[3:5], 2):X}{text[2:4]}{specific}",
            "For which address": text[4:6],
        }
        (answer,) = (answer for part, answer in answers.items() if part in question)
        assert exercise.is_right(answer), (question, answer)


@cases(Kind.PLACE)
def test_places(material, level):
    """Bits counted from 0, the lowest first, within bytes counted from 0."""
    for exercise, question in drawn(material, Kind.PLACE, level):
        data = data_in(question)
        if bits := re.search(r"the bits (\d+) to (\d+)", question):
            answer = data[int(bits[1]) // 8 : int(bits[2]) // 8 + 1].hex(" ")
        else:
            first, _, low, count = place(question.partition("is byte")[1] + question.partition("is byte")[2])
            text = "".join(reversed(f"{data[first]:08b}"))[low : low + count]
            answer = "".join(reversed(text))
        assert exercise.is_right(answer), (question, answer)


@cases(Kind.SCALE)
def test_values(material, level):
    """Low byte first, times the step, plus the offset."""
    for exercise, question in drawn(material, Kind.SCALE, level):
        first, last, _, _ = place(question[question.index(" is in ") :])
        number = sum(byte << 8 * place for place, byte in enumerate(data_in(question)[first : last + 1]))
        step, offset = rule_in(question)
        value = number * step + offset
        assert exercise.is_right(f"{float(value):.9f}"), (question, value)
        assert exercise.is_right(f"{float(value):.9f} {exercise.answer.unit}".replace(".", ","))
        wrong = sum(byte << 8 * place for place, byte in enumerate(reversed(data_in(question)[first : last + 1])))
        if wrong != number:
            assert "order" in (exercise.why_wrong(f"{float(wrong * step + offset):.9f}") or ""), question
        if offset:
            assert "offset is missing" in (exercise.why_wrong(f"{float(number * step):.9f}") or "")


def test_values_grow_harder(material):
    """One byte without an offset, then two bytes, then an offset as well."""
    for level, count, has_offset in ((1, 1, False), (2, 2, False), (3, 2, True)):
        for exercise, question in drawn(material, Kind.SCALE, level):
            first, last, _, _ = place(question[question.index(" is in ") :])
            assert last - first + 1 == count
            assert bool(rule_in(question)[1]) is has_offset
            assert ("low byte first" in exercise.hint) == (count > 1)


@cases(Kind.STATE)
def test_special_values(material, level):
    """All ones no data (rv-c.com/node/522), one less out of range, three less reserved (from memory)."""
    seen = set()
    for exercise, question in drawn(material, Kind.STATE, level):
        first, last, _, count = place(question[question.index(" is in ") :])
        number = int.from_bytes(data_in(question)[first : last + 1], "little")
        below = (1 << count) - 1 - number
        answer = {0: "no data", 1: "out of range"}.get(below, "reserved" if below < 5 else "a value")
        assert exercise.is_right(answer), (question, answer)
        letter = "abcd"[exercise.options.index(answer)]
        assert exercise.is_right(letter)
        seen.add(answer)
    assert len(seen) == 4


@cases(Kind.BUILD)
def test_built_frames(material, level):
    """The offset taken away, divided by the step, low byte first; all else FF."""
    for exercise, question in drawn(material, Kind.BUILD, level):
        count = int(re.search(r", (\d) bytes:", question)[1])
        data = bytearray(b"\xff" * count)
        data[0] = int(re.search(r"instance (\d+)", question)[1])
        first, last, _, _ = place(question[question.index(" and in ") :])
        value = Fraction(re.search(r" is (-?[\d.]+)", question[question.index(" and in ") :])[1])
        step, offset = rule_in(question)
        number = (value - offset) / step
        assert number.denominator == 1
        data[first : last + 1] = int(number).to_bytes(last - first + 1, "little")
        answer = data.hex()
        if level == 5:
            named = re.search(r"priority (\d), DGN ([0-9A-F]{5}), from ([0-9A-F]{2})", question)
            answer = f"{int(named[1]) << 26 | int(named[2], 16) << 8 | int(named[3], 16):08X} {answer}"
        assert exercise.is_right(answer), (question, answer)


@cases(Kind.FAULT)
def test_fault_reports(material, level):
    """19 bits of SPN, most significant first, and five of FMI (places from memory)."""
    kinds = set()
    for exercise, question in drawn(material, Kind.FAULT, level):
        data = bytes.fromhex(re.search(r"from [0-9A-F]{2}  ((?:[0-9A-F]{2} ?){8})", question)[1])
        bits = "".join(f"{byte:08b}" for byte in data[2:5])
        spn, fmi = int(bits[:19], 2), int(bits[19:], 2)
        answer = "no fault" if spn == 0x7FFFF else f"{spn}, {fmi}"
        kinds.add(answer == "no fault")
        assert exercise.is_right(answer), (question, answer)
    assert kinds == {True, False}


@cases(Kind.LOAD)
def test_loads(material, level):
    """131 bits for each frame, 250,000 in a second."""
    for exercise, question in drawn(material, Kind.LOAD, level):
        load = sum(
            131 * int(count) * 1000 / int(gap) for count, gap in re.findall(r"(\d+) messages every (\d+) ms", question)
        )
        assert exercise.is_right(f"{100 * load / 250_000:.1f} %"), question


@cases(Kind.OHMS)
def test_terminators(material, level):
    """Conductances add up."""
    for exercise, question in drawn(material, Kind.OHMS, level):
        if found := re.search(r"reads ([\d.]+) ohm", question):
            answer = str(round(120 / float(found[1])))
        else:
            count = int(re.search(r"pair: (\d)", question)[1])
            answer = f"{1 / sum([1 / 120] * count):.0f} ohm"
        assert exercise.is_right(answer), (question, answer)


@cases(Kind.TURN)
def test_who_goes_first(material, level):
    """Bit by bit: who sends 1 while another one sends 0 drops out."""
    for exercise, question in drawn(material, Kind.TURN, level):
        left = re.findall(r"[01]{29}", question)
        for bit in range(29):
            if any(one[bit] == "0" for one in left):
                left = [one for one in left if one[bit] == "0"]
        assert exercise.is_right(f"{int(left[0], 2):X}"), question


@cases(Kind.MISSING)
def test_missing_devices(material, level):
    """The planned address that no identifier ends with."""
    for exercise, question in drawn(material, Kind.MISSING, level):
        planned = re.search(r"addresses: (.*?)\.", question)[1].split(", ")
        heard = {one[6:] for one in re.findall(r"  ([0-9A-F]{8})  ", question)}
        (gone,) = (one for one in planned if one[-2:] not in heard)
        assert exercise.is_right(gone[:-3]), question
        assert exercise.is_right(gone[-2:])


@cases(Kind.SHARED)
def test_shared_instances(material, level):
    """The two source addresses of one DGN with one instance."""
    for exercise, question in drawn(material, Kind.SHARED, level):
        senders = {}
        for identifier, data in re.findall(r"  ([0-9A-F]{8})  ([0-9A-F]{2})", question):
            senders.setdefault((identifier[:6], data), set()).add(identifier[6:])
        (found,) = (sources for sources in senders.values() if len(sources) > 1)
        assert exercise.is_right(" and ".join(sorted(found))), question
        assert exercise.is_right(", ".join(sorted(found, reverse=True)))


@pytest.mark.parametrize("level", LEVELS)
def test_one_seed_gives_one_sheet(material, level):
    """The same exercises again, none twice; another seed gives others; their own answers are right."""
    first, again, other = (make_exercises(material, level, 12, seed) for seed in (7, 7, 8))
    assert [one.question for one in first] == [one.question for one in again]
    assert [one.question for one in first] != [one.question for one in other]
    assert len({one.question for one in first}) == 12
    for exercise in first:
        assert exercise.kind in LEVEL_KINDS[level]
        assert exercise.is_right(exercise.answer.shown)
        assert exercise.hint
        assert exercise.explanation
        assert not any(exercise.is_right(mistake.answer.shown) for mistake in exercise.mistakes)
        assert not exercise.is_right("nonsense")


@pytest.mark.parametrize("level", [1, 2, 3])
def test_no_question_comes_twice_with_its_answer(material, level):
    """Also where only other bytes of the frame differ: a battery's state of charge is asked for once."""
    for seed in range(4):
        asked = [
            (" ".join(line for line in one.question if not line.startswith(" ")), one.answer.shown)
            for one in make_exercises(material, level, 10, seed)
        ]
        assert len(set(asked)) == len(asked)


def test_weak_kinds_come_twice_as_often(material):
    """Of fifteen exercises of level 1 with one weak kind six are of it, in place of some four."""
    made = make_exercises(material, 1, 15, 3, weak=[Kind.SCALE])
    assert sum(one.kind is Kind.SCALE for one in made) == 6


@pytest.mark.parametrize(("count", "is_asked"), [(2, False), (3, True)])
def test_a_missing_device_needs_three(catalogue, count, is_asked):
    """Of two devices the other one would be told away."""
    frames = [Frame(number, 0x19FFE400 | 0x50 + number, b"\x01" + b"\xff" * 7) for number in range(count)]
    small = Material("three", frames, {0x50 + number: f"device {number}" for number in range(3)}, catalogue)
    made = MAKERS[Kind.MISSING](Random(1), small, 4)
    assert (made is not None) is is_asked
