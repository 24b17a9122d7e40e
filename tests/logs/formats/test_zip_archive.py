"""Logs in zip archives: which file is the log, archives that are cut off or damaged, pipes."""

import gzip
import io
import os
import random
import threading
import zipfile
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.logs.read import open_log

rng = random.Random(8)
LINES = [f"({i}.000000) can0 19FFE45E#{rng.getrandbits(64):016X}\n".encode() for i in range(1500)]
LOG = b"".join(LINES)
PICTURE = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
NO_LOG = {"read me.txt": b"Dear support,\nplease find attached\n", "van.png": PICTURE}


def packed(files, method=zipfile.ZIP_DEFLATED):
    """Return an archive of files."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", method) as archive:
        archive.mkdir("logs")
        for name, data in files.items():
            archive.writestr(name, data)
    return content.getvalue()


def read(content):
    """Return kind, frames and statistics of a log."""
    with open_log(io.BytesIO(content), "mail.zip") as log:
        frames = list(log.frames())
        return log.kind, frames, log.statistics


FRAMES = read(LOG)[1]


def refusal(content):
    """Return the line that refuses an archive."""
    with pytest.raises(InputError) as refused:
        read(content)
    assert len(refused.value.problems) == 1
    return str(refused.value)


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2])
def test_the_log_beside_a_picture_is_read(method):
    """A mail's archive has a readme and a picture too; only one file is a log, and it is named."""
    kind, frames, found = read(packed({**NO_LOG, "logs/trip.log": LOG}, method))
    assert (kind, frames) == ("candump text, zip (logs/trip.log)", FRAMES)
    assert (found.unreadable, found.frames) == ((), 1500)


def test_a_packed_log_and_an_archive_in_an_archive():
    """They are unpacked until there is a log."""
    assert read(packed({**NO_LOG, "trip.log.gz": gzip.compress(LOG)}))[:2] == (
        "candump text, zip (trip.log.gz), gzip", FRAMES
    )  # fmt: skip
    inner = packed({**NO_LOG, "trip.log": LOG})
    assert read(packed({"a.png": PICTURE, "inner.zip": inner}))[:2] == (
        "candump text, zip (inner.zip), zip (trip.log)", FRAMES
    )  # fmt: skip
    assert read(gzip.compress(inner))[:2] == ("candump text, gzip, zip (trip.log)", FRAMES)


def test_several_logs_are_named():
    """The line says how to choose one."""
    assert refusal(packed({**NO_LOG, "a.log": LOG, "logs/b.log": LINES[0]})) == (
        "mail.zip: it has 2 logs: a.log, logs/b.log: name one, as in mail.zip/a.log"
    )
    many = refusal(packed({f"{n}.log": LINES[0] for n in range(20)}))
    assert "it has 20 logs: 0.log, 1.log, 2.log, 3.log, 4.log, 5.log, 6.log, 7.log and 12 more: name one" in many


def test_a_file_of_an_archive_is_named_behind_it(tmp_path):
    """By its whole name or by its end; in an archive in an archive too."""
    path = tmp_path / "mail.zip"
    path.write_bytes(packed({"a.log": LOG, "logs/b.log": LINES[0], "c.zip": packed({"d/e.log": b"".join(LINES[:7])})}))
    for name, count in (("a.log", 1500), ("logs/b.log", 1), ("b.log", 1), ("c.zip/d/e.log", 7), ("c.zip", 7)):
        with open_log(path / name) as log:
            assert len(list(log.frames())) == count
            assert log.name == str(path / name)
    for name, line in (
        ("x.log", f"{path}/x.log: no such file in the archive; it has a.log, logs/b.log, c.zip"),
        ("a.log/x", f"{path}/a.log: not a zip archive, so there is no x in it: leave /x out"),
        ("c.zip/x", f"{path}/c.zip/x: no such file in the archive; it has d/e.log"),
    ):
        with pytest.raises(InputError) as refused:
            open_log(path / name)
        assert str(refused.value) == line.replace("/", os.sep) or str(refused.value) == line


def test_a_path_into_something_else_is_no_archive(tmp_path):
    """Only a zip archive has files in it."""
    (tmp_path / "x.gz").write_bytes(gzip.compress(LOG))
    with pytest.raises(InputError, match=r"x\.gz.trip: (cannot be read|no such file)"):
        open_log(tmp_path / "x.gz" / "trip")
    with pytest.raises(InputError, match="no such file: check the name"):
        open_log(tmp_path / "missing.zip" / "trip")


def test_an_archive_without_a_log():
    """What it has is named; the only file of an archive is told as a log that is not known."""
    assert refusal(packed(NO_LOG)) == ("mail.zip: none of its files is a log of a known format: read me.txt, van.png")
    assert refusal(packed({"a.txt": b"hello\n"})).startswith("mail.zip/a.txt: not a log of a known format: give one of")
    assert refusal(packed({})) == "mail.zip: a zip archive without files: ask for it again"
    assert read(packed({"a.log": b""}))[:2] == ("empty, zip (a.log)", [])
    assert "more than 1000 files in it: name the log, as in mail.zip/0.log" in refusal(
        packed({f"{n}.log": b"" for n in range(1001)})
    )


