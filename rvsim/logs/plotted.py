"""What is drawn of a log over time: its readings, its bus load, and when a source sent nothing.

Knows: which fields are readings, and how blocks of frames become points. Does not know how points are drawn. One pass,
and the memory does not grow with the log (`reduced`).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rvsim.logs.blocks import Block
from rvsim.logs.columns import Columns, frame_bits
from rvsim.logs.decoded import ColumnDecoder, MessageColumns
from rvsim.logs.reduced import MAX_POINTS, IsValue, ReducedSeries
from rvsim.logs.survey import WHOLE_LOG, SurveyedTime
from rvsim.watch.decode import Decoder
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US
from rvsim.watch.transitions import Topic
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Special, State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.timing import BIT_RATE

if TYPE_CHECKING:
    from numpy import intp
    from numpy.typing import NDArray

MAX_PLOTTED_BITS = 32
"""Wider fields are texts, names and parts of them, and are not drawn."""
MAX_GAPS = 500
"""Gaps of a source that are kept, the first ones. Our decision."""
MAX_LOAD_PIECES = 2000
"""Pieces of time for which the bus load is kept. Our decision."""
LOAD_FIELD = FieldSpec("bus_load", 0, 16, decimals=2, unit="%", special=Special.NONE)
"""The bus load as if it were a field: raw integers are hundredths of a percent."""


@dataclass(frozen=True, eq=False)
class SignalSeries:
    """One field of one topic over time."""

    topic: Topic
    field: FieldSpec
    series: ReducedSeries
    stands_until: int | None = None
    """Until when the last reading stands, in microseconds, where the message is sent only as needed: as long as its
    source sends anything. None for a periodic message, whose readings end with the last of them."""

    def points(self) -> tuple[list[int], list[int]]:
        """Return the times and the raw integers of the points, up to the moment until which the last one stands."""
        times, raws = self.series.points()
        if self.stands_until is not None and self.stands_until > times[-1]:
            times.append(self.stands_until)
            raws.append(raws[-1])
        return times, raws

    def state(self, raw: int) -> State:
        """Return the state of an integer of the series."""
        return State.MISSING if raw == missing_code(self.field) else self.field.state(raw)


def missing_code(field: FieldSpec) -> int:
    """Return the integer that stands for a field that a short frame lacks; no raw integer can be the same."""
    return field.all_ones + 1


@dataclass(frozen=True)
class LoadPiece:
    """The bus load in a piece of time from ``start`` on (microseconds): on average, and in its worst whole second."""

    start: int
    average_percent: float
    worst_percent: float


@dataclass(frozen=True, eq=False)
class PlottedChannel:
    """What is drawn of one channel; times in microseconds since the log's start."""

    signals: tuple[SignalSeries, ...] = ()
    load: tuple[LoadPiece, ...] = ()
    load_width_s: int = 1
    """The length of a piece of ``load`` in seconds."""
    gaps: dict[int, list[tuple[int, int]]] | None = None
    """By source address: from when to when nothing came from it, for longer than it takes to be silent."""

    def gaps_of(self, source: int) -> Sequence[tuple[int, int]]:
        """Return from when to when nothing came from a source."""
        return (self.gaps or {}).get(source, ())


def plot_channels(
    blocks: Iterable[tuple[str, Block]],
    catalogue: Catalogue,
    part: SurveyedTime = WHOLE_LOG,
    most: int = MAX_POINTS,
) -> dict[str, PlottedChannel]:
    """Return what is drawn of each channel of a log, by the name of the channel; only the frames of the part count.

    A series has some ``most`` points.
    """
    plotters: dict[str, _ChannelPlotter] = {}
    for channel, block in blocks:
        plotter = plotters.get(channel)
        if plotter is None:
            plotter = plotters[channel] = _ChannelPlotter(catalogue, most)
        plotter.add(_inside(block.frames, part))
    return {channel: plotter.finish() for channel, plotter in plotters.items()}


def load_series(plotted: PlottedChannel) -> SignalSeries:
    """Return the worst second of each piece of time as a series; 0 where there were no frames."""
    width = plotted.load_width_s * SECOND_US
    series = ReducedSeries(lambda _raw: True)
    after = None
    for piece in plotted.load:
        if after is not None and piece.start > after:
            series.add(after, 0)
        series.add(piece.start, round(100 * piece.worst_percent))
        after = piece.start + width
    return SignalSeries(Topic(0, 0, None), LOAD_FIELD, series)


def _inside(frames: Columns, part: SurveyedTime) -> Columns:
    if part is WHOLE_LOG:
        return frames
    start = int(frames.times.searchsorted(part.start))
    end = len(frames) if part.end is None else int(frames.times.searchsorted(part.end, "right"))
    return Columns(
        frames.times[start:end], frames.identifiers[start:end], frames.data[start:end], frames.lengths[start:end]
    )


