"""What a log tells beside our frames: frames of other kinds with their bits, errors and states, times that run back.

python-can's writers make the logs where they can; the other lines are as its readers' sources and test data, can-utils
and Linux have them.
"""

import io
from pathlib import Path

import can
import pytest

from rvsim.logs.read import RECORDING_ADAPTER, open_log
from rvsim.wire.error_report import ErrorReport
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.line_events import (
    ErrorFrame,
    ErrorState,
    LogEnded,
    OtherFrame,
    OtherKind,
    StateChanged,
    TimeWentBack,
)
from rvsim.wire.timing import remote_bits, standard_bits

WRITERS = {".log": can.CanutilsLogWriter, ".asc": can.ASCWriter, ".csv": can.CSVWriter, ".blf": can.BLFWriter}
DATA = bytes.fromhex("01A00FA6603BD140")


def contents(text):
    """All that a log tells, but for its end."""
    data = text if isinstance(text, bytes) else text.encode()
    with open_log(io.BytesIO(data)) as log:
        found = list(log.contents())
    assert isinstance(found[-1], LogEnded)
    return found[:-1]


@pytest.mark.parametrize("suffix", WRITERS)
def test_every_kind_of_frame_that_python_can_writes(tmp_path: Path, suffix):
    """11-bit, remote and error frames come with their bits, in their place among ours; the frames alone as ever."""
    path, start = tmp_path / f"x{suffix}", 1_410_714_882
    messages = [
        can.Message(timestamp=start, arbitration_id=0x18EBFF00, data=DATA),
        can.Message(timestamp=start + 1, arbitration_id=0x123, is_extended_id=False, data=DATA[:3]),
        can.Message(timestamp=start + 2, arbitration_id=0x18EAFF00, is_remote_frame=True, dlc=3),
        can.Message(timestamp=start + 3, arbitration_id=0x7DF, is_extended_id=False, is_remote_frame=True, dlc=0),
        can.Message(timestamp=start + 4, is_error_frame=True),
        can.Message(timestamp=start + 5, arbitration_id=0x18EBFF00, data=DATA),
    ]
    with WRITERS[suffix](path) as writer:
        for message in messages:
            message.channel = 0
            writer.on_message_received(message)
    with open_log(path) as log:
        found = list(log.contents())
    asked = 0 if suffix == ".log" else 3  # python-can does not write the length of a remote frame there
    assert found == [
        Frame(0, 0x18EBFF00, DATA),
        OtherFrame(1 * SECOND_US, OtherKind.STANDARD, standard_bits(0x123, DATA[:3])),
        OtherFrame(2 * SECOND_US, OtherKind.REMOTE, remote_bits(0x18EAFF00, asked)),
        OtherFrame(3 * SECOND_US, OtherKind.REMOTE, standard_bits(0x7DF, b"", 0)),
        ErrorFrame(4 * SECOND_US),
        Frame(5 * SECOND_US, 0x18EBFF00, DATA),
        LogEnded(5 * SECOND_US),
    ]
    with open_log(path) as log:
        assert list(log.frames()) == [one for one in found if isinstance(one, Frame)]
        skipped = {kind: count for kind, count in log.statistics.skipped.items() if kind != "event"}
        assert skipped == {"11-bit": 1, "remote": 2, "error": 1}


def test_fd_frames_are_left_out_of_the_load(tmp_path: Path):
    """Part of their bits go at a rate that no log tells: counted apart, never as classic ones."""
    assert contents("(1.0) can0 18EAFF00##1AABB\n(2.0) can0 18EAFF00#AABB\n") == [
        Frame(SECOND_US, 0x18EAFF00, b"\xaa\xbb")
    ]


CANDUMP = (
    "(1.000000) can0 18EBFF00#01A00FA6603BD140\n"
    "(2.000000) can0 20000088#0000040000000000\n"
    "(3.000000) can0 20000204#0020000000008203\n"
    "(4.000000) can0 20000040#0000000000000000\n"
    "(5.000000) can0 20000100#0000000000000000\n"
)
SCREEN = (
    " (1.000000)  can0  18EBFF00   [8]  01 A0 0F A6 60 3B D1 40\n"
    " (2.000000)  can0  20000088   [8]  00 00 04 00 00 00 00 00   ERRORFRAME\n"
    " (3.000000)  can0  20000204   [8]  00 20 00 00 00 00 82 03   ERRORFRAME\n"
    "\tcontroller-problem{tx-error-passive}\n"
    " (4.000000)  can0  20000040   [8]  00 00 00 00 00 00 00 00   ERRORFRAME\n"
    " (5.000000)  can0  20000100   [8]  00 00 00 00 00 00 00 00   ERRORFRAME\n"
)


@pytest.mark.parametrize("text", [CANDUMP, SCREEN], ids=["written", "on the screen"])
def test_error_messages_of_linux_in_candump_text(text):
    """Their classes, the kind of error, states and counters (Linux, include/uapi/linux/can/error.h)."""
    assert contents(text) == [
        Frame(0, 0x18EBFF00, DATA),
        ErrorFrame(1 * SECOND_US, "stuff error"),
        StateChanged(2 * SECOND_US, RECORDING_ADAPTER, ErrorState.PASSIVE, 130, 3),
        StateChanged(3 * SECOND_US, RECORDING_ADAPTER, ErrorState.BUS_OFF, None, None),
        StateChanged(4 * SECOND_US, RECORDING_ADAPTER, ErrorState.ACTIVE, None, None),
    ]