def locked(content):
    """Mark all files of an archive as encrypted, in both places."""
    content = bytearray(content)
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = content.find(mark)
        while at >= 0:
            content[at + place] |= 1
            at = content.find(mark, at + 1)
    return bytes(content)


def test_an_encrypted_archive_is_one_clear_line():
    """It names the file, and what to do."""
    assert refusal(locked(packed({"trip.log": LOG}))) == (
        "mail.zip/trip.log: encrypted: unpack it with its password first, then name the log"
    )
    assert refusal(locked(packed({"trip.log": LOG, "a.txt": b"x"}))).startswith("mail.zip/trip.log: encrypted")


def test_an_unknown_method_is_one_clear_line():
    """Such as that of other packers."""
    content = bytearray(packed({"trip.log": LOG}))
    for mark, place in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        content[content.find(b"trip.log", content.find(mark)) - (30 if place == 8 else 46) + place] = 93
    assert refusal(bytes(content)) == (
        "mail.zip/trip.log: packed with a method of zip (number 93) that cannot be read: unpack it first"
    )


class Pipe(io.RawIOBase):
    """A file that cannot go back: then sizes are written behind each file."""

    def __init__(self, content):
        self.content = content

    def writable(self):
        """Tell that it can be written."""
        return True

    def write(self, data):
        """Write on."""
        return self.content.write(data)


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_a_log_before_the_file_that_is_cut(method):
    """It is whole, though its size is written behind it; names may be in UTF-8."""
    content = io.BytesIO()
    with zipfile.ZipFile(Pipe(content), "w", method) as archive:
        archive.writestr("Fährt nicht.log", LOG)
        archive.writestr("van.png", PICTURE * 10)
    whole = content.getvalue()
    kind, frames, found = read(whole[: whole.find(b"PK\x01\x02") - 100])
    assert (kind, frames) == ("candump text, zip (Fährt nicht.log)", FRAMES)
    assert [why for _, why in found.unreadable] == ["the zip file is cut off"]


def test_a_log_that_expands_a_lot():
    """All of it comes out, also what is left when the last packed byte was read."""
    for count in (10_000, 20_001, 33_333):
        _, frames, found = read(packed({"trip.log": LINES[0] * count}))
        assert (len(frames), found.unreadable) == (count, ())


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("streamed", [False, True])
@given(part=st.floats(0, 1))
def test_an_archive_that_is_cut_off_gives_what_it_holds(method, streamed, part):
    """Without the directory at its end, files are found by the headers before them."""
    content = io.BytesIO()
    with zipfile.ZipFile(Pipe(content) if streamed else content, "w", method) as archive:
        archive.writestr("van.png", PICTURE)
        archive.writestr("trip.log", LOG)
    whole = content.getvalue()
    end = whole.find(b"PK\x01\x02")
    start = whole.find(b"trip.log") + 200
    kept = whole[: start + round(part * (end - start))]
    _, frames, found = read(kept)
    assert frames == FRAMES[: len(frames)]
    assert len(frames) >= len(FRAMES) * (len(kept) - start - 200) / (end - start) - 300
    if not (streamed and method == zipfile.ZIP_STORED):  # there nothing tells the end of the file
        assert [why for _, why in found.unreadable] == ["the zip file is cut off"]


def test_an_archive_cut_off_before_its_first_file():
    """Nothing is in it; a name that is too long for one is damage."""
    for content in (packed({"trip.log": LOG})[:20], packed({"x" * 2000: LOG})[:-50]):
        assert refusal(content) == "mail.zip: a zip archive cut off before its first file: ask for it again"


@given(changes=st.lists(st.tuples(st.integers(4, 40_000), st.integers(1, 255)), max_size=6), cut=st.integers(0, 40_000))
def test_no_damage_of_an_archive_raises(changes, cut):
    """Every byte may be changed, and the end may be missing: what is read is told as damaged, or refused in a line."""
    content = bytearray(packed({**NO_LOG, "trip.log": LOG}))
    for place, flip in changes:
        content[place % (len(content) - 4) + 4] ^= flip
    with suppress(InputError):
        _, frames, found = read(bytes(content[: len(content) - cut % len(content)]))
        assert frames == FRAMES or found.unreadable_count or not frames


def test_a_wrong_checksum_is_told():
    """All frames are there, and may be wrong."""
    content = bytearray(packed({"trip.log": LOG}, zipfile.ZIP_STORED))
    place = content.find(LINES[10]) + 40
    content[place] = content[place] ^ 1
    _, frames, found = read(bytes(content))
    assert len(frames) >= 1499
    assert found.unreadable[-1][1] == "the zip file is damaged: the entries shortly before may be wrong"


def test_an_archive_through_a_pipe():
    """It is copied, since its directory is at its end; nothing of the copy is left open."""
    out, into = os.pipe()
    content = packed({**NO_LOG, "trip.log": LOG})
    with os.fdopen(out, "rb") as reader:

        def write():
            with os.fdopen(into, "wb") as file:
                file.write(content)

        writer = threading.Thread(target=write)
        writer.start()
        with open_log(reader) as log:
            assert list(log.frames()) == FRAMES
        writer.join()


def test_control_characters_in_a_name_are_not_printed():
    """The name of a file in an archive is shown on a terminal."""
    assert read(packed({"\x1b[31mtrip.log": LINES[0]}))[0] == r"candump text, zip (\u001b[31mtrip.log)"
