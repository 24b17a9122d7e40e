"""The shipped DBC files in general libraries: frames are decoded by DGN, whatever their source and priority."""

import os
from pathlib import Path

import can
import canmatrix.formats
import cantools
import pytest

from rvsim.shipped import dbc_files
from rvsim.wire import ident

DATA = bytes.fromhex("0102FF24FFFFFFFF")
FRAMES = [(priority, source) for priority in (3, 6) for source in (0x44, 0xA1)]


def identifier(dgn, priority, source, destination=None):
    """An identifier of a DGN."""
    return ident.join_identifier(priority, dgn, source, destination)


@pytest.fixture(scope="module")
def cantools_database():
    """All files in one database, in which priority and source do not matter."""
    database = cantools.database.Database(frame_id_mask=0x03FFFF00)
    for path in dbc_files():
        database.add_dbc_file(path)
    return database


@pytest.mark.parametrize(("priority", "source"), FRAMES)
def test_cantools_decodes_by_dgn(cantools_database, priority, source):
    """A mask takes priority and source away; a destination is set to all nodes; special codes have names."""
    message = cantools_database.get_message_by_frame_id(identifier(0x1FFE2, priority, source))
    assert (message.name, message.protocol, message.cycle_time) == ("THERMOSTAT_STATUS_1", "j1939", 5000)
    decoded = message.decode(DATA)
    assert (decoded["operating_mode"], decoded["fan_speed"]) == ("heat", "no data")
    assert decoded["set_point_temperature_heat"] == 0xFF24 * 0.03125 - 273
    assert decoded["set_point_temperature_cool"] == "no data"
    request = identifier(0x0EA00, priority, source, 0x21)
    assert cantools_database.get_message_by_frame_id(request | 0xFF00).name == "REQUEST_FOR_DGN"


def test_every_message_is_found_by_its_dgn(cantools_database, catalogue):
    """All of them, from a source that stands in no file."""
    for spec in catalogue:
        destination = ident.GLOBAL_ADDRESS if ident.is_addressed(spec.dgn) else None
        found = cantools_database.get_message_by_frame_id(identifier(spec.dgn, 2, 0x77, destination))
        assert found.name == spec.name


@pytest.mark.parametrize(("priority", "source"), FRAMES)
def test_canmatrix_decodes_by_dgn(priority, source):
    """It knows a J1939 message by its attribute, and decodes by PGN of its own accord."""
    matrix = canmatrix.formats.loadp_flat(str(next(path for path in dbc_files() if path.stem == "climate")))
    assert matrix.contains_j1939
    whole = canmatrix.ArbitrationId(identifier(0x1FFE2, priority, source), extended=True)  # type: ignore[attr-defined]
    decoded = matrix.decode(whole, DATA)
    assert (decoded["operating_mode"].named_value, decoded["fan_speed"].named_value) == ("heat", "no data")
    frame = matrix.frame_by_name("THERMOSTAT_STATUS_1")
    assert (frame.is_j1939, frame.pgn, frame.cycle_time) == (True, 0x1FFE2, 5000)


def test_asammdf_decodes_by_dgn(tmp_path: Path):
    """Two sources of one message in a measurement: both are extracted, with the names of their codes.

    The library takes some 150 MB, so that it is no part of the tests' environment: .ci/run installs it for this test.
    """
    if "RVSIM_TESTS_NEED_ASAMMDF" not in os.environ:
        pytest.importorskip("asammdf")
    from asammdf import MDF

    path = tmp_path / "x.mf4"
    with can.MF4Writer(path) as writer:
        for number, (priority, source) in enumerate(FRAMES, 1):
            whole = identifier(0x1FFE2, priority, source)
            time = writer.last_timestamp + number
            writer.on_message_received(can.Message(timestamp=time, arbitration_id=whole, data=DATA, channel=0))
    with MDF(path) as mdf:
        extracted = mdf.extract_bus_logging({"CAN": [(str(file), 0) for file in dbc_files()]})
        found = [extracted.get(group=at[0], index=at[1]) for at in extracted.whereis("operating_mode")]
    assert len({float(time) for one in found for time in one.timestamps}) == len(FRAMES)
    assert {bytes(one) for signal in found for one in signal.samples} == {b"heat"}
