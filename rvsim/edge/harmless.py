"""Whether a bus may be sent to without being armed: whether nothing real is on it.

Knows: two kinds of bus have no hardware: python-can's virtual bus, which ends within this program, and a hub of rvsim
on this machine, which has simulated devices behind it. The first is known by its interface kind. The second has the
interface kind of any ``socketcand`` server, and many of those have real buses, so it has to prove what it is: it is
asked on a connection of its own, before any bus is opened, and only a hub of ours knows the answer. No channel's name
and no port says anything. Whoever does not answer, or answers anything else, counts as real.

Only the question goes out, which is no message that opens a bus or sends a frame. Does not open a bus.
"""

import socket
from contextlib import suppress
from dataclasses import replace

from rvsim.edge.hub_protocol import GREETING, LOOPBACK, PORT, QUESTION, is_our_answer
from rvsim.edge.settings import BusSettings
from rvsim.errors import BusError, InputError

PROOF_S = 2.0
"""So long a server has for its greeting, and again for its answer; ours needs milliseconds. Our decision."""
_LONGEST = 256


def proved_harmless(settings: BusSettings, patience_s: float = PROOF_S) -> BusSettings:
    """Return the settings of a bus that has proved to be harmless; a hub's name the address that has proved it.

    Args:
        settings: a bus that is not open.
        patience_s: seconds that a server has for each of its two words.

    Raises:
        InputError: it counts as real.
        BusError: nobody serves there.
    """
    if settings.virtual:
        return settings
    if settings.interface != "socketcand" or settings.options.get("host") not in LOOPBACK:
        raise InputError(_refusal(settings, "it is not sent to"))
    host, port = LOOPBACK[0], settings.options["port"]  # python-can has seen to it that there is one
    if not is_our_hub(host, port, patience_s):
        raise InputError(_refusal(settings, f"the server on {host}:{port} is no hub of rvsim, so its bus may be real"))
    return replace(settings, options={**settings.options, "host": host, "port": port})


def is_our_hub(host: str, port: int, patience_s: float = PROOF_S) -> bool:
    """Ask a server whether it is a hub of rvsim, on a connection that is closed afterwards.

    Raises:
        BusError: nobody serves there.
    """
    try:
        connection = socket.create_connection((host, port), patience_s)
    except OSError as error:
        raise BusError(
            f"{host}:{port}: nobody serves there ({error.strerror or error}); start the other side first, like "
            f'"rvsim bench --serve {port}"'
        ) from None
    with connection, suppress(OSError):  # one that closes, or says nothing in time, is none of ours
        if connection.recv(_LONGEST) != GREETING:
            return False
        connection.sendall(QUESTION)
        return is_our_answer(connection.recv(_LONGEST))
    return False


def _refusal(settings: BusSettings, why: str) -> str:
    channel = "" if settings.channel is None else f" {settings.channel}"
    return (
        f"{settings.interface}{channel}: {why}; this version sends on virtual buses and to hubs of rvsim on this "
        f'machine only: use --interface virtual, or serve a bench ("rvsim bench --serve") and give --interface '
        f"socketcand --channel rvsim --adapter-option host={LOOPBACK[0]} --adapter-option port={PORT}"
    )
