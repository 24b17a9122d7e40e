"""A TOML file is read or refused with one line, and the line of each of its keys is found."""

import sys
import tomllib
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.rig.toml_file import TomlFile, read_toml


@pytest.fixture
def written(tmp_path):
    """Return a function that writes a file and returns its path."""

    def write(text):
        path = tmp_path / "x.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def refused(path):
    """Return the one line with which a file is refused, without the folder."""
    with pytest.raises(InputError) as error:
        read_toml(path)
    (line,) = error.value.problems
    return line.removeprefix(f"{path.parent}/")


TAKEN = "this name is taken already; write it once, or each table of a list as [[device]]"
ENDS = "the line should end here; put text into quotes, and each key on a line of its own"
OPEN_TEXT = "a text is not closed on its line; add the missing quote"


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("a = on", 1, 5, 'this is not a value: text needs quotes, "like this"; write true and false, not yes and no'),
        ("a = 1\na = 2\n", 2, 6, TAKEN),
        ("[a]\n[[a]]", 2, 4, TAKEN),
        ("a=[1]\n[[a]]", 2, 4, TAKEN),
        ("a = {b=1,b=2}", 1, 13, "this key has a value already; write it once"),
        ("[a]\n[a]", 2, 3, "this table exists already; write its header once, or two brackets for a list: [[device]]"),
        ("[a.b]\n[a]\nb.c=1", 3, 6, "this table is complete already; add to it where it is defined"),
        ("a 1", 1, 3, "a key needs an equals sign and a value: key = value"),
        ("a = 20s", 1, 7, ENDS),
        ("a = 12:30", 1, 7, ENDS),
        ("[[a]", 1, 4, "the header is not closed; write two brackets on each side: [[device]]"),
        ("[a", 1, 3, "the header is not closed; write [table]"),
        ('\na = "x', 2, 7, "a text is not closed; add the missing quote"),
        ('a = "x\n"', 1, 7, OPEN_TEXT),
        ("a = 'x\n'", 1, 7, OPEN_TEXT),
        ("a = [1, 2", 1, 10, "a list is not closed, or a comma is missing in it; write [1, 2]"),
        ("a = {b = 1", 1, 11, "a table in braces is not closed on its line; write { key = 1 }"),
        (r'a = "\q"', 1, 8, r"a backslash in a text in quotes must be doubled; write \\ or use single quotes"),
        ("= 1", 1, 1, "a key cannot begin here; write key = value or a header [table]"),
        ("a. = 1", 1, 4, "a key is missing or needs quotes; write letters, digits, _ and -"),
        (r'a = "\ud800"', 1, 12, "not TOML: Escaped character is not a Unicode scalar value; correct it"),
    ],
)
def test_broken_toml_is_reported_with_line_and_column(written, text, line, column, words):
    """What the TOML reader refuses is said in plain words, at its line and column."""
    assert refused(written(text)) == f"x.toml, line {line}, column {column}: {words}"


def test_numbers_and_nesting_beyond_all_use_are_refused(written):
    """What the TOML reader itself cannot take is one clear line too."""
    assert refused(written("a = " + "9" * 5000)) == "x.toml: a number has too many digits; write a smaller one"
    deep = "[" * sys.getrecursionlimit() + "]" * sys.getrecursionlimit()
    assert refused(written(f"a = {deep}")) == "x.toml: lists or tables are nested too deeply; use fewer levels"


def test_a_file_that_cannot_be_read_is_named(tmp_path, written, monkeypatch):
    """Missing, a folder, too large, not UTF-8, not allowed: each says what to do."""
    assert refused(tmp_path / "y.toml") == f'there is no file "{tmp_path}/y.toml"; check its name and folder'
    assert refused(tmp_path / "\0.toml") == f'there is no file "{tmp_path}/\\x00.toml"; check its name and folder'
    (tmp_path / "z.toml").mkdir()
    assert refused(tmp_path / "z.toml") == "z.toml is a folder; name a .toml file in it"
    latin = "x.toml, line 2: byte F6 hex is not UTF-8; save the file as UTF-8 text"
    assert refused(written(b"a = 1\nb = '\xf6'")) == refused(written(b"\n\xf6")) == latin
    too_large = "x.toml is larger than 1 MiB, which no rig or scenario is; name another file"
    assert refused(written("#" * (1 << 20) + "\n")) == too_large
    path = written("#" * (1 << 20))
    assert read_toml(path).data == {}
    monkeypatch.setattr("pathlib.Path.open", _not_allowed)
    assert refused(path) == f'"{path}" cannot be read (Permission denied); check its name and permissions'


def _not_allowed(*_):
    raise PermissionError(13, "Permission denied")


