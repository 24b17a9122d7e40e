"""Which buses can be opened, queried from python-can's drivers."""

import can
import pytest

from rvsim.edge.adapters import openable_buses


def test_the_virtual_bus_is_always_there(monkeypatch):
    """Without any adapter the virtual bus is what can be opened."""
    monkeypatch.setattr(can, "detect_available_configs", lambda interfaces: [])
    assert list(openable_buses()) == ["virtual (inside this program)"]


def test_an_adapter_is_named_with_its_channel(monkeypatch):
    """What a driver finds is listed; networks are not queried, and nothing is opened."""
    asked = []

    def detect(name):
        asked.append(name)
        return [{"interface": name, "channel": "can0"}] if name == "socketcan" else []

    monkeypatch.setattr(can, "detect_available_configs", detect)
    monkeypatch.setattr(can, "Bus", lambda *args, **more: pytest.fail("a bus was opened"))
    assert list(openable_buses()) == ["virtual (inside this program)", "socketcan can0"]
    assert not {"udp_multicast", "socketcand"} & set(asked)
