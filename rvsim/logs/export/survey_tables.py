"""The tables of a survey: one row a flag, and one row a device.

Knows: the columns of both tables. Does not know files, nor how a log is surveyed.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from rvsim.logs.export.table import (
    ColumnData,
    ColumnKind,
    Numbers,
    Table,
    TableColumn,
    TableRows,
    Times,
    integer_list,
    number_list,
    same_text,
    text_list,
)
from rvsim.logs.survey import Survey, SurveyedSource
from rvsim.watch.flag import Flag
from rvsim.watch.identity.records import RollCallLine
from rvsim.wire.frame import SECOND_US

_TIME, _NUMBER, _INTEGER, _TEXT = ColumnKind.TIME, ColumnKind.NUMBER, ColumnKind.INTEGER, ColumnKind.TEXT


def flags_table(*, with_log: bool) -> Table:
    """Return the table of flags; ``time`` and ``seconds`` are those since when the flag stands."""
    return Table(
        "flags",
        (
            *_log_column(with_log=with_log),
            TableColumn("time", _TIME),
            TableColumn("seconds", _NUMBER),
            TableColumn("until", _NUMBER),
            TableColumn("channel", _TEXT),
            TableColumn("flag", _INTEGER),
            TableColumn("kind", _TEXT),
            TableColumn("severity", _TEXT),
            TableColumn("subject", _TEXT),
            TableColumn("message", _TEXT),
            TableColumn("field", _TEXT),
            TableColumn("text", _TEXT),
            TableColumn("advice", _TEXT),
            TableColumn("evidence", _TEXT),
            TableColumn("cause", _TEXT),
        ),
    )


def devices_table(*, with_log: bool) -> Table:
    """Return the table of devices: those that were heard, then the planned ones that were not."""
    return Table(
        "devices",
        (
            *_log_column(with_log=with_log),
            TableColumn("channel", _TEXT),
            TableColumn("device", _TEXT),
            TableColumn("source", _INTEGER),
            TableColumn("planned", _INTEGER),
            TableColumn("state", _TEXT),
            TableColumn("name", _TEXT),
            TableColumn("product", _TEXT),
            TableColumn("functions", _TEXT),
            TableColumn("frames", _INTEGER),
            TableColumn("first_time", _TIME),
            TableColumn("first_seconds", _NUMBER),
            TableColumn("last_time", _TIME),
            TableColumn("last_seconds", _NUMBER),
        ),
    )


def flag_rows(found: Survey, log: str | None, channel: str, started: int | None) -> TableRows:
    """Return the flags of one channel."""
    flags = found.flags
    causes = {flag.number: str(cause.text) for cause in reversed(found.causes) for flag in cause.flags}
    since = [flag.since for flag in flags]

    def texts(of: Iterable[str | None]) -> ColumnData:
        return text_list([None if text is None else str(text) for text in of])

    return TableRows(
        len(flags),
        {
            **_shared(log, channel, len(flags)),
            "time": _times(since, started),
            "seconds": _seconds(since),
            "until": _seconds([flag.until for flag in flags]),
            "flag": integer_list([flag.number for flag in flags]),
            "kind": texts(flag.kind for flag in flags),
            "severity": texts(flag.severity for flag in flags),
            "subject": texts(flag.subject for flag in flags),
            "message": texts(flag.message for flag in flags),
            "field": texts(flag.field for flag in flags),
            "text": texts(flag.text for flag in flags),
            "advice": texts(flag.advice for flag in flags),
            "evidence": texts(map(_evidence, flags)),
            "cause": texts(causes.get(flag.number) for flag in flags),
        },
    )


def _evidence(flag: Flag) -> str | None:
    return "; ".join(flag.evidence) or None


def device_rows(found: Survey, log: str | None, channel: str, started: int | None) -> TableRows:
    """Return the devices of one channel. Frames, first and last are those of the device's address."""
    rows = [_device(source, line) for source in found.sources for line in source.devices or (None,)]
    rows += [_Device(device, None, 1, None, None, None, None, 0, None, None) for device in found.unseen_devices]
    columns = list(zip(*rows, strict=True)) or [()] * len(_Device._fields)
    device, source, planned, state, name, product, functions, frames, first, last = columns
    return TableRows(
        len(rows),
        {
            **_shared(log, channel, len(rows)),
            "device": text_list(device),
            "source": integer_list(source),
            "planned": integer_list(planned),
            "state": text_list(state),
            "name": text_list(name),
            "product": text_list(product),
            "functions": text_list(functions),
            "frames": integer_list(frames),
            "first_time": _times(first, started),
            "first_seconds": _seconds(first),
            "last_time": _times(last, started),
            "last_seconds": _seconds(last),
        },
    )


class _Device(NamedTuple):
    device: str | None
    source: int | None
    planned: int
    state: str | None
    name: str | None
    product: str | None
    functions: str | None
    frames: int
    first: int | None
    last: int | None


def _device(source: SurveyedSource, line: RollCallLine | None) -> _Device:
    messages = source.messages.values()
    return _Device(
        None if line is None else line.device,
        source.address,
        int(line is not None and line.planned),
        None if line is None or line.state is None else str(line.state),
        None if source.name is None else f"{int(source.name):016X}",
        None if line is None or line.product is None else str(line.product),
        None if line is None else _functions(line.functions),
        sum(counts.count for counts in messages),
        min((counts.first for counts in messages), default=None),
        max((counts.last for counts in messages), default=None),
    )


def _functions(functions: Mapping[str, tuple[int, ...]]) -> str | None:
    """Return functions with their instances: ``tank 1, tank 2``."""
    named = (
        name if instance is None else f"{name} {instance}"
        for name, instances in functions.items()
        for instance in instances or (None,)
    )
    return ", ".join(named) or None


def _log_column(*, with_log: bool) -> tuple[TableColumn, ...]:
    return (TableColumn("log", _TEXT),) if with_log else ()


def _shared(log: str | None, channel: str, length: int) -> dict[str, ColumnData]:
    return {**({} if log is None else {"log": same_text(log, length)}), "channel": same_text(channel, length)}


def _times(microseconds: Sequence[int | None], started: int | None) -> Times:
    """Return microseconds since the log's first frame as moments."""
    if started is None:
        return Times(None)
    found = integer_list([None if moment is None else moment + started for moment in microseconds])
    return Times(found.values.astype("int64"), found.missing)


def _seconds(microseconds: Sequence[int | None]) -> Numbers:
    return number_list([None if moment is None else moment / SECOND_US for moment in microseconds])
