"""Clients that send faster than the wires carry, and frames that never come through."""

import socket

import pytest

from rvsim.edge import hub as module
from rvsim.edge.hub import Hub
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

FRAME = Frame(1_250_000, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


def test_a_fast_client_is_held_until_its_frames_were_on_the_line(hub, raw, taken, joined, numbered):
    """No frame is lost and their order is kept, however fast they are sent; meanwhile it receives other frames."""
    connection = joined(raw())
    everything = [(number, bytes([number])) for number in range(200)]
    connection.sendall(b"".join(numbered(number) for number, _ in everything))
    taken.wait(module.UNDER_WAY_QUOTA)
    hub.publish(FRAME)
    assert connection.recv(256).startswith(b"< frame 19FFE45E")
    assert len(taken) == module.UNDER_WAY_QUOTA
    for place in range(200):
        taken.wait(place + 1)
        assert len(taken) <= place + module.UNDER_WAY_QUOTA
        hub.publish(Frame(place, *taken[place]))
    assert taken == everything


def test_frames_that_the_wires_lost_hold_a_client_for_a_time_only(taken, joined, numbered, clock):
    """After five seconds it is read again."""
    with (
        Hub(("127.0.0.1", 0), taken, clock) as hub,
        joined(socket.create_connection(("127.0.0.1", hub.port), 5)) as one,
    ):
        one.sendall(b"".join(numbered(number) for number in range(50)))
        taken.wait(module.UNDER_WAY_QUOTA)
        clock.seconds += module.LOST_AFTER_S - 0.5
        hub.publish(FRAME)
        assert one.recv(256).startswith(b"< frame 19FFE45E")
        assert len(taken) == module.UNDER_WAY_QUOTA
        clock.seconds += 0.5
        hub.publish(FRAME)
        taken.wait(50)


def test_a_held_client_is_looked_at_again_without_anything_happening(hub, raw, taken, monkeypatch, joined, numbered):
    """Also on wires on which nothing goes through at all."""
    monkeypatch.setattr(module, "LOST_AFTER_S", 0.1)
    connection = joined(raw())
    connection.sendall(b"".join(numbered(number) for number in range(100)))
    taken.wait(100)


def test_what_a_held_client_sends_stays_with_it(raw, hub, taken, monkeypatch, joined, numbered):
    """It fills no memory of the hub: the connection takes no more, although blanks are quickly read."""
    monkeypatch.setattr(module, "_MAX_READ_BYTES", 1 << 22)
    connection = joined(raw())
    connection.sendall(b"".join(numbered(number) for number in range(module.UNDER_WAY_QUOTA + 1)))
    taken.wait(module.UNDER_WAY_QUOTA)
    connection.settimeout(1)
    with pytest.raises(TimeoutError):
        connection.sendall(b" " * 50_000_000)
    assert len(taken) == module.UNDER_WAY_QUOTA


def test_a_lost_frame_hides_no_later_one_of_another(taken, joined, numbered, clock):
    """The same frame of another client, five seconds later, is received."""
    with (
        Hub(("127.0.0.1", 0), taken, clock) as hub,
        joined(socket.create_connection(("127.0.0.1", hub.port), 5)) as one,
    ):
        for waited, heard in ((module.LOST_AFTER_S - 0.5, 2), (module.LOST_AFTER_S, 1)):
            one.sendall(numbered(1))
            taken.wait()
            taken.clear()
            clock.seconds += waited
            hub.publish(Frame(1, 1, b"\x01"))
            hub.publish(Frame(2, 2, b"\x01"))
            assert one.recv(45).startswith(f"< frame {heard:08X}".encode())


def test_a_held_client_that_vanishes(hub, raw, taken, soon, joined, numbered):
    """It is forgotten when the frames that hold it have been on the wires."""
    connection = joined(raw())
    connection.sendall(b"".join(numbered(number) for number in range(module.UNDER_WAY_QUOTA + 1)))
    taken.wait(module.UNDER_WAY_QUOTA)
    connection.close()
    for identifier, data in list(taken):
        hub.publish(Frame(1, identifier, data))
    assert soon(lambda: hub.statistics.clients == 0)


def test_fast_clients_share_the_quota(hub, raw, taken, joined, numbered):
    """Each has its part, none waits for another to be done, and no more are under way than one alone may have."""
    first, second = joined(raw()), joined(raw())
    first.sendall(b"".join(numbered(number) for number in range(100)))
    taken.wait(module.UNDER_WAY_QUOTA)
    second.sendall(b"".join(numbered(number) for number in range(1000, 1100)))
    taken.wait(module.UNDER_WAY_QUOTA + module.UNDER_WAY_QUOTA // 2)
    for place in range(200):
        taken.wait(place + 1)
        hub.publish(Frame(place, *taken[place]))
    assert 30 < sum(identifier >= 1000 for identifier, _ in taken[:100]) < 70
    assert sorted(taken)[:100] == [(number, bytes([number])) for number in range(100)]
    assert len(taken) == 200
