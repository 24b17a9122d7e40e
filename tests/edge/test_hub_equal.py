"""Equal frames of several clients: each one on the wires is that of one client, the one that sent it first."""

import socket

import pytest

from rvsim.edge import hub as module
from rvsim.edge.hub import Hub
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

EQUAL = (0x19FEA642, b"\x01")
TEXT = b"< send 19FEA642 1 1 >"
ON_WIRES = b"< frame 19FEA642 "


def heard(connection, end):
    """What a connection got up to a text."""
    received = b""
    while end not in received:
        received += connection.recv(4096)
    return received


def test_a_frame_on_the_wires_is_that_of_one_client(hub, raw, taken, joined):
    """Two clients send the same frame: the first of the two on the wires reaches the second client, and then the
    other way round; each hears the other's and not its own.
    """
    one, other, third = (joined(raw()) for _ in range(3))
    one.sendall(TEXT)
    taken.wait(1)
    other.sendall(TEXT)
    taken.wait(2)
    for number in (1, 2):
        hub.publish(Frame(number * 1_000_000, *EQUAL))
    last = Frame(3_000_000, 0x19FFE45E, b"")
    hub.publish(last)
    times = {
        name: heard(client, b"19FFE45E").count(ON_WIRES)
        for name, client in zip("abc", (one, other, third), strict=True)
    }
    assert times == {"a": 1, "b": 1, "c": 2}
    assert hub.statistics.under_way == 0


def test_which_of_two_equal_frames_is_whose(hub, raw, taken, joined):
    """The oldest is on the line first: its sender does not receive that one, and receives the later one."""
    one, other = joined(raw()), joined(raw())
    for place, client in enumerate((one, other), 1):
        client.sendall(TEXT)
        taken.wait(place)
    hub.publish(Frame(1_000_000, *EQUAL))
    hub.publish(Frame(2_000_000, *EQUAL))
    assert heard(one, b" >") == b"< frame 19FEA642 2.000000 01 >"
    assert heard(other, b" >") == b"< frame 19FEA642 1.000000 01 >"


def test_equal_floods_do_not_starve_another_client(hub, raw, taken, joined):
    """Three clients flood the hub with one and the same frame, a fourth with frames of its own: no more are under way
    than there is room for, and each client has its share of the wires.
    """
    flood = [joined(raw()) for _ in range(3)]
    fourth = joined(raw())
    for connection in flood:
        connection.sendall(TEXT * 100)
    fourth.sendall(b"".join(f"< send {number:08X} 0 >".encode() for number in range(100)))
    for place in range(400):
        taken.wait(place + 1)
        hub.publish(Frame(place, *taken[place]))
        assert hub.statistics.under_way <= module.MAX_UNDER_WAY
        assert len(taken) - place <= module.MAX_UNDER_WAY + 1
    own = [identifier for identifier, data in taken if (identifier, data) != EQUAL]
    assert own == list(range(100))
    assert sum(one == EQUAL for one in taken[100:300]) < 170  # 150 of 200 are its share
    assert hub.statistics.lost == 0


def test_who_has_waited_longest_is_read_first(hub, raw, taken, joined, numbered, monkeypatch):
    """Where there is room for a single frame of all, clients take turns."""
    monkeypatch.setattr(module, "MAX_UNDER_WAY", 1)
    crowd = [joined(raw()) for _ in range(4)]
    for place, connection in enumerate(crowd):
        connection.sendall(b"".join(numbered(place * 100 + number) for number in range(10)))
    for place in range(40):
        taken.wait(place + 1)
        hub.publish(Frame(place, *taken[place]))
    turns = [identifier // 100 for identifier, _ in taken]
    assert all(sorted(turns[start : start + 4]) == [0, 1, 2, 3] for start in range(8, 32, 4)), turns


def test_frames_of_a_client_that_left_are_still_its_own(hub, raw, taken, joined, soon):
    """The equal frame of a client that stays is not taken for the one on the line."""
    gone, stays = joined(raw()), joined(raw())
    gone.sendall(TEXT)
    taken.wait(1)
    gone.close()
    assert soon(lambda: hub.statistics.clients == 1)
    stays.sendall(TEXT)
    taken.wait(2)
    hub.publish(Frame(1_000_000, *EQUAL))
    assert heard(stays, b" >") == b"< frame 19FEA642 1.000000 01 >"
    assert hub.statistics.under_way == 1


@pytest.mark.parametrize("waited", [0.0, module.LOST_AFTER_S])
def test_what_never_comes_to_the_wires_is_counted(raw, taken, joined, clock, waited):
    """After five seconds a frame is lost; before, it is on its way."""
    with (
        Hub(("127.0.0.1", 0), taken, clock) as hub,
        joined(socket.create_connection(("127.0.0.1", hub.port), 5)) as one,
    ):
        one.sendall(TEXT * 3)
        taken.wait(3)
        hub.publish(Frame(1, *EQUAL))
        clock.seconds += waited
        assert (hub.statistics.lost, hub.statistics.under_way) == ((2, 0) if waited else (0, 2))
