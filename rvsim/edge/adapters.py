"""Which buses can be opened on this machine.

Knows: python-can's drivers and how to ask them without opening anything. Does not open or send.
"""

import logging
from collections.abc import Iterator

import can
from can.interfaces import BACKENDS


def attached() -> Iterator[str]:
    """Name what python-can can open here: its virtual bus, and each adapter that a driver finds attached.

    Two interfaces are not asked: they are networks and not adapters, and asking one of them takes seconds.
    """
    yield "virtual (inside this program)"
    logging.disable(logging.CRITICAL)  # drivers whose library is missing would each say so
    try:
        for name in sorted(set(BACKENDS) - {"virtual", "socketcand", "udp_multicast"}):
            for found in can.detect_available_configs(name):
                yield f"{name} {found.get('channel')}"
    finally:
        logging.disable(logging.NOTSET)