class _LoadSeries:
    """The bus load by seconds of the log's time, reduced to a bounded number of pieces of equal length."""

    def __init__(self) -> None:
        self.width_s = 1
        self._sums: dict[int, int] = {}
        self._worst: dict[int, int] = {}
        self._second, self._bits = 0, 0

    def add(self, second: int, bits: int) -> None:
        """Add the bits of frames in a second; seconds never go back."""
        if second != self._second:
            self._close()
            self._second, self._bits = second, 0
        self._bits += bits

    def _close(self) -> None:
        if not self._bits:
            return
        piece = self._second // self.width_s
        self._sums[piece] = self._sums.get(piece, 0) + self._bits
        self._worst[piece] = max(self._worst.get(piece, 0), self._bits)
        while len(self._sums) > MAX_LOAD_PIECES:
            self.width_s *= 2
            sums, worst = self._sums, self._worst
            self._sums, self._worst = {}, {}
            for number, bits in sums.items():
                self._sums[number // 2] = self._sums.get(number // 2, 0) + bits
                self._worst[number // 2] = max(self._worst.get(number // 2, 0), worst[number])

    def pieces(self) -> Iterator[LoadPiece]:
        """Yield the pieces in which there were frames; call it once, at the end."""
        self._close()
        whole = BIT_RATE * self.width_s
        for piece, bits in self._sums.items():
            worst = min(100.0, 100 * self._worst[piece] / BIT_RATE)
            yield LoadPiece(piece * self.width_s * SECOND_US, 100 * bits / whole, worst)


class _ChannelPlotter:
    """Collects what is drawn of one channel, block by block."""

    def __init__(self, catalogue: Catalogue, most: int) -> None:
        self._columns, self._decoder, self._most = ColumnDecoder(catalogue), Decoder(catalogue), most
        self._topics: dict[tuple[int, int, int], _TopicSeries] = {}
        """By DGN, source, and the byte that tells topics apart."""
        self._last_heard: dict[int, int] = {}
        self._gaps: dict[int, list[tuple[int, int]]] = {}
        self._load = _LoadSeries()

    def add(self, frames: Columns) -> None:
        """Take in the next frames."""
        if not len(frames):
            return
        self._add_load(frames)
        self._find_gaps(frames)
        for message in self._columns.decode(frames):
            if not message.spec.is_protocol and message.fields:
                self._add_message(message)

    def _add_load(self, frames: Columns) -> None:
        import numpy as np

        seconds, bits = frames.times // SECOND_US, frame_bits(frames)
        starts = np.flatnonzero(np.diff(seconds, prepend=seconds[0] - 1))
        sums = np.add.reduceat(bits, starts)
        for second, sum_ in zip(seconds[starts].tolist(), sums.tolist(), strict=True):
            self._load.add(second, sum_)

    def _find_gaps(self, frames: Columns) -> None:
        import numpy as np

        sources = frames.identifiers.astype(np.uint8)
        order = sources.argsort(kind="stable")
        for places in np.split(order, np.flatnonzero(np.diff(sources[order])) + 1):
            source, times = int(sources[places[0]]), frames.times[places]
            before = np.concatenate(([self._last_heard.get(source, times[0])], times[:-1]))
            self._last_heard[source] = int(times[-1])
            gaps = self._gaps.setdefault(source, [])
            for place in np.flatnonzero(times - before > MIN_SILENCE_LIMIT_US)[: MAX_GAPS - len(gaps)].tolist():
                gaps.append((int(before[place]), int(times[place])))

    def _add_message(self, message: MessageColumns) -> None:
        import numpy as np

        keys = message.sources.astype(np.uint16) << 8
        if message.instance_field is not None:
            keys |= message.payloads.ordered[:, 0]
        order = keys.argsort(kind="stable")
        for places in np.split(order, np.flatnonzero(np.diff(keys[order])) + 1):
            first = int(places[0])
            source = int(keys[first]) >> 8
            key = message.dgn, source, int(keys[first]) & 0xFF
            topic = self._topics.get(key)
            if topic is None:
                data = message.payloads.ordered[first, : message.payloads.lengths[first]].tobytes()
                named = self._decoder.layout(message.dgn).topic(source, data)
                topic = self._topics[key] = _TopicSeries(named, message, self._most)
            topic.add(message, places, [end for _, end in self._gaps[source]])

    def finish(self) -> PlottedChannel:
        """Return what was collected, in the order of the addresses."""
        ordered = sorted(self._topics.items(), key=lambda item: (item[0][1], item[0][0], item[0][2]))
        signals = tuple(self._until(signal) for _, topic in ordered for signal in topic.signals)
        pieces = tuple(self._load.pieces())
        return PlottedChannel(signals, pieces, self._load.width_s, self._gaps)

    def _until(self, signal: SignalSeries) -> SignalSeries:
        """Return a series with the moment until which its last reading stands."""
        source, last = signal.topic.source, signal.series.points()[0][-1]
        if self._decoder.layout(signal.topic.dgn).gap is not None:
            return signal
        silent_from = (since for since, _ in self._gaps[source] if since >= last)
        return replace(signal, stands_until=next(silent_from, self._last_heard[source]))


class _TopicSeries:
    """The series of all fields of one topic."""

    def __init__(self, topic: Topic, message: MessageColumns, most: int) -> None:
        self.signals = [
            SignalSeries(topic, field, ReducedSeries(_is_value(field), most))
            for field in message.spec.fields
            if field.name != message.instance_field and field.length <= MAX_PLOTTED_BITS
        ]
        self._gaps_before: int | None = None
        """How many gaps of its source ended before its last frame."""

    def add(self, message: MessageColumns, places: "NDArray[intp]", gap_ends: Sequence[int]) -> None:
        """Take in its frames of a block, given by their places."""
        import numpy as np

        times = message.times[places]
        gaps = np.array(gap_ends, np.int64).searchsorted(times, "right")
        before = gaps[0] if self._gaps_before is None else self._gaps_before
        is_after_gap = np.diff(gaps, prepend=before) != 0
        self._gaps_before = int(gaps[-1])
        for signal in self.signals:
            column = message.fields[signal.field.name]
            raws = column.raws[places].astype(np.int64)
            if column.missing is not None:
                raws[column.missing[places]] = missing_code(signal.field)
            signal.series.extend(times, raws, is_after_gap)


def _is_value(field: FieldSpec) -> IsValue:
    codes = frozenset((*field.states, missing_code(field)))
    return lambda raw: raw not in codes
