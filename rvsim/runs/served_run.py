"""A paced run that other programs of this machine take part in.

Knows: how a run and the hub are put together. Does not know options' names, nor how either works.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rvsim.edge.hub import Hub, HubStatistics
from rvsim.edge.hub_protocol import address_of
from rvsim.errors import InputError
from rvsim.faces.cli.exits import say
from rvsim.runs.bench import BenchRun
from rvsim.wire.frame import Frame


@contextmanager
def served(where: str, make: Callable[..., BenchRun], speed: float | None) -> Iterator[Callable[..., BenchRun]]:
    """Serve the run that is made by what this yields, until the end of the block.

    Raises:
        InputError: there is no address, or nothing to take part in: virtual time waits for nobody.
        BusError: the port cannot be had.
    """
    if speed is None:
        raise InputError("--serve needs time that others can keep up with: leave --speed max out")
    lock = threading.Lock()
    runs: list[BenchRun] = []
    early: list[tuple[int, bytes]] = []
    """What clients sent before there was a run; it is put onto the wires at its beginning."""

    def take(identifier: int, data: bytes) -> None:
        with lock:
            if runs:
                runs[0].inject(identifier, data)
            else:
                early.append((identifier, data))

    with Hub(address_of(where), take, time.monotonic) as hub:

        def made(*arguments: object, **more: object) -> BenchRun:
            run = make(*arguments, tap=publish, **more)
            with lock:
                runs.append(run)
                for sent in early:
                    run.inject(*sent)
            return run

        def publish(frame: Frame) -> None:
            hub.publish(frame)

        say(opening(hub))
        try:
            yield made
        finally:
            say(summary(hub.statistics))


def opening(hub: Hub) -> str:
    """Say where a bench is served, and how python-can opens it."""
    there = f'interface="socketcand", host="127.0.0.1", port={hub.port}, channel="rvsim"'
    return f"served on 127.0.0.1:{hub.port}, for can.Bus({there})"


def summary(counts: HubStatistics) -> str:
    """Say at the end what clients did, and every loss."""
    seldom = {
        "never on the wires": counts.lost,
        "not on the wires yet at the end": counts.under_way,
        "not of this network": counts.refused,
        "clients let go for garbage": counts.let_go,
        "clients let go as their handshake was not finished": counts.unfinished,
        "clients turned away as there were too many": counts.turned_away,
    }
    said = "".join(f", {count} {what}" for what, count in seldom.items() if count)
    return f"{counts.taken} frames taken from clients, {counts.dropped} dropped for slow ones{said}"