ASC = """date Fri Nov 20 10:00:00.000 am 2026
base hex  timestamps absolute
internal events logged
   0.500000 1  18EBFF00x       Rx   d 8 01 A0 0F A6 60 3B D1 40
   1.500000 1  ErrorFrame
   2.501000 1  ErrorFrame    ECC: 10100010
   3.501000 1  ErrorFrame	Flags = 0xe	CodeExt = 0x20a2	Code = 0x82	ID = 0	DLC = 0	Position = 5	Length = 11300
   4.000000 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 7
   4.200000 CAN 1 Status:chip status warning level - TxErr: 96 RxErr: 0
   4.300000 CAN 1 Status:chip status bus off
   4.400000 CAN 1 Status:chip status error active
   4.500000 1 Statistic: D 0 R 0 XD 1 XR 0 E 3 O 0 B 0.04%
   5.500000 1  123             Rx   d 1 FF
"""


def test_error_frames_and_states_in_asc_text():
    """With what the line says of them; a state has the time of the entry before, as other events do."""
    passive, warned, off, active = (
        StateChanged(3_001_000, RECORDING_ADAPTER, *state)
        for state in (
            (ErrorState.PASSIVE, 132, 7),
            (ErrorState.ACTIVE, 96, 0),
            (ErrorState.BUS_OFF, None, None),
            (ErrorState.ACTIVE, None, None),
        )
    )
    assert contents(ASC) == [
        Frame(0, 0x18EBFF00, DATA),
        ErrorFrame(1_000_000),
        ErrorFrame(2_001_000, "ECC: 10100010"),
        ErrorFrame(3_001_000, "Flags = 0xe CodeExt = 0x20a2 Code = 0x82 ID = 0 DLC = 0 Position = 5 Length = 11"),
        passive,
        warned,
        off,
        active,
        OtherFrame(5_000_000, OtherKind.STANDARD, standard_bits(0x123, b"\xff")),
    ]


TRC = """;$FILEVERSION=2.1
;$COLUMNS=N,O,T,B,I,d,R,L,D
      1      1000.000 DT 1 18EBFF00 Rx -  8    01 A0 0F A6 60 3B D1 40
      2      2000.000 DT 1      123 Rx -  1    FF
      3      3000.000 RR 1 18EAFF00 Rx -  3
      4      4000.000 ER 1       -  Rx -  4    00 02 08 00
"""


def test_other_kinds_in_trc_text():
    """11-bit, remote and error lines; what the bytes of an error line mean has no source here."""
    assert contents(TRC)[1:] == [
        OtherFrame(1 * SECOND_US, OtherKind.STANDARD, standard_bits(0x123, b"\xff")),
        OtherFrame(2 * SECOND_US, OtherKind.REMOTE, remote_bits(0x18EAFF00, 3)),
        ErrorFrame(3 * SECOND_US),
    ]


def test_an_error_object_of_either_kind_in_a_binary_log(tmp_path: Path):
    """The short object for error frames is known as well as the long one that python-can writes."""
    path = tmp_path / "x.blf"
    with can.BLFWriter(path) as writer:
        writer.on_message_received(can.Message(timestamp=1, arbitration_id=0x18EBFF00, data=DATA, channel=0))
        writer.on_message_received(can.Message(timestamp=2, is_error_frame=True, channel=0))
        writer._add_object(2, bytes([1, 0, 4, 0]), 3.0)
    with open_log(path) as log:
        found = list(log.contents())
    assert found[1:-1] == [ErrorFrame(SECOND_US), ErrorFrame(2 * SECOND_US)]


@pytest.mark.parametrize(
    ("second", "step", "time"),
    [
        ("9.000000", TimeWentBack(0, 1_000_000, "line 2"), 0),
        ("8.999999", TimeWentBack(0, 1_000_001, "line 2"), 0),
        ("9.999999", TimeWentBack(0, 1, "line 2"), 0),
        ("10.000000", None, 0),
    ],
)
def test_each_step_back_is_told_before_its_entry(second, step, time):
    """By how far and where; times go on from the one before."""
    found = contents(f"(10.000000) can0 18EBFF00#00\n({second}) can0 18EBFF00#01\n")
    assert found == [Frame(0, 0x18EBFF00, b"\0"), *([step] if step else []), Frame(time, 0x18EBFF00, b"\1")]


def test_the_place_in_a_binary_log_is_a_byte(tmp_path: Path):
    """It has no lines."""
    path = tmp_path / "x.blf"
    with can.BLFWriter(path) as writer:
        for time in (10, 18, 12):
            writer.on_message_received(can.Message(timestamp=time, arbitration_id=0x18EBFF00, channel=0))
    with open_log(path) as log:
        (step,) = (one for one in log.contents() if isinstance(one, TimeWentBack))
    assert step[:2] == (8 * SECOND_US, 6 * SECOND_US)
    assert step.where.startswith("byte ")


def test_an_error_that_is_the_first_entry_begins_the_log():
    """A log of nothing but errors has times too, and an end."""
    with open_log(io.BytesIO(b"(5.0) can0 20000080#0000000000000000\n(7.0) can0 20000080#0000000000000000\n")) as log:
        assert list(log.contents()) == [ErrorFrame(0), ErrorFrame(2 * SECOND_US), LogEnded(2 * SECOND_US)]


def test_an_empty_log_tells_nothing():
    """Not even its end."""
    with open_log(io.BytesIO(b"")) as log:
        assert list(log.contents()) == []


def test_a_report_without_a_word():
    """What most formats say of an error is that it was there."""
    assert ErrorReport() == (True, "", None, None, None, None)
