"""Which buses can be opened on this machine.

Knows: python-can's drivers and how to query them without opening a bus. Does not open a bus, does not send.
"""

import logging
from collections.abc import Iterator

import can
from can.interfaces import BACKENDS


def openable_buses() -> Iterator[str]:
    """Yield the name of each bus that python-can can open here: its virtual bus, and each adapter that a driver finds.

    Two interfaces are not queried: they are networks and not adapters, and a query of one of them takes seconds.
    """
    yield "virtual (inside this program)"
    logging.disable(logging.CRITICAL)  # each driver whose library is missing would log it
    try:
        for name in sorted(set(BACKENDS) - {"virtual", "socketcand", "udp_multicast"}):
            for found in can.detect_available_configs(name):
                yield f"{name} {found.get('channel')}"
    finally:
        logging.disable(logging.NOTSET)
