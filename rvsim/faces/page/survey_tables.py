"""The tables of a survey's page: readings, devices, messages, reported faults, flags.

Knows: the columns of each, and by what they sort. Does not know how a table is made sortable (`tables`), nor where it
stands on the page. A table without rows is left out.
"""

from collections.abc import Callable, Mapping, Sequence

from rvsim.faces.page.markup import Html, breakable, element, join
from rvsim.faces.page.readings import PlottedReading
from rvsim.faces.page.tables import Cell, Column, Row, seconds_cell, table
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.marks import LEGEND, mark
from rvsim.faces.text.survey_text import gap_text, message_title
from rvsim.logs.reported_faults import reported_faults
from rvsim.logs.survey import Survey, SurveyedSource
from rvsim.rig.functions import FUNCTIONS
from rvsim.watch.flag import Flag
from rvsim.wire import texts
from rvsim.wire.catalogue import Catalogue

_NOTHING = join(())
_END = "end of the log"


def reading_table(readings: Sequence[PlottedReading], identifier: str) -> Html:
    """Return all readings, each with a link to its figure if it has one."""
    if not readings:
        return _NOTHING
    columns = (
        Column("Reading"), Column("Device", filters=True), Column("Message", filters=True),
        Column("Lowest", is_number=True), Column("Highest", is_number=True), Column("Last", is_number=True),
        Column("Changes", is_number=True), Column("Unchanged since, s", is_number=True),
    )  # fmt: skip
    made = table("All readings", columns, map(_reading_row, readings), identifier=identifier, noun="reading")
    return join((_legend(), made))


def device_table(found: Survey, devices: Mapping[int, str], flags: Mapping[int, int], identifier: str) -> Html:
    """Return the devices that sent frames; ``devices`` and ``flags`` have name and number of flags by address."""
    if not found.sources:
        return _NOTHING
    columns = (
        Column("Device"), Column("Address"), Column("Functions"), Column("Product"),
        Column("Manufacturer code", is_number=True), Column("Serial number", is_number=True),
        Column("Frames", is_number=True), Column("Flags", is_number=True),
    )  # fmt: skip
    rows = (_device_row(source, devices[source.address], flags[source.address]) for source in found.sources)
    return join((_legend(), table("Devices", columns, rows, identifier=identifier, noun="device")))


def message_table(found: Survey, devices: Mapping[int, str], catalogue: Catalogue, identifier: str) -> Html:
    """Return the messages of each device, with how often they came; gaps only where the times can be trusted."""
    if not found.sources:
        return _NOTHING
    columns = (
        Column("Message"), Column("Device", filters=True), Column("DGN"), Column("Frames", is_number=True),
        Column("Usual gap", is_number=True), Column("Longest gap", is_number=True),
    )  # fmt: skip
    rows = (
        (
            breakable(message_title(message, catalogue)),
            devices[source.address],
            f"{message.dgn:05X} hex",
            _number_cell(counts.count),
            _gap_cell(counts.median_gap if found.in_order else None),
            _gap_cell(counts.longest_gap if counts.count > 1 and found.in_order else None),
        )
        for source in found.sources
        for message, counts in source.messages.items()
    )
    return join((_legend(), table("Messages", columns, rows, identifier=identifier, noun="message")))


def fault_table(found: Survey, units: DisplayUnits, identifier: str) -> Html:
    """Return the faults that devices report of themselves."""
    faults = reported_faults(found.flags)
    if not faults:
        return _NOTHING
    columns = (
        Column("Device", filters=True), Column("Fault"), Column("Severity", filters=True),
        Column("Times", is_number=True), Column("First, s", is_number=True), Column("Last, s", is_number=True),
    )  # fmt: skip
    rows = (
        (
            fault.device,
            breakable(units.render(fault.text)),
            str(fault.severity),
            _number_cell(fault.times),
            seconds_cell(fault.first),
            seconds_cell(fault.last, _END),
        )
        for fault in faults
    )
    return table("Faults that devices report", columns, rows, identifier=identifier, noun="fault")


def flag_table(found: Survey, units: DisplayUnits, identifier: str) -> Html:
    """Return all flags, those that a cause explains too."""
    if not found.flags:
        return _NOTHING
    columns = (
        Column("Flag", is_number=True), Column("Severity", filters=True), Column("Kind", filters=True),
        Column("About", filters=True), Column("From, s", is_number=True), Column("To, s", is_number=True),
        Column("Text"), Column("Try next"),
    )  # fmt: skip
    rows = (_flag_row(flag, units) for flag in found.flags)
    return table("All flags", columns, rows, identifier=identifier, noun="flag")


def _legend() -> Html:
    return element("p", LEGEND, class_="note")


def _reading_row(reading: PlottedReading) -> Row:
    link = element("a", reading.title, href=f"#{reading.identifier}") if reading.has_figure else reading.title
    return (
        link,
        reading.device,
        breakable(reading.message),
        _value_cell(reading, min),
        _value_cell(reading, max),
        Cell(reading.text_of(reading.points[1][-1]), reading.sort_key),
        _number_cell(reading.signal.series.changes),
        seconds_cell(reading.unchanged_since),
    )


def _value_cell(reading: PlottedReading, choose: Callable[[Sequence[int]], int]) -> Cell:
    if not reading.values:
        return Cell("none")
    raw = choose(reading.values)
    return Cell(reading.text_of(raw), reading.number(raw))


def _device_row(source: SurveyedSource, device: str, flags: int) -> Row:
    functions = [
        " and ".join(map(FUNCTIONS[function].label, instances)) or FUNCTIONS[function].title
        for record in source.devices
        for function, instances in record.functions.items()
    ]
    products = (record.product for record in source.devices if record.product is not None)
    product = next((f"{product}{mark((texts.TEXT_ORIGIN,))}" for product in products), "")
    frames = sum(counts.count for counts in source.messages.values())
    name = source.name
    return (
        device,
        f"{source.address:02X} hex",
        ", ".join(functions),
        product,
        Cell("") if name is None else _number_cell(name.manufacturer_code),
        Cell("") if name is None else _number_cell(name.serial_number),
        _number_cell(frames),
        _number_cell(flags),
    )


def _flag_row(flag: Flag, units: DisplayUnits) -> Row:
    return (
        Cell(element("span", flag.tag, class_=f"tag {flag.severity}"), flag.number),
        str(flag.severity),
        str(flag.kind),
        flag.subject,
        seconds_cell(flag.since),
        seconds_cell(flag.until, _END),
        breakable(units.render(flag.text)),
        flag.advice,
    )


def _number_cell(number: int) -> Cell:
    return Cell(str(number), number)


def _gap_cell(gap: int | None) -> Cell:
    return Cell("") if gap is None else Cell(gap_text(gap), gap)
