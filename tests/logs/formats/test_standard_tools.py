"""Logs that are written here, as the standard tools of other projects read them, where those are installed."""

import io
import shutil
import struct
import subprocess

import pytest

from rvsim.logs.export.log_file import LogFile
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

FRAMES = [
    Frame(time * 1500, identifier, bytes(range(size)))
    for time, (identifier, size) in enumerate(
        ((0x19FFE45E, 8), (0x18EEFF44, 8), (0x18EAFF44, 3), (0x1FFFFFFF, 0), (0x00000001, 1), (0x19FF9C91, 7))
    )
]
STARTED = 1_764_000_000_000_000
LINUX_CAN = 227
"""The link type of SocketCAN frames in pcap (LINKTYPE_CAN_SOCKETCAN, published by the project of libpcap)."""
EXTENDED = 1 << 31


@pytest.fixture
def tool():
    """Return the path of a program, or skip the test with the reason."""

    def find(name, package):
        path = shutil.which(name)
        if path is None:
            pytest.skip(f"{name} (of {package}) is not installed on this machine")
        return path

    return find


def written(path, catalogue, frames=FRAMES):
    """Write frames in the form of a file's suffix."""
    with path.open("wb") as file:
        log = LogFile(file, path.suffix, catalogue, name="x.log", started=STARTED, first=0)
        for frame in frames:
            log.write("can0", frame)
        log.close()
    return path


def frames_of(path_or_file):
    """The frames that our reader finds."""
    with open_log(path_or_file) as log:
        return list(log.frames())


def run(*words):
    """Return what a program prints."""
    return subprocess.run(words, capture_output=True, check=True, timeout=60).stdout


def packets(frames):
    """The bytes of a pcap file with frames as SocketCAN has them."""
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, LINUX_CAN)
    parts = [head]
    for frame in frames:
        packet = struct.pack(">IB3x", frame.identifier | EXTENDED, len(frame.data)) + frame.data
        moment = STARTED + frame.time
        parts.append(struct.pack("<IIII", moment // 10**6, moment % 10**6, len(packet), len(packet)) + packet)
    return b"".join(parts)


def test_log2asc_reads_our_candump_text(tmp_path, catalogue, tool):
    """What it makes of our .log has the frames that we wrote, as our reader of .asc finds them."""
    program = tool("log2asc", "can-utils")
    log = written(tmp_path / "x.log", catalogue)
    made = run(program, "-I", str(log), "can0")
    assert frames_of(io.BytesIO(made)) == FRAMES


def test_asc2log_reads_our_asc(tmp_path, catalogue, tool):
    """What it makes of our .asc has the frames that we wrote, as our reader of candump text finds them."""
    program = tool("asc2log", "can-utils")
    made = run(program, "-I", str(written(tmp_path / "x.asc", catalogue)))
    assert frames_of(io.BytesIO(made)) == FRAMES


def test_tshark_reads_the_packets_that_we_read(tmp_path, tool):
    """It finds the identifiers, lengths and times in a pcap file that our reader finds."""
    program = tool("tshark", "Wireshark")
    path = tmp_path / "x.pcap"
    path.write_bytes(packets(FRAMES))
    fields = ("can.id", "can.len", "frame.time_relative")
    text = run(program, "-r", str(path), "-T", "fields", *(word for field in fields for word in ("-e", field)))
    found = [
        (int(identifier, 0), int(size), round(float(time) * 1e6))
        for identifier, size, time in (line.split("\t") for line in text.decode().splitlines())
    ]
    assert found == [(frame.identifier, len(frame.data), frame.time) for frame in frames_of(path)]


def test_capinfos_counts_the_packets_that_we_read(tmp_path, tool):
    """It counts as many packets as our reader finds frames."""
    program = tool("capinfos", "Wireshark")
    path = tmp_path / "x.pcap"
    path.write_bytes(packets(FRAMES))
    table = run(program, "-T", "-c", "-r", "-M", str(path)).decode().split()
    assert int(table[-1]) == len(frames_of(path))


def test_our_packets_are_read_here():
    """The frames of the pcap file that the tools are given are what our reader finds in it."""
    assert frames_of(io.BytesIO(packets(FRAMES))) == FRAMES
