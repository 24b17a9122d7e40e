"""Logs read in columns, against the same logs read entry by entry."""

import io
from collections.abc import Callable
from pathlib import Path

import pytest

from rvsim.errors import InputError
from rvsim.logs.columns_read import blf_columns, clocked, line_chunks, text_columns
from rvsim.logs.read import Log, open_log
from rvsim.wire.frame import Frame
from rvsim.wire.line_events import LineEvent


@pytest.fixture
def in_small_parts(monkeypatch):
    """Cut logs into small parts, so that a short one meets every border."""

    def cut(size: int) -> None:
        monkeypatch.setattr(line_chunks, "CHUNK_BYTES", 60 * size)
        monkeypatch.setattr(blf_columns, "MAX_CONTENT_BYTES", 60 * size)
        monkeypatch.setattr(text_columns, "MIN_LAYOUT_LINES", 1)
        monkeypatch.setattr(text_columns, "HEAD_LINES", size)
        monkeypatch.setattr(clocked, "MAX_SINGLE_ENTRIES", size)

    return cut


def everything(content: bytes, entries: Callable[[Log], object], *, whole: bool) -> tuple[object, ...] | str:
    """Return what a log has, and all that is counted in it; the message where it is refused."""
    try:
        with open_log(io.BytesIO(content), "given", whole=whole) as log:
            found = entries(log)
            each = [log.statistics_of(channel) for channel in log.channels]
            kinds = [list(one.skipped.items()) for one in (log.statistics, *each)]
            return found, log.statistics, each, kinds, log.channels, log.are_times_summed
    except InputError as why:
        return str(why)


@pytest.fixture
def same():
    """Return what both ways of reading give, after checking that it is the same; by channel, and all counts."""

    def check(content: bytes | Path, most: int = 1 << 16, *, whole: bool = False) -> tuple[object, ...] | str:
        if isinstance(content, Path):
            content = content.read_bytes()

        def one_by_one(log: Log) -> dict[str, list[Frame | LineEvent]]:
            found: dict[str, list[Frame | LineEvent]] = {}
            for channel, entry in log.by_channel():
                found.setdefault(channel, []).append(entry)
            return found

        def in_columns(log: Log) -> dict[str, list[Frame | LineEvent]]:
            found: dict[str, list[Frame | LineEvent]] = {}
            for channel, block in log.blocks(most):
                entries = list(block.entries())
                assert 0 < len(entries) == len(block.frames) + len(block.events) <= most
                found.setdefault(channel, []).extend(entries)
            return found

        expected = everything(content, one_by_one, whole=whole)
        assert everything(content, in_columns, whole=whole) == expected
        return expected

    return check
