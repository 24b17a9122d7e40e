"""Sums times that are steps from line to line, in columns, as ``formats.delta_times`` does one by one.

Knows: which entries decide whether times are steps. Does not know formats.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain

from rvsim.logs.columns_read.entry_columns import UNTIMED, EntryColumns
from rvsim.logs.formats.delta_times import MAX_DELTA_US, MAX_DETECTION_ENTRIES, are_time_deltas


def with_absolute_columns(batches: Iterator[EntryColumns]) -> tuple[bool, Iterator[EntryColumns]]:
    """Return whether the times of a text log are steps from line to line, and its entries, with times summed if so."""
    head: list[EntryColumns] = []
    times: list[int] = []
    for entries in batches:
        head.append(entries)
        first = entries.times[entries.places <= MAX_DETECTION_ENTRIES]
        times += first[first != UNTIMED].tolist()
        if entries.end >= MAX_DETECTION_ENTRIES or (times and max(times) > MAX_DELTA_US):
            break
    is_delta = are_time_deltas(times)
    everything = chain(head, batches)
    return is_delta, _summed(everything) if is_delta else everything


def _summed(batches: Iterator[EntryColumns]) -> Iterator[EntryColumns]:
    import numpy as np

    now = 0
    for entries in batches:
        timed = entries.times != UNTIMED
        times = now + np.cumsum(np.where(timed, np.maximum(entries.times, 0), 0))
        now = int(times[-1]) if len(times) else now
        yield replace(entries, times=np.where(timed, times, UNTIMED))
