"""Logs to tables: how frames of messages are gathered, and whose names addresses have."""

from types import SimpleNamespace
from typing import Any

import polars
import pytest
from pyarrow import ipc, parquet

from rvsim.logs.blocks import MAX_BLOCK_FRAMES
from rvsim.logs.export.destination import Destination
from rvsim.logs.read import open_log
from rvsim.runs import export
from rvsim.runs.export import Export, ExportRequest, planned_devices
from rvsim.wire.frame import Frame


@pytest.mark.parametrize(("one", "together"), [(1 << 20, 1 << 20), (5, 1 << 20), (1 << 20, 9), (1, 1)])
def test_gathered_in_any_number(tmp_path, catalogue, monkeypatch, one, together):
    """Each message has all of its frames in order, however many wait; no more wait than is allowed."""
    monkeypatch.setattr(export, "MAX_WAITING_FRAMES", one)
    monkeypatch.setattr(export, "MAX_ALL_WAITING_FRAMES", together)
    specs = [catalogue.by_name(name) for name in ("TANK_STATUS", "FURNACE_STATUS", "DM_RV")]
    frames = [Frame(time, specs[time % 7 % 3].identifier(time % 2), bytes([time] * 8)) for time in range(80)]
    lines = [
        f"(0.{frame.time:06d}) can{frame.time % 2} {frame.identifier:08X}#{frame.data.hex()}\n" for frame in frames
    ]
    (tmp_path / "x.log").write_text("".join(lines))

    def kept():
        log = open_log(tmp_path / "x.log")
        whole = log.blocks
        log.blocks = lambda most=4: whole(min(most, 4))
        return log

    with Destination(tmp_path / "t", "parquet", is_folder=True, overwrite=False) as destination:
        run = Export(ExportRequest(tables=("messages",)), catalogue, None, destination, logs=1)
        run.add(kept, lambda *_: None)
        assert sum(run._messages._lengths.values()) < together
        assert all(length < one for length in run._messages._lengths.values())
        run.finish()
    for spec in specs:
        table = polars.read_parquet(tmp_path / f"t/messages/{spec.name}.parquet")
        for channel in (0, 1):
            found = table.filter(channel=f"can{channel}")["seconds"].to_list()
            assert found == [
                frame.time / 1e6
                for frame in frames
                if frame.time % 2 == channel and catalogue.by_dgn(frame.identifier >> 8 & 0x1FFFF) is spec
            ]


def exported(log, folder, form, catalogue):
    """Export the readings of a log, and return the path of their table."""
    with Destination(folder, form, is_folder=True, overwrite=False) as destination:
        run = Export(ExportRequest(tables=("readings",)), catalogue, None, destination, logs=1)
        run.add(lambda: open_log(log), lambda *_: None)
        run.finish()
    return folder / f"readings.{form}"


def test_readings_of_large_blocks(tmp_path, catalogue):
    """Parquet gathers the readings of more frames than other forms do, and has the same ones, field by field."""
    tank, furnace = (catalogue.by_name(name).identifier(0x90) for name in ("TANK_STATUS", "FURNACE_STATUS"))
    count = MAX_BLOCK_FRAMES + 20_000
    lines = (
        f"({place / 100:.6f}) can0 {tank if place % 3 else furnace:08X}#{place % 251:02X}{place % 7:02X}C8FFFF3201FF\n"
        for place in range(count)
    )
    (tmp_path / "x.log").write_text("".join(lines))
    packed = exported(tmp_path / "x.log", tmp_path / "packed", "parquet", catalogue)
    assert parquet.ParquetFile(packed).metadata.num_row_groups == 1
    texts = [polars.col("message", "field").cast(polars.String)]
    order = ["message", "field", "seconds"]
    found = polars.read_parquet(packed).with_columns(texts).sort(order)
    with ipc.open_file(exported(tmp_path / "x.log", tmp_path / "arrow", "arrow", catalogue)) as table:
        other = polars.DataFrame(table.read_all()).with_columns(texts).sort(order)
    assert len(found) > 5 * count
    for name in ("seconds", "source", "instance", "raw", "value", "unit", "state", "label"):
        assert found[name].cast(other[name].dtype).equals(other[name], null_equal=True), name


def test_an_address_of_two_devices_has_no_name():
    """One after the other may have had it: which frame is whose is not known."""

    def line(device, planned=True):
        return SimpleNamespace(device=device, planned=planned)

    sources = [
        SimpleNamespace(address=1, devices=[line("tank")]),
        SimpleNamespace(address=2, devices=[line("heater"), line("fan")]),
        SimpleNamespace(address=3, devices=[line("address 03 hex", planned=False)]),
        SimpleNamespace(address=4, devices=[]),
    ]
    survey: Any = SimpleNamespace(sources=sources)
    assert planned_devices(survey) == {1: "tank"}
    assert planned_devices(None) == {}
