"""Where tables go: complete under their own names, or not there at all; nothing is replaced unasked."""

import gc
import os
import sys
from collections import Counter
from functools import partial
from pathlib import Path
from threading import Barrier
from types import SimpleNamespace

import numpy as np
import pytest

from rvsim.errors import InputError
from rvsim.logs.export import destination
from rvsim.logs.export.destination import Destination
from rvsim.logs.export.table import ColumnKind, Integers, Table, TableColumn, TableRows, integer_list

pytestmark = pytest.mark.paced

TABLE = Table("one", (TableColumn("n", ColumnKind.INTEGER),))
ROWS = TableRows(2, {"n": integer_list((1, 2))})


def place(path, form="csv", **options):
    """Return a destination."""
    return Destination(path, form, **{"is_folder": False, "overwrite": False, **options})


def names(folder):
    """Return the names of everything under a folder."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def test_a_file_has_its_name_when_it_is_complete(tmp_path):
    """Before that there is only a hidden file beside it."""
    path = tmp_path / "x.csv"
    with place(path) as open_place:
        open_place.write(TABLE, ROWS)
        assert not path.exists()
        assert len(names(tmp_path)) == 1
    assert names(tmp_path) == ["x.csv"]
    assert path.read_text() == "n\n1\n2\n"
    assert open_place.written == {"one": 2}


@pytest.fixture
def collect():
    """Give what collects the garbage of a test; all that was there before is passed over, which takes a second."""
    gc.freeze()
    yield gc.collect
    gc.unfreeze()


@pytest.mark.parametrize("error", [InputError("no"), KeyboardInterrupt(), ZeroDivisionError()])
@pytest.mark.parametrize("is_folder", [False, True])
@pytest.mark.parametrize("form", ["csv", "parquet", "arrow"])
@pytest.mark.parametrize("has_rows", [False, True])
def test_nothing_is_left_of_what_is_not_complete(tmp_path, collect, error, is_folder, form, has_rows):
    """After any error, and after Ctrl-C, even when the writer is freed; what was there before is as it was."""
    path = tmp_path / "x"
    if is_folder:
        path.mkdir()
        (path / f"one.{form}").write_text("old")
    else:
        path.write_text("old")
    before = names(tmp_path)

    def fail():
        with place(path, form, is_folder=is_folder, overwrite=True) as open_place:
            open_place.start(TABLE)
            if has_rows:
                open_place.write(TABLE, ROWS)
            raise error

    with pytest.raises(type(error)):
        fail()
    error.__traceback__ = None  # it holds the writer
    collect()
    assert names(tmp_path) == before
    assert (path / f"one.{form}" if is_folder else path).read_text() == "old"


def test_rows_are_not_held_back(tmp_path, monkeypatch):
    """They are in the file after each piece, and within a large piece; so memory does not grow with the tables."""
    sizes = []

    def written():
        return sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file())

    class Large:
        def __init__(self, table, file):
            self.file = file

        def prepare(self, rows):
            return self.write

        def write(self):
            sizes.append(written())
            for _ in range(3):
                self.file.write(bytes(1 << 20))
                sizes.append(written())
            self.file.write(b"x")

        def close(self):
            pass

    monkeypatch.setitem(destination.TABLE_FORMS, "csv", Large)
    with place(tmp_path / "x", is_folder=True) as open_place:
        for _ in range(2):
            open_place.write(TABLE, ROWS)
    assert sizes == [0, *(part << 20 for part in (1, 2, 3)), *((part << 20) + 1 for part in (3, 4, 5, 6))]


@pytest.mark.parametrize(("processors", "at_once"), [(1, 1), (2, 1), (3, 2), (8, 2)])
def test_tables_are_written_at_once(tmp_path, monkeypatch, processors, at_once):
    """Two where a processor is left for the thread that reads, but never a third one, nor pieces of one table."""
    meeting, inside, most = Barrier(at_once), Counter(), []

    class Meeting:
        def __init__(self, table, file):
            self.name = table.name

        def prepare(self, rows):
            return self.write

        def write(self):
            inside[self.name] += 1
            most.append((inside[self.name], inside.total()))
            meeting.wait(30)  # until another table is written, too, where two are
            inside[self.name] -= 1

        def close(self):
            pass

    monkeypatch.setattr(destination, "usable_processors", lambda: processors)
    monkeypatch.setitem(destination.TABLE_FORMS, "csv", Meeting)
    with place(tmp_path / "x", is_folder=True) as open_place:
        for name in ("one", "two", "one", "two", "three", "one"):
            open_place.write(Table(name, TABLE.columns), ROWS)
    assert max(of_one for of_one, _ in most) == 1
    assert max(together for _, together in most) == at_once
    assert open_place.written == {"one": 6, "two": 4, "three": 2}


def test_few_pieces_are_held(tmp_path, monkeypatch):
    """Four wait to be written and one more is prepared, however slowly they are written; of one table, one waits."""
    held: list[str] = []
    most = []

    class Late:
        def __init__(self, _count):
            pass

        def submit(self, write):
            return SimpleNamespace(result=write)

        def shutdown(self):
            pass

    class Held:
        def __init__(self, table, file):
            self.name = table.name

        def prepare(self, rows):
            held.append(self.name)
            most.append((len(held), max(Counter(held).values())))
            return partial(held.remove, self.name)

        def close(self):
            pass

    monkeypatch.setattr(destination, "ThreadPoolExecutor", Late)
    monkeypatch.setitem(destination.TABLE_FORMS, "csv", Held)
    with place(tmp_path / "x", is_folder=True) as open_place:
        for name in ("one", "one", "one", *"abcdefghij", "j"):
            open_place.write(Table(name, TABLE.columns), ROWS)
    assert (max(together for together, _ in most), max(of_one for _, of_one in most)) == (5, 2)
    assert not held


@pytest.mark.parametrize(("usual", "meanwhile"), [(0.005, 0.0002), (0.0001, 0.0001)])
def test_threads_wait_less_for_each_other(tmp_path, usual, meanwhile):
    """While tables are written; afterwards, also after an error, as long as before."""
    before = sys.getswitchinterval()
    seen = []

    def write(error=None):
        with place(tmp_path / "x.csv", overwrite=True) as open_place:
            open_place.start(TABLE)
            seen.append(sys.getswitchinterval())
            if error:
                raise error

    try:
        sys.setswitchinterval(usual)
        write()
        assert (seen, sys.getswitchinterval()) == ([pytest.approx(meanwhile, abs=3e-6)], pytest.approx(usual, abs=3e-6))
        with pytest.raises(ZeroDivisionError):
            write(ZeroDivisionError())
        assert sys.getswitchinterval() == pytest.approx(usual, abs=3e-6)
    finally:
        sys.setswitchinterval(before)


def test_a_folder_of_tables(tmp_path):
    """A file for each table, also in a folder of its own; a table without rows is there too."""
    path = tmp_path / "tables"
    with place(path, "jsonl", is_folder=True) as open_place:
        open_place.start(TABLE)
        open_place.write(Table("two", TABLE.columns), ROWS, "messages")
        assert not path.exists()
    assert names(tmp_path) == [
        "tables", "tables/messages", "tables/messages/two.jsonl", "tables/one.jsonl"
    ]  # fmt: skip
    assert (path / "one.jsonl").read_text() == ""
    assert open_place.written == {"one": 0, "messages/two": 2}


def test_what_is_there_is_not_replaced_unasked(tmp_path):
    """A file, and a folder with anything in it; with ``overwrite`` they are, and other files stay."""
    path = tmp_path / "x.csv"
    path.write_text("old")
    with pytest.raises(InputError, match=r"x\.csv: the file exists.*--overwrite"):
        place(path)
    with pytest.raises(InputError, match=r"the folder is not empty.*--overwrite"):
        place(tmp_path, is_folder=True)
    with place(path, overwrite=True) as open_place:
        open_place.write(TABLE, ROWS)
    with place(tmp_path, is_folder=True, overwrite=True) as open_place:
        open_place.write(TABLE, ROWS)
    assert names(tmp_path) == ["one.csv", "x.csv"]
    assert path.read_text() == "n\n1\n2\n"


def test_an_empty_folder_is_filled(tmp_path):
    """Nothing in it can be lost."""
    path = tmp_path / "tables"
    path.mkdir()
    with place(path, is_folder=True) as open_place:
        open_place.write(TABLE, ROWS)
    assert names(path) == ["one.csv"]


def test_a_file_that_appears_meanwhile_is_kept(tmp_path):
    """Another program may have written it since the start."""
    path = tmp_path / "x.csv"

    def write():
        with place(path) as open_place:
            open_place.write(TABLE, ROWS)
            path.write_text("other")

    with pytest.raises(InputError, match="the file exists"):
        write()
    assert (names(tmp_path), path.read_text()) == (["x.csv"], "other")


def test_a_folder_that_is_filled_meanwhile_is_kept(tmp_path):
    """The same for a folder."""
    path = tmp_path / "tables"

    def write():
        with place(path, is_folder=True) as open_place:
            open_place.write(TABLE, ROWS)
            path.mkdir()
            (path / "one.csv").write_text("other")

    with pytest.raises(InputError, match="the folder is not empty"):
        write()
    assert (names(tmp_path), (path / "one.csv").read_text()) == (["tables", "tables/one.csv"], "other")


def test_a_link_stays_a_link(tmp_path):
    """What it points to is replaced."""
    (tmp_path / "x.csv").write_text("old")
    (tmp_path / "link.csv").symlink_to(tmp_path / "x.csv")
    with place(tmp_path / "link.csv", overwrite=True) as open_place:
        open_place.write(TABLE, ROWS)
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "x.csv").read_text() == "n\n1\n2\n"


@pytest.mark.parametrize(
    ("name", "is_folder", "why"),
    [
        ("gone/x.csv", False, "the folder .*gone is not there"),
        ("gone/tables", True, "the folder .*gone is not there"),
        ("file/x.csv", False, "is not there|cannot be written"),
        ("file", True, "a file: name a folder"),
        ("folder", False, "a folder: name a file in it"),
        ("pipe", False, "not a file"),
        ("x\0.csv", False, "no file can have this name"),
        ("x" * 300, False, "cannot be written"),
    ],
)
def test_a_place_that_cannot_be_written(tmp_path, name, is_folder, why):
    """One clear line before anything is read, even where ``overwrite`` is asked for."""
    (tmp_path / "file").write_text("old")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")

    def write():
        with place(tmp_path / name, is_folder=is_folder, overwrite=True) as open_place:
            open_place.write(TABLE, ROWS)

    with pytest.raises(InputError, match=why) as error:
        write()
    assert len(error.value.problems) == 1
    assert names(tmp_path) == ["file", "folder", "pipe"]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is full")
@pytest.mark.parametrize("form", destination.TABLE_FORMS)
@pytest.mark.parametrize("count", [2, 400_000])
def test_a_full_disk(tmp_path, monkeypatch, collect, form, count):
    """One clear line, and nothing is left, whether it is full at the end of a piece or within it."""
    opened = Path.open
    monkeypatch.setattr(Path, "open", lambda path, mode="r": opened(Path("/dev/full") if mode == "ab" else path, mode))
    rows = TableRows(count, {"n": Integers(np.random.default_rng(1).integers(0, 1 << 60, count))})

    def write():
        with place(tmp_path / "x", form) as open_place:
            open_place.write(TABLE, rows)

    with pytest.raises(InputError, match=r"x: cannot be written \(No space left on device\): free space there"):
        write()
    collect()
    assert names(tmp_path) == []


@pytest.mark.parametrize("form", ["parquet", "arrow"])
def test_without_pyarrow(tmp_path, monkeypatch, form):
    """One clear line says what to install, before anything is read; text needs nothing."""
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(InputError, match=rf"\.{form} needs pyarrow.*rvsim-bench\[export\].*\.csv or \.jsonl"):
        place(tmp_path / "x", form)
    for text in ("csv", "jsonl"):
        with place(tmp_path / text, text) as open_place:
            open_place.write(TABLE, ROWS)
