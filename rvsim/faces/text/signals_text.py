"""What each field did in a log, as a table and as JSON.

Knows: the columns. Does not know how it is counted (`logs.signal_summary`).
"""

from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Any

from rvsim.faces.text.clock import NO_CLOCK, Clock
from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.faces.text.marks import mark, topic_origins
from rvsim.logs.decoded import SignalKey
from rvsim.logs.formats.jsonl import reading_fields
from rvsim.logs.signal_summary import SignalSummary
from rvsim.logs.survey import SurveyedSource
from rvsim.watch.transitions import Topic
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.fields import Origin, Reading

Signals = Mapping[SignalKey, SignalSummary]
HEAD = ("field", "lowest", "highest", "last", "changes", "unchanged since")
NO_VALUE = "-"


def signals_text(
    signals: Signals,
    sources: tuple[SurveyedSource, ...],
    catalogue: Catalogue,
    units: DisplayUnits = METRIC,
    clock: Clock = NO_CLOCK,
) -> Iterator[str]:
    """Yield a table for each message of each sender, and the fields without any value in lines; what is from memory is
    marked.
    """
    names = {
        source.address: ", ".join(record.device for record in source.devices if record.planned) for source in sources
    }
    ordered = sorted(signals.items(), key=lambda item: item[0].source)
    for (source, dgn, instance, dsa), group in groupby(ordered, lambda item: _topic(item[0])):
        spec = catalogue.by_dgn(dgn)
        topic = Topic(source, dgn, spec.name if spec else None, instance, dsa)
        yield f"  {names.get(source) or f'address {source:02X} hex'}: {topic}"
        origins = topic_origins(spec, instance, dsa) if spec else ()
        summaries = [summary for _, summary in group]
        valued = [summary for summary in summaries if summary.valid or summary.changes]
        rows = [HEAD, *(_row(summary, origins, units, clock) for summary in valued)] if valued else []
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        for row in rows:
            yield "    " + "  ".join(f"{text:<{width}}" for text, width in zip(row, widths, strict=True)).rstrip()
        empty = [summary for summary in summaries if summary not in valued]
        for state, fields in groupby(empty, lambda summary: units.render(summary.last.brief)):
            titles = (f"{summary.field.title}{mark((summary.last.origin, *origins))}" for summary in fields)
            yield f"    always {state}: {', '.join(titles)}"


def signals_json(signals: Signals, catalogue: Catalogue) -> list[dict[str, Any]]:
    """Return each field as plain data: its last reading with its state, and the values of the lowest and highest."""
    return [_fields(key, summary, catalogue) for key, summary in signals.items()]


def _topic(key: SignalKey) -> tuple[int, int, int | None, int | None]:
    return key.source, key.dgn, key.instance, key.dsa


def _row(summary: SignalSummary, origins: tuple[Origin, ...], units: DisplayUnits, clock: Clock) -> tuple[str, ...]:
    last = summary.last
    since = f"{summary.unchanged_since / 1e6:.1f} s{clock.span(summary.unchanged_since, None)}"
    return (
        f"{summary.field.title}{mark((last.origin, *origins))}",
        _brief(summary.lowest, units),
        _brief(summary.highest, units),
        units.render(last.brief),
        str(summary.changes),
        since,
    )


def _brief(reading: Reading | None, units: DisplayUnits) -> str:
    return NO_VALUE if reading is None else units.render(reading.brief)


def _fields(key: SignalKey, summary: SignalSummary, catalogue: Catalogue) -> dict[str, Any]:
    spec = catalogue.by_dgn(key.dgn)
    lowest, highest = summary.lowest, summary.highest
    return {
        "source": key.source,
        "dgn": f"{key.dgn:05X}",
        "message": spec.name if spec else None,
        "instance": key.instance,
        **({} if key.dsa is None else {"dsa": key.dsa}),
        **reading_fields(summary.last, *(topic_origins(spec, key.instance, key.dsa) if spec else ())),
        "lowest": None if lowest is None else lowest.value,
        "highest": None if highest is None else highest.value,
        "changes": summary.changes,
        "unchanged_since": summary.unchanged_since / 1e6,
        "frames": summary.frames,
        "with_value": summary.valid,
    }
