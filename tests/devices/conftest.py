"""A device alone on a bench, with the test as all other nodes on the line."""

from collections.abc import Callable
from functools import partial

import pytest

from rvsim.devices.device import Site
from rvsim.devices.registry import kinds_by_name
from rvsim.rig.model import Rig
from rvsim.rig.vehicle import WeatherPlan
from rvsim.sim.bench import Bench
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

EXACT = {"clock": "exact", "jitter": "0s", "busy": "0s", "start": "0s"}
"""A device without any error of time."""


class Alone:
    """One simulated device; what it sends is kept as (seconds, DGN, bytes in hex)."""

    def __init__(self, catalogue, device: dict, vehicle: dict, site: Site, weather: WeatherPlan, acts=()):
        rig = Rig.model_validate({"schema": 1, "name": "one", "title": "One device", "device": [device], **vehicle})
        self.sent: list[tuple[float, int, str]] = []
        self.bench = Bench(rig, catalogue, kinds_by_name(), site=site, weather=weather, on_frame=self._note)
        for time, name, do in acts:
            self.bench.plan(time, partial(self.bench.call_device, name, do))
        self.world = self.bench.world
        self.source = device["address"]

    def _note(self, frame):
        if frame.identifier & 0xFF == self.source:
            self.sent.append((frame.time / SECOND_US, dgn_of(frame.identifier), frame.data.hex(" ").upper()))

    def until(self, seconds: float) -> "Alone":
        """Run to a time."""
        self.bench.run_until(round(seconds * SECOND_US))
        return self

    def put(self, identifier: int, data: str, wait: float = 0.01) -> "Alone":
        """Put a frame in bytes written by hand on the line and let it arrive."""
        self.bench.send(identifier, bytes.fromhex(data))
        return self.until(self.bench.kernel.now / SECOND_US + wait)

    def of(self, dgn: int) -> list[tuple[float, str]]:
        """What was sent with a DGN, as (seconds, bytes)."""
        return [(time, data) for time, sent, data in self.sent if sent == dgn]

    def last(self, dgn: int) -> str:
        """The last bytes sent with a DGN."""
        return self.of(dgn)[-1][1]


@pytest.fixture(scope="module")
def defined(tmp_path_factory):
    """Load our definitions with those of a user: ``defined(text)``."""

    def go(text):
        folder = tmp_path_factory.mktemp("user")
        (folder / "users.dbc").write_text(text, encoding="utf-8")
        return load_catalogue([folder / "users.dbc"], cache=folder)

    return go


@pytest.fixture
def alone(catalogue) -> Callable[..., Alone]:
    """Put one device on a bench of its own: ``alone("heater", furnace=1, water_heater=1)``."""

    def put(
        kind,
        address=0x80,
        settings=None,
        vehicle=None,
        shore_power=True,
        outdoor_c=-6.0,
        acts=(),
        plan=None,
        weather=None,
        **functions,
    ):
        device = {
            "name": kind.replace("_", " "),
            "kind": kind,
            "address": address,
            "functions": functions,
            "settings": settings or {},
            "timing": EXACT,
            **(plan or {}),
        }
        outside = WeatherPlan(outdoor_c=outdoor_c, **(weather or {}))
        return Alone(catalogue, device, vehicle or {}, Site(shore_power), outside, acts)

    return put
