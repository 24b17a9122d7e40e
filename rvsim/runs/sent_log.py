"""A log on its way to a simulated bus: the hub or the port that sends its frames.

Knows: how a sender is put together with a hub of our own, or with a bus that is proved to be simulated. Does not know
option names, nor logs. Prints nothing: lines for the person go to ``say``.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from rvsim.edge.harmless import prove_simulated
from rvsim.edge.hub import Hub
from rvsim.edge.hub_protocol import parse_serve_address
from rvsim.edge.port import Port
from rvsim.edge.settings import BusSettings
from rvsim.runs.frame_sender import FrameSender
from rvsim.runs.progress import Say
from rvsim.runs.served_run import opening_text, summary_text
from rvsim.sim.clock import machine_s
from rvsim.wire.frame import Frame


@contextmanager
def serve_log(where: str, say: Say) -> Iterator[FrameSender]:
    """Serve a log to other programs on this machine; what one of them sends goes to the others.

    Args:
        where: ``PORT`` or ``HOST:PORT``; "" for the default port of the protocol.
        say: takes lines for the person.

    Raises:
        InputError: there is no such address.
        BusError: the port cannot be had.
    """
    hubs: list[Hub] = []
    lock = threading.Lock()
    last = Frame(0, 0, b"")

    def receive(identifier: int, data: bytes) -> None:
        if hubs:
            with lock:
                hubs[0].publish(Frame(last.time, identifier, data))

    def send(frame: Frame) -> None:
        nonlocal last
        with lock:
            last = frame
            hubs[0].publish(frame)

    with Hub(parse_serve_address(where), receive, machine_s) as hub:
        hubs.append(hub)
        say(opening_text(hub))
        with FrameSender(send) as sender:
            yield sender
        say(_sent_text(sender), summary_text(hub.statistics))


@contextmanager
def send_log(settings: BusSettings, say: Say) -> Iterator[FrameSender]:
    """Send a log on a simulated bus.

    Raises:
        InputError: the bus may be real.
        BusError: it cannot be opened, or no server answers there.
    """
    proved = prove_simulated(settings)
    with Port(proved.interface, proved.channel, listen=False, options=proved.options) as port:
        with FrameSender(port.send) as sender:
            yield sender
        say(_sent_text(sender))


def _sent_text(sender: FrameSender) -> str:
    counts = sender.statistics
    frames = "1 frame" if counts.sent == 1 else f"{counts.sent} frames"
    if not counts.sent:
        return "no frame sent"
    return (
        f"{frames} of the log sent; behind their times by {counts.median_us / 1000:.2f} ms (median), "
        f"{counts.p99_us / 1000:.2f} ms (99 of 100), {counts.worst_us / 1000:.2f} ms (worst)"
    )
