"""What is drawn of a log over time: its readings, its bus load, and when a source sent nothing.

Knows: which fields are readings, and how frames become points. Does not know how points are drawn. One pass, and the
memory does not grow with the log (`reduced`).
"""

from collections.abc import Iterable
from dataclasses import dataclass

from rvsim.logs.columns import frame_bits, to_columns
from rvsim.logs.reduced import IsValue, ReducedSeries
from rvsim.logs.survey import WHOLE_LOG, SurveyedTime
from rvsim.watch.decode import Decoder, Layout
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US
from rvsim.watch.transitions import Topic
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import FieldSpec, Special, State
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.wire.timing import BIT_RATE

MAX_PLOTTED_BITS = 32
"""Wider fields are texts, names and parts of them, and are not drawn."""
MAX_GAPS = 500
"""Gaps of a source that are kept, the first ones."""
MAX_LOAD_PIECES = 2000
"""Pieces of time for which the bus load is kept. Our decision."""
_BLOCK_FRAMES = 1 << 14


@dataclass(frozen=True, eq=False)
class SignalSeries:
    """One field of one topic over time."""

    topic: Topic
    field: FieldSpec
    series: ReducedSeries

    @property
    def missing(self) -> int:
        """The integer that stands for a field that a short frame does not contain; no raw value can be the same."""
        return missing_code(self.field)

    def state(self, raw: int) -> State:
        """Return the state of an integer of the series."""
        return State.MISSING if raw == self.missing else self.field.state(raw)


def missing_code(field: FieldSpec) -> int:
    """Return the integer that stands for a missing field in a series."""
    return field.all_ones + 1


@dataclass(frozen=True)
class LoadPiece:
    """The bus load in a piece of time from ``start`` on (microseconds): on average, and in its worst whole second."""

    start: int
    average_percent: float
    worst_percent: float


class LoadSeries:
    """The bus load by seconds of the log's time, reduced to a bounded number of pieces of equal length."""

    def __init__(self) -> None:
        self.width_s = 1
        """The length of a piece in seconds."""
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

    def pieces(self) -> tuple[LoadPiece, ...]:
        """Return the pieces in which there were frames; call it once, at the end."""
        self._close()
        self._bits = 0
        whole = BIT_RATE * self.width_s
        return tuple(
            LoadPiece(
                piece * self.width_s * SECOND_US, 100 * bits / whole, min(100.0, 100 * self._worst[piece] / BIT_RATE)
            )
            for piece, bits in self._sums.items()
        )


@dataclass(frozen=True, eq=False)
class PlottedChannel:
    """What is drawn of one channel; times in microseconds since the log's start."""

    signals: tuple[SignalSeries, ...]
    load: tuple[LoadPiece, ...]
    load_width_s: int
    gaps: dict[int, list[tuple[int, int]]]
    """By source address: from when to when nothing at all came from it, for longer than it takes to be silent."""
    heard: dict[int, tuple[int, int]]
    """By source address: the times of its first and its last frame."""


NOTHING_PLOTTED = PlottedChannel((), (), 1, {}, {})
"""A channel without frames."""


LOAD_FIELD = FieldSpec("bus_load", 0, 16, decimals=2, unit="%", special=Special.NONE)
"""The bus load as if it were a field: raw integers are hundredths of a percent."""


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


class _TopicSeries:
    """The series of all fields of one topic."""

    def __init__(self, topic: Topic, layout: Layout) -> None:
        spec = layout.spec
        fields = () if spec is None or spec.is_protocol else spec.fields
        self._raws = spec.raws if spec is not None else lambda _data: ()
        self._last: bytes | None = None
        self.signals: list[tuple[int, SignalSeries]] = []
        for place, field in enumerate(fields):
            if field is not layout.instance and field.length <= MAX_PLOTTED_BITS:
                self.signals.append((place, SignalSeries(topic, field, ReducedSeries(_is_value(field)))))

    def add(self, time: int, data: bytes, *, after_gap: bool) -> None:
        """Add a frame."""
        if not self.signals:
            return
        if data == self._last and not after_gap:
            for _, signal in self.signals:
                signal.series.repeat(time)
            return
        self._last, raws = data, self._raws(data)
        for place, signal in self.signals:
            raw = raws[place]
            signal.series.add(time, signal.missing if raw is None else raw, after_gap=after_gap)


