"""rvsim.wire.attributes: grades, special codes, alarm codes and related fields in a user's file."""

import pytest

from rvsim.errors import InputError
from rvsim.wire.database import load_catalogue
from rvsim.wire.fields import Alarm, AlarmSeverity, Grades, Origin, Special

# Bit 31 marks a 29-bit identifier in a DBC file; below it priority 6, DGN 1FF00h, source FEh
OWN = 0x99FF00FE
FIELD = ' SG_ level : 0|8@1+ (1,0) [0|250] "" any\n'


@pytest.fixture
def own(tmp_path, tmp_path_factory):
    """Load the shipped definitions and one text as the user's own file."""

    def load_text(text):
        path = tmp_path / "a.dbc"
        path.write_text(text)
        return load_catalogue([path], tmp_path_factory.getbasetemp() / "definitions")

    return load_text


def dbc(more="", name="OWN_STATUS", fields=FIELD):
    """Write a definition file with one message."""
    return f'VERSION ""\n\nBU_: any\n\nBO_ {OWN} {name}: 8 any\n{fields}{more}'


def stating(name, text):
    """Write a definition file whose field states a text attribute."""
    return dbc(f'BA_DEF_ SG_ "{name}" STRING ;\nBA_ "{name}" SG_ {OWN} level "{text}";\n')


def only_field(catalogue):
    """Return the field of the user's message."""
    (field,) = catalogue.by_dgn(0x1FF00).fields
    return field


@pytest.mark.parametrize(
    ("name", "field", "special"),
    [
        ("OWN_STATUS", '0|8@1+ (1,0) [0|250] ""', Special.NONE),
        ("OWN_STATUS", '0|8@1+ (1,0) [0|250] "V"', Special.NO_DATA),
        ("OWN_STATUS", '0|8@1+ (0.5,0) [0|125] ""', Special.NO_DATA),
        ("OWN_STATUS", '0|8@1+ (1,-40) [0|125] ""', Special.NONE),
        ("OWN_STATUS", '0|16@1+ (0.05,0) [0|0] "V"', Special.NO_DATA),
        ("OWN_STATUS", '0|24@1+ (1,0) [0|0] "min"', Special.NO_DATA),
        ("OWN_STATUS", '0|32@1+ (1,0) [0|0] ""', Special.NONE),
        ("OWN_STATUS", '0|2@1+ (1,0) [0|0] ""', Special.NONE),
        ("OWN_STATUS", '0|1@1+ (1,0) [0|0] "%"', Special.NONE),
        ("OWN_STATUS", '0|8@1- (1,0) [0|0] "V"', Special.NONE),
        ("OWN_COMMAND", '0|8@1+ (1,0) [0|250] ""', Special.UNCHANGED),
        ("Own_Command_2", '0|16@1+ (0.05,0) [0|0] "V"', Special.UNCHANGED),
        ("OWN_COMMAND", '0|2@1+ (1,0) [0|0] ""', Special.UNCHANGED),
        ("OWN_COMMAND", '0|1@1+ (1,0) [0|0] ""', Special.NONE),
        ("OWN_COMMAND", '0|8@1- (1,0) [0|0] ""', Special.NONE),
    ],
)
def test_special_codes_where_a_file_says_nothing(own, name, field, special):
    """All ones are no data where there is a unit or a scale, unchanged in a command; nothing else is special."""
    found = only_field(own(dbc(name=name, fields=f" SG_ level : {field} any\n")))
    assert found.special is special


WORDS = 'ENUM "published","memory","unsure"'


def test_one_origin_of_a_field_counts_for_name_layout_and_codes(own):
    """A file may state one grade for all three, as our files did formerly, or each apart; the nearer one counts."""
    define = f'BA_DEF_ SG_ "Origin" {WORDS};\nBA_DEF_ SG_ "CodesGrade" {WORDS};\nBA_ "Origin" SG_ {OWN} level 0;\n'
    field = only_field(own(dbc(more=define)))
    assert field.grades == Grades(Origin.PUBLISHED, Origin.PUBLISHED, Origin.PUBLISHED)
    field = only_field(own(dbc(more=define + f'BA_ "CodesGrade" SG_ {OWN} level 2;\n')))
    assert field.grades == Grades(Origin.PUBLISHED, Origin.PUBLISHED, Origin.UNSURE)


