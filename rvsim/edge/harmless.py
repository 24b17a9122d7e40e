"""Whether rvsim may send to a bus: only if no real device can be on it.

Knows: two kinds of bus have no hardware: python-can's virtual bus, which ends within this program, and a hub of rvsim
on this machine, which has simulated devices behind it. The first is known by its interface. The second has the
interface ``socketcand``, and many ``socketcand`` servers have real buses. So the server is asked what it is, on a
separate connection, before any bus is opened; only a hub of rvsim knows the answer. A channel name or a port proves
nothing. A server that does not answer, or gives another answer, counts as real.

Only the question is sent, which opens no bus and sends no frame. Does not open a bus.
"""

import socket
from contextlib import suppress
from dataclasses import replace

from rvsim.edge.hub_protocol import DEFAULT_PORT, GREETING, LOOPBACK, QUESTION, is_hub_answer
from rvsim.edge.settings import BusSettings
from rvsim.errors import BusError, InputError

MAX_REPLY_WAIT_S = 2.0
"""The longest wait for a server's greeting, and again for its answer; ours needs milliseconds. Our decision."""
_MAX_REPLY_BYTES = 256


def prove_simulated(settings: BusSettings, max_wait_s: float = MAX_REPLY_WAIT_S) -> BusSettings:
    """Return the settings of a bus that is proved to be simulated; those of a hub name the address that was asked.

    Args:
        settings: a bus that is not open.
        max_wait_s: the longest wait for each of a server's two replies, in seconds.

    Raises:
        InputError: it counts as real.
        BusError: no server answers there.
    """
    if settings.virtual:
        return settings
    if settings.interface != "socketcand" or settings.options.get("host") not in LOOPBACK:
        raise InputError(_refusal(settings, "the bus may be real"))
    host, port = LOOPBACK[0], settings.options["port"]  # python-can requires one
    if not is_rvsim_hub(host, port, max_wait_s):
        why = f"the server on {host}:{port} is not a hub of rvsim, so its bus may be real"
        raise InputError(_refusal(settings, why))
    return replace(settings, options={**settings.options, "host": host, "port": port})


def require_server(settings: BusSettings, max_wait_s: float = MAX_REPLY_WAIT_S) -> None:
    """Check that a ``socketcand`` server can be reached, before python-can tries it for ten seconds without a pause.

    Nothing is sent; other interfaces are not checked.

    Raises:
        BusError: no server answers there.
    """
    host, port = settings.options.get("host"), settings.options.get("port")
    if settings.interface != "socketcand" or not isinstance(host, str) or not isinstance(port, int):
        return
    try:
        socket.create_connection((host, port), max_wait_s).close()
    except OSError as error:
        raise BusError(f"{host}:{port}: no server answers ({error.strerror or error})") from None


def is_rvsim_hub(host: str, port: int, max_wait_s: float = MAX_REPLY_WAIT_S) -> bool:
    """Return whether a server is a hub of rvsim; it is asked on a connection that is closed afterwards.

    Raises:
        BusError: no server answers there.
    """
    try:
        connection = socket.create_connection((host, port), max_wait_s)
    except OSError as error:
        raise BusError(
            f"{host}:{port}: no server answers ({error.strerror or error}); start the server first, such as "
            f'"rvsim bench --serve {port}"'
        ) from None
    with connection, suppress(OSError):  # a server that closes, or sends nothing in time, is not ours
        if connection.recv(_MAX_REPLY_BYTES) != GREETING:
            return False
        connection.sendall(QUESTION)
        return is_hub_answer(connection.recv(_MAX_REPLY_BYTES))
    return False


def _refusal(settings: BusSettings, why: str) -> str:
    channel = "" if settings.channel is None else f" {settings.channel}"
    return (
        f"{settings.interface}{channel}: {why}; this version sends on virtual buses and to hubs of rvsim on this "
        f'machine only: use --interface virtual, or serve a bench ("rvsim bench --serve") and give --interface '
        f"socketcand --channel rvsim --adapter-option host={LOOPBACK[0]} --adapter-option port={DEFAULT_PORT}"
    )