def _is_value(field: FieldSpec) -> IsValue:
    states, missing = field.states, missing_code(field)
    return lambda raw: raw not in states and raw != missing


class _ChannelPlotter:
    """Collects what is drawn of one channel."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self._topics: dict[tuple[int, bytes], _TopicSeries] = {}
        self._heard: dict[int, tuple[int, int]] = {}
        self._gaps: dict[int, list[tuple[int, int]]] = {}
        self._gap_counts: dict[int, int] = {}
        self._resumed: dict[_TopicSeries, int] = {}
        """How many gaps of its source a topic has gone on after."""
        self._load = LoadSeries()
        self._waiting: list[Frame] = []

    def add(self, frame: Frame) -> None:
        """Add a frame."""
        self._waiting.append(frame)
        if len(self._waiting) >= _BLOCK_FRAMES:
            self._count_load()
        time, identifier, data = frame
        source, dgn = identifier & 0xFF, dgn_of(identifier)
        first, last = self._heard.get(source, (time, time))
        if time - last > MIN_SILENCE_LIMIT_US:
            gaps = self._gaps.setdefault(source, [])
            if len(gaps) < MAX_GAPS:
                gaps.append((last, time))
                self._gap_counts[source] = len(gaps)
        self._heard[source] = first, time
        layout = self._decoder.layout(dgn)
        key = dgn << 8 | source, data[layout.key_slice]
        topic = self._topics.get(key)
        if topic is None:
            topic = self._topics[key] = _TopicSeries(layout.topic(source, data), layout)
            self._resumed[topic] = self._gap_counts.get(source, 0)
        gap_count = self._gap_counts.get(source, 0)
        topic.add(time, data, after_gap=self._resumed[topic] != gap_count)
        self._resumed[topic] = gap_count

    def _count_load(self) -> None:
        import numpy as np

        waiting, self._waiting = self._waiting, []
        columns = to_columns(waiting)
        seconds = columns.times // SECOND_US
        bits = np.concatenate(([0], np.cumsum(frame_bits(columns))))
        starts = np.concatenate(([0], np.flatnonzero(np.diff(seconds)) + 1, [len(waiting)]))
        for start, end in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            self._load.add(int(seconds[start]), int(bits[end] - bits[start]))

    def finish(self) -> PlottedChannel:
        """Return what was collected."""
        if self._waiting:
            self._count_load()
        signals = [signal for topic in self._topics.values() for _, signal in topic.signals]
        return PlottedChannel(
            tuple(sorted(signals, key=lambda signal: (*signal.topic[:2], signal.topic.instance or 0))),
            self._load.pieces(),
            self._load.width_s,
            self._gaps,
            self._heard,
        )


def plot_channels(
    contents: Iterable[tuple[str, Frame | LineEvent]], catalogue: Catalogue, part: SurveyedTime = WHOLE_LOG
) -> dict[str, PlottedChannel]:
    """Return what is drawn of each channel of a log, by the name of the channel; only the part's frames count."""
    decoder = Decoder(catalogue)
    plotters: dict[str, _ChannelPlotter] = {}
    for channel, entry in contents:
        if isinstance(entry, Frame) and part.contains(entry.time):
            plotter = plotters.get(channel)
            if plotter is None:
                plotter = plotters[channel] = _ChannelPlotter(decoder)
            plotter.add(entry)
    return {channel: plotter.finish() for channel, plotter in plotters.items()}
