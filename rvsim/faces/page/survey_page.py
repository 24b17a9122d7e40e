"""The page of a survey: causes first, flags, presence, bus load, tables, and readings over time.

Knows: what stands on the page, in which order, and which flags are drawn with which reading. Does not know how a survey
is made, nor how a page is put together as a file (`page`).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rvsim.faces.page.drawing import Band, Window
from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.page.page import Page
from rvsim.faces.page.problems import problem_articles
from rvsim.faces.page.readings import PlottedReading
from rvsim.faces.page.tables import Cell, Column, Row, seconds_cell, table
from rvsim.faces.page.timeline import PresenceRow, PresenceSpan, timeline
from rvsim.faces.text.bus_errors_text import errors_text
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.marks import LEGEND, mark, topic_origins
from rvsim.faces.text.survey_text import as_text, device_name, gap_text, left_out, load_lines, message_title, summary
from rvsim.logs.plotted import PlottedChannel, SignalSeries, load_series
from rvsim.logs.read import Log
from rvsim.logs.survey import Survey, SurveyedMessage, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.runs.selection import LogSelection
from rvsim.watch.flag import Flag
from rvsim.watch.transitions import Presence
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import Reading

WHOLE_LOG = LogSelection()
_BUS = ("bus", "log")
"""Subjects of flags that are drawn with the bus load."""


@dataclass(frozen=True, eq=False)
class SurveyedChannel:
    """One channel of a log on a page: the survey of all of it, what is drawn of it, and the part that is shown."""

    log: Log
    channel: str
    whole: Survey
    drawn: PlottedChannel
    catalogue: Catalogue
    selected: LogSelection = WHOLE_LOG
    units: DisplayUnits = METRIC

    @cached_property
    def found(self) -> Survey:
        """The part that is shown."""
        return self.selected.of(self.whole)

    @cached_property
    def window(self) -> Window:
        """The time that is drawn."""
        start = self.selected.part.start
        return Window(start, max(self.whole.end, start + 1))


def survey_page(title: str, channels: Sequence[SurveyedChannel]) -> Page:
    """Return the page of a log, its channels one after the other."""
    page = Page(title)
    for number, channel in enumerate(channels):
        _ChannelPart(channel, f"c{number}-" if len(channels) > 1 else "").add_to(page)
    return page


class _ChannelPart:
    """What a page says of one channel; ``prefix`` keeps the names of its parts apart from those of other channels."""

    def __init__(self, channel: SurveyedChannel, prefix: str) -> None:
        self._channel, self._prefix = channel, prefix
        self._found, self._units, self._window = channel.found, channel.units, channel.window
        self._bands = [_flag_band(flag, self._units) for flag in self._found.flags]
        self._devices = {source.address: device_name(source) for source in self._found.sources}
        self._readings = [*self._plotted()]
        self._load_reading = self._load_as_reading()

    def add_to(self, page: Page) -> None:
        """Add the parts to a page."""
        channel, found = self._channel, self._found
        named = f", channel {channel.channel}" if self._prefix else ""
        whole = as_text(channel.log, channel.whole, channel.catalogue, channel.channel, channel.selected, self._units)
        page.add_head(f"{Path(channel.log.name).name}{named}", next(whole))
        if channel.selected.is_everything is False:
            page.add(element("p", channel.selected.sentence(found)))
        page.add_section(self._id("wrong"), f"What is wrong{named}", self._wrong())
        page.add_section(self._id("presence"), f"Presence of the devices{named}", self._presence())
        page.add_section(self._id("load"), f"Bus load{named}", self._load())
        page.add_section(self._id("readings"), f"Readings over time{named}", self._figures())
        page.add_section(self._id("signals"), f"All readings{named}", self._signal_table())
        page.add_section(self._id("devices"), f"Devices{named}", self._device_table())
        page.add_section(self._id("messages"), f"Messages{named}", self._message_table())
        if found.flags:
            page.add_section(self._id("flags"), f"All flags{named}", self._flag_table())
        page.add_plots(self._plot_data())

    def _id(self, name: str) -> str:
        return f"{self._prefix}{name}"

    # What is wrong.

    def _wrong(self) -> Html:
        channel, found = self._channel, self._found
        explained = explain_flags(found.flags, found.causes)
        lines = [
            line
            for line in summary(channel.whole, found, self._units, channel.selected)
            if not line.startswith(("cause,", "[", "<", "("))
        ]
        lost = [line.strip() for line in left_out(channel.log, channel.channel)]
        errors = list(errors_text(found.errors))
        return join((
            problem_articles(explained, self._units, self._prefix),
            element("ul", *(element("li", line) for line in [*lines, *lost]), class_="notes"),
            element("details", element("summary", "What the errors mean"),
                    *(element("p", line.strip()) for line in errors)) if errors else None,
        ))  # fmt: skip

    # Presence.

    def _presence(self) -> Html:
        return timeline(self._window, list(self._presence_rows()), self._id("presence-table"))

    def _presence_rows(self) -> Iterator[PresenceRow]:
        for source in self._found.sources:
            names = _names(source)
            mine = [
                band
                for band, flag in zip(self._bands, self._found.flags, strict=True)
                if names.intersection(flag.subject.split(", "))
            ]
            yield PresenceRow(self._devices[source.address], list(self._spans(source.address)), mine)
        for device in self._found.unseen_devices:
            mine = [band for band, flag in zip(self._bands, self._found.flags, strict=True) if flag.subject == device]
            yield PresenceRow(device, [PresenceSpan(Presence.SILENT, self._window.start, None)], mine)

    def _spans(self, source: int) -> Iterator[PresenceSpan]:
        drawn = self._channel.drawn
        first, last = drawn.heard.get(source, (None, None))
        if first is None or last is None:
            return
        for since, until in drawn.gaps.get(source, ()):
            yield PresenceSpan(Presence.PRESENT, first, since)
            yield PresenceSpan(Presence.SILENT, since, until)
            first = until
        yield PresenceSpan(Presence.PRESENT, first, last)

    # Bus load.

    def _load(self) -> Html:
        sentences = [element("p", line) for line in load_lines(self._channel.whole)]
        return join([*sentences, self._load_figure()])

    def _load_figure(self) -> Html | None:
        return None if self._load_reading is None else self._load_reading.figure(self._window, self._bands)

    def _load_as_reading(self) -> PlottedReading | None:
        """Return the bus load as something that is drawn as readings are; None where it is not judged."""
        channel = self._channel
        if not channel.whole.in_order or not channel.drawn.load:
            return None
        width = channel.drawn.load_width_s
        series = load_series(channel.drawn)
        of_bus = [place for place, flag in enumerate(self._found.flags) if flag.subject in _BUS]
        named = "Bus load of each second" if width == 1 else f"Highest bus load of a second in each {width} s"
        return PlottedReading(
            self._id("bus-load"), "all senders", "29-bit frames", named, series, METRIC, (), of_bus, note=f"{named}."
        )

    # Readings.

    def _plotted(self) -> Iterator[PlottedReading]:
        shown = {source.address: source.messages for source in self._found.sources}
        subjects = {source.address: _names(source) for source in self._found.sources}
        for number, signal in enumerate(self._channel.drawn.signals):
            topic = signal.topic
            message = SurveyedMessage(*topic[1:])
            if message not in shown.get(topic.source, ()):
                continue
            yield PlottedReading(
                self._id(f"reading-{number}"),
                self._devices[topic.source],
                message_title(message, self._channel.catalogue),
                signal.field.title + self._mark(signal),
                signal,
                self._units,
                self._channel.drawn.gaps.get(topic.source, ()),
                [
                    place
                    for place, flag in enumerate(self._found.flags)
                    if _concerns(flag, signal, subjects[topic.source])
                ],
            )

    def _mark(self, signal: SignalSeries) -> str:
        spec = self._channel.catalogue.by_dgn(signal.topic.dgn)
        raws = set(signal.series.points()[1])
        origins = {Reading(signal.field, raw, signal.state(raw)).origin for raw in raws}
        return mark((*(topic_origins(spec, signal.topic.instance, signal.topic.dsa) if spec else ()), *origins))

    def _figures(self) -> Html:
        drawn = [reading for reading in self._readings if reading.has_figure]
        left = len(self._readings) - len(drawn)
        intro = (
            f"{LEGEND} Each value stands until the next one. A line is interrupted where its device sent nothing for "
        )
        intro += "more than 15 s, and where it had no value; that is named under the line."
        if left:
            intro += f" {left} readings that never changed and have no flag are only in the table of all readings."
        devices: dict[str, list[PlottedReading]] = {}
        for reading in drawn:
            devices.setdefault(reading.device, []).append(reading)
        groups = (
            element(
                "section",
                element("h3", device),
                *(reading.figure(self._window, self._bands) for reading in readings),
                class_="device",
            )
            for device, readings in sorted(devices.items(), key=lambda group: not any(one.flags for one in group[1]))
        )
        return join((element("p", intro, class_="note"), *groups))

    # Tables.

    def _signal_table(self) -> Html:
        columns = (
            Column("Reading"), Column("Device", filters=True), Column("Message", filters=True),
            Column("Lowest", is_number=True), Column("Highest", is_number=True), Column("Last", is_number=True),
            Column("Changes", is_number=True), Column("Last change, s", is_number=True),
        )  # fmt: skip
        return join((
            element("p", LEGEND, class_="note"),
            table("All readings", columns, map(_signal_row, self._readings), identifier=self._id("signal-table"),
                  noun="reading"),
        ))  # fmt: skip

    def _device_table(self) -> Html:
        columns = (
            Column("Device"), Column("Address"), Column("Functions"), Column("Product"), Column("Manufacturer code",
            is_number=True), Column("Serial number", is_number=True), Column("Frames", is_number=True),
            Column("Flags", is_number=True),
        )  # fmt: skip
        rows = (self._device_row(source) for source in self._found.sources)
        return table("Devices", columns, rows, identifier=self._id("device-table"), noun="device")

    def _device_row(self, source: SurveyedSource) -> Row:
        functions = [
            " and ".join(map(FUNCTIONS[function].label, instances)) or FUNCTIONS[function].title
            for record in source.devices
            for function, instances in record.functions.items()
        ]
        product = next((str(record.product) for record in source.devices if record.product is not None), "")
        frames = sum(counts.count for counts in source.messages.values())
        flags = sum(bool(_names(source).intersection(flag.subject.split(", "))) for flag in self._found.flags)
        name = source.name
        return (
            self._devices[source.address],
            f"{source.address:02X} hex",
            ", ".join(functions),
            product,
            Cell("", -1) if name is None else Cell(str(name.manufacturer_code), name.manufacturer_code),
            Cell("", -1) if name is None else Cell(str(name.serial_number), name.serial_number),
            Cell(str(frames), frames),
            Cell(str(flags), flags),
        )

    def _message_table(self) -> Html:
        columns = (
            Column("Message"), Column("Device", filters=True), Column("DGN"), Column("Frames", is_number=True),
            Column("Usual gap", is_number=True), Column("Longest gap", is_number=True),
        )  # fmt: skip
        rows = (
            (
                message_title(message, self._channel.catalogue),
                self._devices[source.address],
                f"{message.dgn:05X} hex",
                Cell(str(counts.count), counts.count),
                _gap_cell(counts.median_gap),
                _gap_cell(counts.longest_gap if counts.count > 1 else None),
            )
            for source in self._found.sources
            for message, counts in source.messages.items()
        )
        legend = element("p", LEGEND, class_="note")
        return join((legend, table("Messages", columns, rows, identifier=self._id("message-table"), noun="message")))

    def _flag_table(self) -> Html:
        columns = (
            Column("Flag", is_number=True), Column("Severity", filters=True), Column("Kind", filters=True),
            Column("About", filters=True), Column("From, s", is_number=True), Column("To, s", is_number=True),
            Column("Text"), Column("Try next"),
        )  # fmt: skip
        rows = (_flag_row(flag, self._units) for flag in self._found.flags)
        return table("All flags", columns, rows, identifier=self._id("flag-table"), noun="flag")

    def _plot_data(self) -> Mapping[str, Any]:
        return {
            "start": self._window.start,
            "end": self._window.end,
            "started": self._channel.log.statistics.started,
            "flags": [
                {"kind": band.kind, "since": band.since, "until": band.until, "tag": band.tag, "title": band.title}
                for band in self._bands
            ],
            "readings": [
                reading.plot_data()
                for reading in (*self._readings, self._load_reading)
                if reading is not None and reading.has_figure
            ],
        }


def _names(source: SurveyedSource) -> set[str]:
    """Return all names by which flags may speak of a source."""
    return {f"address {source.address:02X} hex", *(record.device for record in source.devices)}


def _concerns(flag: Flag, signal: SignalSeries, subjects: set[str]) -> bool:
    """Tell whether a flag is drawn with a reading: it is about its device, and about no other message or field."""
    topic = signal.topic
    return (
        bool(subjects.intersection(flag.subject.split(", ")))
        and flag.message in (None, topic.message, f"{topic.dgn:05X}")
        and flag.field in (None, signal.field.name)
    )


def _flag_band(flag: Flag, units: DisplayUnits) -> Band:
    title = f"{flag.tag} {flag.severity}, {flag.kind}: {flag.subject}: {units.render(flag.text)}"
    return Band(f"flag {flag.severity}", flag.since, flag.until, title, flag.tag)


def _flag_row(flag: Flag, units: DisplayUnits) -> Row:
    return (
        Cell(element("span", flag.tag, class_=f"tag {flag.severity}"), flag.number),
        str(flag.severity),
        str(flag.kind),
        flag.subject,
        seconds_cell(flag.since),
        seconds_cell(flag.until, "end of the log"),
        units.render(flag.text),
        flag.advice,
    )


def _signal_row(reading: PlottedReading) -> Row:
    link = element("a", reading.title, href=f"#{reading.identifier}") if reading.has_figure else reading.title
    change = reading.last_change
    return (
        link,
        reading.device,
        reading.message,
        _value_cell(reading, min),
        _value_cell(reading, max),
        Cell(reading.text_of(reading.points[1][-1]), reading.sort_key),
        Cell(str(reading.changes), reading.changes),
        Cell("never", -1) if change is None else seconds_cell(change),
    )


def _value_cell(reading: PlottedReading, choose: Callable[[Sequence[int]], int]) -> Cell:
    if not reading.values:
        return Cell("none")
    raw = choose(reading.values)
    return Cell(reading.text_of(raw), reading.number(raw))


def _gap_cell(gap: int | None) -> Cell:
    return Cell("", -1) if gap is None else Cell(gap_text(gap), gap)
