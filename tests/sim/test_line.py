"""The simulated pair: one frame at a time, lowest identifier first."""

from rvsim.sim.kernel import Kernel
from rvsim.sim.line import Line


def carried(*sends):
    """Send (time, identifier, data) from one sender each and return what was delivered, as (time, identifier)."""
    kernel, log = Kernel(), []
    line = Line(kernel, lambda frame, sender: log.append((frame.time, frame.identifier, sender)))
    for number, (time, identifier, data) in enumerate(sends):
        kernel.at(time, lambda a: line.send(*a), (identifier, data, number))
    kernel.run_until(1_000_000)
    return log


def test_a_full_frame_takes_131_bits():
    """An 8-byte frame without stuff bits takes 131 bits of 4 us, 524 us at 250 kbit/s (Davis and others 2007)."""
    assert carried((1000, 0x19FFE45E, bytes(8))) == [(1524, 0x19FFE45E, 0)]


def test_an_empty_frame_takes_67_bits():
    """A frame without data takes 67 bits, 268 us (Davis and others 2007)."""
    assert carried((0, 0x18EAFF5E, b"")) == [(268, 0x18EAFF5E, 0)]


def test_waiting_frames_go_by_identifier():
    """Frames that find the pair busy wait; the lowest identifier goes next, whoever came first."""
    log = carried((0, 0x500, bytes(8)), (10, 0x300, bytes(8)), (20, 0x100, bytes(8)), (30, 0x200, bytes(8)))
    assert log == [(524, 0x500, 0), (1048, 0x100, 2), (1572, 0x200, 3), (2096, 0x300, 1)]


def test_equal_identifiers_keep_their_order():
    """Two waiting frames with one identifier go in the order they were sent."""
    log = carried((0, 0x1, bytes(8)), (1, 0x2, b"first"), (2, 0x2, b"later"))
    assert [sender for _, _, sender in log] == [0, 1, 2]


def test_a_free_pair_starts_at_once():
    """After a pause the next frame starts when it is sent."""
    assert [t for t, _, _ in carried((0, 0x1, bytes(8)), (10_000, 0x1, bytes(8)))] == [524, 10_524]
