"""rvsim.wire.database: the cache of compiled definitions, which changes only the loading time."""

import hashlib
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from rvsim.shipped import dbc_files, dbc_folder
from rvsim.wire import database, definition_cache
from rvsim.wire.database import load_catalogue

OWN = """VERSION ""

BU_: any

BO_ 2583625982 OWN_STATUS: 8 any
 SG_ level : 0|8@1+ (1,0) [0|250] "" any
"""


@pytest.fixture
def cache(tmp_path):
    """Give a cache folder that does not exist yet."""
    return tmp_path / "cache" / "rvsim"


@pytest.fixture
def few(monkeypatch):
    """Ship one file only: compiling all of them takes long."""
    monkeypatch.setattr("rvsim.shipped.dbc_files", lambda: [dbc_folder() / "water.dbc"])


@pytest.fixture
def own(tmp_path, cache):
    """Load the shipped definitions and the given text as a file of the user's own."""

    def load_text(text=OWN, name="a.dbc"):
        (tmp_path / name).write_text(text, encoding="ascii")
        return load_catalogue([tmp_path / name], cache)

    return load_text


def entries(cache):
    """Return the files in the cache."""
    return sorted(cache.iterdir())


def plain(catalogue):
    """Return all that a catalogue knows."""
    return list(catalogue)


def test_a_second_load_reads_no_definition(own, cache, monkeypatch):
    """Once compiled, the definitions come from the cache."""
    first = own()
    monkeypatch.setattr(database, "_compile", None)
    assert plain(own()) == plain(first)
    assert len(entries(cache)) == len(dbc_files()) + 1


def test_a_second_load_does_without_cantools(cache):
    """A process that finds the cache filled imports neither cantools nor its parser."""
    load_catalogue((), cache)
    script = (
        "import pathlib, sys; from rvsim.wire.database import load_catalogue; "
        "names = load_catalogue((), pathlib.Path(sys.argv[1])).names; "
        "print(len(names), sorted({'cantools', 'textparser'} & set(sys.modules)))"
    )
    path = os.pathsep.join(item for item in sys.path if item)
    done = subprocess.run(
        [sys.executable, "-c", script, str(cache)],
        capture_output=True, text=True, check=True, env=os.environ | {"PYTHONPATH": path},
    )  # fmt: skip
    assert done.stdout.strip() == f"{len(load_catalogue((), cache))} []"


@pytest.mark.usefixtures("few")
def test_a_file_that_changed_is_read_again(own):
    """The cache goes by the content, not by the name."""
    assert own().by_name("OWN_STATUS").length == 8
    assert own(OWN.replace("8 any", "7 any")).by_name("OWN_STATUS").length == 7


@pytest.mark.usefixtures("few")
def test_one_content_under_two_names_names_each(own, tmp_path):
    """A message says from which file it came, though the cache does not know."""
    for name in ("a.dbc", "b.dbc"):
        assert own(name=name).by_name("OWN_STATUS").file == str(tmp_path / name)


def signed_again(body):
    """Give a content that no version has written the digest that this version would."""
    return definition_cache._digest(body) + b"\n" + body