def test_three_grades_and_those_of_single_codes(own):
    """Name, layout and codes are graded apart, and so is a single code."""
    define = "".join(f'BA_DEF_ SG_ "{name}" {WORDS};\n' for name in ("NameGrade", "LayoutGrade", "CodesGrade"))
    stated = "".join(
        f'BA_ "{name}" SG_ {OWN} level {place};\n'
        for place, name in enumerate(("NameGrade", "LayoutGrade", "CodesGrade"))
    )
    single = f'BA_DEF_ SG_ "CodeGrades" STRING ;\nBA_ "CodeGrades" SG_ {OWN} level "0=published; 12=memory";\n'
    field = only_field(own(dbc(more=define + stated + single)))
    assert field.grades == Grades(name=Origin.PUBLISHED, layout=Origin.MEMORY, codes=Origin.UNSURE)
    assert field.code_grades == {0: Origin.PUBLISHED, 12: Origin.MEMORY}
    assert [field.code_grade(raw) for raw in (0, 1, 12)] == [Origin.PUBLISHED, Origin.UNSURE, Origin.MEMORY]


def test_codes_that_mean_trouble(own):
    """Each alarming code has its severity; the claim is the user's where the file does not grade it."""
    field = only_field(own(stating("AlarmCodes", "1=fault;2=warning;3=notice")))
    assert field.alarms == {
        1: Alarm(AlarmSeverity.FAULT, Origin.USER),
        2: Alarm(AlarmSeverity.WARNING, Origin.USER),
        3: Alarm(AlarmSeverity.NOTICE, Origin.USER),
    }
    graded = f'BA_DEF_ SG_ "AlarmGrade" {WORDS};\nBA_ "AlarmGrade" SG_ {OWN} level 1;\n'
    field = only_field(own(stating("AlarmCodes", "1=fault") + graded))
    assert field.alarms == {1: Alarm(AlarmSeverity.FAULT, Origin.MEMORY)}


def test_fields_that_move_along(own):
    """Neighbours are named by message and field."""
    field = only_field(own(stating("MovesWith", "DC_SOURCE_STATUS_1.dc_voltage, OTHER_STATUS.level")))
    assert field.moves_with == ("DC_SOURCE_STATUS_1.dc_voltage", "OTHER_STATUS.level")


LIST = "CODE=WORD;CODE=WORD, each word one of"


@pytest.mark.parametrize(
    ("name", "text", "line"),
    [
        ("CodeGrades", "0=sure", f"has 0=sure: write {LIST} published, memory, unsure, user"),
        ("CodeGrades", "x=memory", f"has x=memory: write {LIST} published, memory, unsure, user"),
        ("AlarmCodes", "1=alarm", f"has 1=alarm: write {LIST} notice, warning, fault"),
        ("AlarmCodes", "1", f"has 1: write {LIST} notice, warning, fault"),
        ("AlarmCodes", "-1=fault", f"has -1=fault: write {LIST} notice, warning, fault"),
        ("AlarmCodes", "255=fault;256=fault", "has code 256, which does not fit: the field has 8 bits"),
        ("AlarmCodes", "1=fault;01=notice", "has code 1 twice: keep one of them"),
        ("MovesWith", "dc_voltage", "has dc_voltage: write MESSAGE.field, MESSAGE.field"),
    ],
)  # fmt: skip
def test_lists_in_attributes_that_cannot_be_read(own, tmp_path, name, text, line):
    """One line says which part of the list is wrong and how it is written."""
    with pytest.raises(InputError) as caught:
        own(stating(name, text))
    assert caught.value.problems == (
        f"{tmp_path / 'a.dbc'}: message OWN_STATUS: signal level: attribute {name} {line}",
    )
