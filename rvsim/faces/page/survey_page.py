"""The page of a survey: causes first, flags, presence, bus load, tables, and readings over time.

Knows: what stands on the page, in which order, and which flags are drawn with which reading. Does not know how a survey
is made, nor how a page is put together as a file (`page`).
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from rvsim.faces.page.drawing import Band, Window
from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.page.page import Page
from rvsim.faces.page.problems import problem_articles
from rvsim.faces.page.readings import PlottedReading
from rvsim.faces.page.survey_tables import device_table, fault_table, flag_table, message_table, reading_table
from rvsim.faces.page.timeline import PresenceRow, timeline
from rvsim.faces.text.answer import answer, brief, clock_of, devices_line
from rvsim.faces.text.bus_errors_text import errors_text
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.flags import explain_flags
from rvsim.faces.text.marks import LEGEND, mark, topic_origins
from rvsim.faces.text.survey_text import as_text, device_name, left_out, load_lines, message_title
from rvsim.logs.plotted import PlottedChannel, SignalSeries, load_series
from rvsim.logs.read import Log
from rvsim.logs.survey import Survey, SurveyedMessage, SurveyedSource
from rvsim.runs.selection import LogSelection
from rvsim.watch.flag import Flag
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
        start = max(self.whole.start, self.selected.part.start)
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
        lines = as_text(channel.log, channel.whole, channel.catalogue, channel.channel, channel.selected, self._units)
        page.add_head(f"{Path(channel.log.name).name}{named}", next(lines))
        if not channel.selected.is_everything:
            page.add(element("p", channel.selected.sentence(found)))
        for name, heading, content in self._sections():
            if content:
                page.add_section(self._id(name), f"{heading}{named}", content)
        page.add_points(self._points())

    def _sections(self) -> Iterator[tuple[str, str, Html]]:
        """Yield the name, the heading and the content of each section; empty ones are left out."""
        found, units, devices = self._found, self._units, self._devices
        catalogue, flags = self._channel.catalogue, self._flag_counts()
        yield "wrong", "What is wrong", self._wrong()
        yield "presence", "Presence of the devices", self._presence()
        yield "load", "Bus load", self._load()
        yield "readings", "Readings over time", self._figures()
        yield "signals", "All readings", reading_table(self._readings, self._id("signal-table"))
        yield "devices", "Devices", device_table(found, devices, flags, self._id("device-table"))
        yield "messages", "Messages", message_table(found, devices, catalogue, self._id("message-table"))
        yield "faults", "Faults that devices report", fault_table(found, units, self._id("fault-table"))
        yield "flags", "All flags", flag_table(found, units, self._id("flag-table"))

    def _id(self, name: str) -> str:
        return f"{self._prefix}{name}"

    # What is wrong.

    def _wrong(self) -> Html:
        channel, found = self._channel, self._found
        known = answer(channel.log, channel.whole, channel.channel, channel.selected, self._units)
        explained = explain_flags(found.flags, found.causes)
        notes = [f"{devices_line(channel.whole)}."] if channel.whole.planned else []
        notes += [doubt.line or doubt.sentence for doubt in known.doubts]
        notes += [line.strip() for line in left_out(channel.log, channel.channel)]
        errors = [element("p", line.strip()) for line in errors_text(found.errors)]
        paragraph = brief(channel.log, channel.whole, channel.channel, channel.selected, self._units)
        lead = f" {known.evidence}. Next: {known.next_step}." if known.evidence else f" Next: {known.next_step}."
        return join((
            element("p", element("strong", known.cause), lead) if known.severity is None else None,
            problem_articles(explained, self._units, clock_of(channel.log)),
            element("ul", *(element("li", line) for line in notes), class_="notes") if notes else None,
            element("details", element("summary", "What the errors mean"), *errors) if errors else None,
            element("details", element("summary", "One paragraph for a mail"), element("p", paragraph)),
        ))  # fmt: skip

    # Presence.

    def _presence(self) -> Html:
        if not any(self._found.presence.values()):
            return join(())
        rows = [
            PresenceRow(device, spans, [self._bands[number] for number in self._flags_about({device})])
            for device, spans in self._found.presence.items()
        ]
        return timeline(self._window, rows, self._id("presence-table"))

    @cached_property
    def _flags_by_subject(self) -> Mapping[str, Sequence[int]]:
        """The places of the flags about each device, by each name that a flag has for it."""
        places: dict[str, list[int]] = {}
        for place, flag in enumerate(self._found.flags):
            for subject in flag.subject.split(", "):
                places.setdefault(subject, []).append(place)
        return places

    def _flag_counts(self) -> dict[int, int]:
        """Return how many flags are about each source."""
        return {source.address: len(self._flags_about(_names(source))) for source in self._found.sources}

    def _flags_about(self, names: Collection[str]) -> list[int]:
        return sorted({place for name in names for place in self._flags_by_subject.get(name, ())})

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
        named = "Bus load of each second" if width == 1 else f"Highest bus load of a second in each {width} s"
        return PlottedReading(
            self._id("bus-load"),
            "all senders",
            "29-bit frames",
            named,
            series,
            METRIC,
            (),
            self._flags_about(_BUS),
            starts_at_zero=True,
            note=f"{named}.",
        )

    # Readings.

    def _plotted(self) -> Iterator[PlottedReading]:
        shown = {source.address: source.messages for source in self._found.sources}
        about = {source.address: self._flags_about(_names(source)) for source in self._found.sources}
        for number, signal in enumerate(self._channel.drawn.signals):
            topic = signal.topic
            message = SurveyedMessage(*topic[1:])
            if message not in shown.get(topic.source, ()):
                continue
            flags = [place for place in about[topic.source] if _concerns(self._found.flags[place], signal)]
            yield PlottedReading(
                self._id(f"reading-{number}"),
                self._devices[topic.source],
                message_title(message, self._channel.catalogue),
                signal.field.title + self._mark(signal).replace(" ", "\u00a0"),
                signal,
                self._units,
                self._channel.drawn.gaps_of(topic.source),
                flags,
                has_own_flag=any(self._found.flags[place].field is not None for place in flags),
            )

    def _mark(self, signal: SignalSeries) -> str:
        spec = self._channel.catalogue.by_dgn(signal.topic.dgn)
        raws = set(signal.points()[1])
        origins = {Reading(signal.field, raw, signal.state(raw)).origin for raw in raws}
        return mark((*(topic_origins(spec, signal.topic.instance, signal.topic.dsa) if spec else ()), *origins))

    def _figures(self) -> Html:
        drawn = [reading for reading in self._readings if reading.has_figure]
        if not drawn:
            return join(())
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
        start, end = self._window
        drawings = element("div", *groups, class_="drawings", data_start=start, data_end=end)
        return join((element("p", intro, class_="note"), drawings))

    def _points(self) -> Mapping[str, Any]:
        return {
            "started": clock_of(self._channel.log).started,
            "readings": [
                reading.stored_points()
                for reading in (*self._readings, self._load_reading)
                if reading is not None and reading.has_figure
            ],
        }


def _names(source: SurveyedSource) -> set[str]:
    """Return all names by which flags may speak of a source."""
    return {f"address {source.address:02X} hex", *(record.device for record in source.devices)}


def _concerns(flag: Flag, signal: SignalSeries) -> bool:
    """Tell whether a flag about the device of a reading is drawn with it: it is about no other message or field."""
    topic = signal.topic
    return flag.message in (None, topic.message, f"{topic.dgn:05X}") and flag.field in (None, signal.field.name)


def _flag_band(flag: Flag, units: DisplayUnits) -> Band:
    title = f"{flag.tag} {flag.severity}, {flag.kind}: {flag.subject}: {units.render(flag.text)}"
    return Band(f"flag {flag.severity}", flag.since, flag.until, title, flag.tag)