def test_editors_marks_and_line_ends_do_not_matter(written):
    """A mark at the start of the file and carriage returns, as some editors write them, change nothing."""
    file = read_toml(written(b"\xef\xbb\xbfa = 1\r\n[b]\r\nc = 2\r\n"))
    assert file.data == {"a": 1, "b": {"c": 2}}
    assert (file.line(("a",)), file.line(("b", "c"))) == (1, 3)


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("[b]", {("b",): 1}),
        ("[[b]]", {("b",): 1, ("b", 0): 1}),
        ("[b]\n[c]", {("b",): 1, ("c",): 2}),
        ("[[b]]\n[[b.c]]\n[[b]]\n[[b.c]]\n[b.c.d]", {
            ("b",): 1, ("b", 0): 1, ("b", 0, "c"): 2, ("b", 0, "c", 0): 2,
            ("b", 1): 3, ("b", 1, "c"): 4, ("b", 1, "c", 0): 4, ("b", 1, "c", 0, "d"): 5,
        }),
        ("a.b = [[], {}, {c = {}}]", {
            ("a",): 1, ("a", "b"): 1, ("a", "b", 0): 1, ("a", "b", 1): 1, ("a", "b", 2): 1, ("a", "b", 2, "c"): 1,
        }),
    ],
)  # fmt: skip
def test_headers_and_empty_values_have_their_lines(written, text, lines):
    """A header first or last in a file, lists of tables within lists of tables, and values with nothing in them."""
    assert read_toml(written(text)).lines == lines


def test_lines_are_kept_down_to_a_depth(written):
    """What stands deeper than any rig goes has the line of what is around it."""
    file = read_toml(written("a = " + "[\n" * 30 + "1" + "]" * 30))
    assert file.line(("a", *[0] * 15)) == 16
    assert file.line(("a", *[0] * 16)) == 16


def test_a_file_says_where_something_stands(written):
    """By the line of the key, or of the table around it, and without a line where there is neither."""
    file = read_toml(written("a = 1\n[b]\nc = 2\n"))
    assert file.where(("b", "c"), "in c", "here") == f"{file.path}, line 3, in c, here"
    assert file.where(("b", "d", 3)) == f"{file.path}, line 2"
    assert file.where(("d",)) == str(file.path)
    assert file.line(("d",)) == 0
    with pytest.raises(FrozenInstanceError):
        file.text = ""  # type: ignore[misc]


KEYS = st.sampled_from(["a", "b-1", "_", '"a b"', "'c.d'", '"\\u00e9]"', '"="', "7"])
WORDS = [
    "1",
    "-1.5e3",
    "true",
    "0x1F",
    "12:30:00",
    "1979-05-27 07:32:00",
    r'"#]\""',
    "'{'",
    "'a [b'",
    '"""\n[a]\n"]\n"""',
    "''''x\n=''''",
]
VALUES = st.recursive(st.sampled_from(WORDS), lambda inner: st.lists(inner, max_size=3), max_leaves=6)


class Writer:
    """Writes TOML and notes the line on which each key and item begins."""

    def __init__(self, draw):
        self.draw, self.text, self.lines, self.place = draw, "", {}, ()

    def note(self, *place):
        """Note what is written next."""
        self.lines.setdefault(place, self.text.count("\n") + 1)

    def value(self, value, place):
        """Write a value: a word, or a list, on one line or several; or in braces."""
        self.note(*place)
        if isinstance(value, str):
            self.text += value
            return
        self.text += "["
        for number, item in enumerate(value):
            self.text += self.draw(st.sampled_from(["", "\n  ", " # [comment,\n"]))
            self.value(item, (*place, number))
            self.text += self.draw(st.sampled_from([",", " ,", ", "]))
        self.text += "]"

    def pairs(self, table, separator, end):
        """Write up to three keys with values below a table."""
        keys = self.draw(st.lists(KEYS, max_size=3, unique_by=lambda key: key))
        for number, key in enumerate(keys):
            self.text += separator if number else ""
            name = tomllib.loads(f"k = {key}")["k"] if key[0] in "\"'" else key
            self.note(*table, name)
            self.text += f"{key} = "
            if separator == "\n" and self.draw(st.booleans()):
                self.text += "{ "
                self.pairs((*table, name), ", ", " ")
                self.text += "}"
            else:
                self.value(self.draw(VALUES), (*table, name))
        self.text += end


@given(st.data())
def test_every_key_is_found_on_its_line(data):
    """Keys, tables, items of lists, in whatever way they are written, on the line where they were written."""
    writer = Writer(data.draw)
    writer.pairs((), "\n", "\n")
    for number in range(data.draw(st.integers(0, 3))):
        writer.note("t")
        writer.note("t", number)
        writer.text += "[[ t ]] # one more\r\n"
        writer.pairs(("t", number), "\n", "\n")
        for name in data.draw(st.sets(st.sampled_from(["u", "v"]))):
            writer.note("t", number, f"{name}.", "w")
            writer.note("t", number, f"{name}.")
            writer.text += f'[t."{name}.".w]\n'
            writer.pairs(("t", number, f"{name}.", "w"), "\n", "\n")
    file = TomlFile(None, writer.text, tomllib.loads(writer.text))
    assert dict(file.lines) == writer.lines