@pytest.mark.parametrize(
    "odd",
    [
        b"",
        b"\n",
        b"\x00\xff\x80",
        b'{"messages": 5}',
        b'{"messages": [{"name": "X"}]}',
        b"[]",
        b"null",
        b'"' + b"0" * 64 + b'"\n[]',
        b"0" * 64 + b'\n[{"name": "X", "dgn": 1}]',
        b"[" * 100_000,
        lambda whole: whole[:-1],
        lambda whole: whole[: len(whole) // 2],
        lambda whole: whole.replace(b'"scale": 1', b'"scale": 2'),
        lambda whole: whole.partition(b"\n")[2],
        lambda whole: whole + b" ",
        lambda whole: signed_again(b'{"messages": [[1, "X"]], "left_out": []}'),
        lambda whole: signed_again(b'{"messages": 5, "left_out": []}'),
        lambda whole: signed_again(b'{"messages": []}'),
        lambda whole: signed_again(b"[]"),
        lambda whole: signed_again(b"\xff\xfe"),
        lambda whole: signed_again(b"[" * 100_000),
        lambda whole: (
            hashlib.sha256(whole.partition(b"\n")[2]).hexdigest().encode() + b"\n" + whole.partition(b"\n")[2]
        ),
    ],
    ids=lambda odd: "changed" if callable(odd) else repr(odd[:20]),
)
@pytest.mark.usefixtures("few")
def test_anything_odd_in_the_cache_is_read_again_and_written_anew(own, cache, odd):
    """A cache that is cut short, altered or of another shape changes no answer."""
    first = own()
    whole = {path: path.read_bytes() for path in entries(cache)}
    for path, content in whole.items():
        path.write_bytes(odd(content) if callable(odd) else odd)
    assert plain(own()) == plain(first)
    assert {path: path.read_bytes() for path in entries(cache)} == whole


def test_the_cache_is_plain_data(own, cache):
    """Each file is a digest, a line of JSON with numbers and names, and a line of JSON for each message."""
    own()
    for path in entries(cache):
        digest, *body = path.read_text(encoding="ascii").split("\n")
        assert re.fullmatch("[0-9a-f]{64}", digest)
        heads, *messages = map(json.loads, body)
        assert heads == {
            "messages": [[message["dgn"], message["name"]] for message in messages],
            "left_out": [],
        }
        assert all("fields" in message for message in messages)


@pytest.mark.usefixtures("few")
@pytest.mark.parametrize("kind", ["file", "entries"])
def test_a_cache_that_cannot_be_written_costs_nothing_but_time(own, cache, tmp_path, kind):
    """A file where the folder should be, or folders where the files should be, change no answer."""
    if kind == "file":
        (tmp_path / "cache").write_text("", encoding="ascii")
    else:
        own()
        for path in entries(cache):
            path.unlink()
            (path / "full").mkdir(parents=True)
        before = entries(cache)
    assert own().by_name("OWN_STATUS").length == 8
    if kind == "entries":
        assert entries(cache) == before


@pytest.mark.usefixtures("few")
def test_a_read_only_cache_folder(own, cache, monkeypatch):
    """Without the right to write nothing is kept, and nothing is said."""

    def refuse(*args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "mkdtemp", refuse)
    assert own().by_name("OWN_STATUS").length == 8
    assert entries(cache) == []


def test_the_cache_is_the_users_cache_folder(own, monkeypatch, tmp_path):
    """Without a folder being named, the system's own place for caches is used."""
    monkeypatch.setattr("platformdirs.user_cache_path", lambda name, appauthor: tmp_path / f"user-{name}-{appauthor}")
    load_catalogue()
    assert len(entries(tmp_path / "user-rvsim-False")) == len(dbc_files())


@pytest.mark.usefixtures("few")
def test_another_version_of_the_readers_is_another_cache(own, cache, monkeypatch):
    """What older code has written is written anew, without anybody counting a number up."""
    first = own()
    before = {path: path.read_bytes() for path in entries(cache)}
    monkeypatch.setattr(definition_cache, "_code_digest", lambda: b"older")
    for path in before:
        assert definition_cache.load_lines(path) is None
    assert plain(own()) == plain(first)
    assert all(path.read_bytes() != content for path, content in before.items())


@pytest.mark.usefixtures("few")
def test_a_cache_that_cannot_be_read(own, cache, monkeypatch):
    """Without the right to read the files they are as good as none."""
    first = own()
    read = Path.read_bytes

    def refuse(path):
        if path.parent == cache:
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert plain(own()) == plain(first)


@pytest.mark.usefixtures("few")
def test_what_is_left_out_is_told_from_the_cache_too(own):
    """A second load says the same of the messages that cannot be used."""
    text = OWN + OWN.replace("2583625982 OWN_STATUS", "2583626238 LONG_STATUS").partition("BU_: any")[2].replace(
        ": 8", ": 9"
    )
    (head, line) = own(text).left_out
    assert head.endswith("a.dbc: 1 of 2 messages is left out; the others are used")
    assert line.endswith("a.dbc: left out: message LONG_STATUS has 9 bytes: a frame holds 1 to 8")
    assert own(text).left_out == (head, line)
