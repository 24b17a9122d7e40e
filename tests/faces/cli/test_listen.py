"""Listening as a person and as a program get it, on python-can's virtual bus with a talker."""

import json
from pathlib import Path

import pytest

from rvsim.edge.port import Port
from rvsim.edge.settings import resolve
from rvsim.errors import BusError, InputError
from rvsim.faces.cli import listen as from_bus
from rvsim.faces.cli.listen import ListenOptions, listen_bus
from rvsim.faces.text.display_units import US
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame

HEATER = Frame(0, 0x19FFE45E, bytes.fromhex("0100C864FFFFFFFF"))


class Talker(Port):
    """The port of the listener; once it is open somebody else on the bus speaks."""

    said = (HEATER, HEATER._replace(time=1_000), HEATER._replace(time=2_000, data=bytes.fromhex("0100C850FFFFFFFF")))

    def __init__(self, interface, channel, **more):
        super().__init__(interface, channel, **more)
        with Port(interface, channel, listen=False) as other:
            for frame in self.said:
                other.send(frame)


@pytest.fixture
def listen(monkeypatch, capsys):
    """Listen for a fifth of a second to a bus with a talker: (exit code, stdout, stderr)."""
    monkeypatch.setattr(from_bus, "Port", Talker)

    def go(channel, form, every=False, record=None, rig=None):
        options = ListenOptions(form=form, every=every, rig=rig, end=200_000, record=record)
        code = listen_bus(resolve("virtual", channel, None), options)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return go


def test_a_bus_in_sentences(listen):
    """Who speaks and what; the settings and that nothing was sent stand on stderr."""
    code, out, err = listen("bus_one", "plain")
    lines = out.splitlines()
    assert code == 0
    assert lines[0] == "virtual bus_one, listening; no rig given."
    assert any("address 5E hex is present" in line for line in lines)
    assert any("heat output level 50 %" in line for line in lines)
    assert any("heat output level 40 %" in line for line in lines)
    assert "1 of 1 addresses present" in lines[-1]
    assert "rvsim: interface: virtual (--interface)" in err
    assert "RV-C runs at 250000" in err
    assert err.splitlines()[-1] == "rvsim: Listening only. Nothing has been sent: 0 frames sent, 3 received."


def test_a_bus_as_json(listen):
    """The first line names the bus and when it began; frames are none of ours."""
    _, out, _ = listen("bus_two", "json", every=True)
    lines = [json.loads(line) for line in out.splitlines()]
    assert (lines[0]["command"], lines[0]["bus"]) == ("listen", "virtual bus_two")
    assert lines[0]["started"].endswith("+00:00")
    frames = [line for line in lines if line["type"] == "frame"]
    assert [frame["bytes"] for frame in frames] == [frame.data.hex().upper() for frame in Talker.said]
    assert {frame["sent"] for frame in frames} == {False}


@pytest.mark.parametrize(("form", "said"), [("plain", "69.8 °F"), ("json", '"value": 21.0, "unit": "\\u00b0C"')])
def test_a_bus_in_other_units(monkeypatch, capsys, form, said):
    """A person reads them in the units that were chosen, a program in those of the definitions."""
    air = Frame(0, 0x19FF9C91, bytes.fromhex("01C024FFFFFFFFFF"))
    monkeypatch.setattr(from_bus, "Port", type("Air", (Talker,), {"said": (air,)}))
    settings = resolve("virtual", f"bus_units_{form}", None)
    assert listen_bus(settings, ListenOptions(form=form, end=200_000, units=US)) == 0
    out = capsys.readouterr().out
    assert said in out
    assert ("°F" in out) is (form == "plain")


@pytest.mark.parametrize("name", ["trip.log", "trip.jsonl"])
def test_what_was_heard_is_recorded(listen, tmp_path, name):
    """The recording has every frame, and is a log that can be surveyed."""
    listen(f"bus_{name[5:]}", "plain", record=tmp_path / name)
    with open_log(tmp_path / name) as log:
        assert [frame.data for frame in log.frames()] == [frame.data for frame in Talker.said]


def test_a_bus_held_against_a_rig(listen):
    """The planned name stands instead of the address."""
    _, out, _ = listen("bus_rig", "plain", rig="ottersby")
    assert "listening; compared with the rig ottersby." in out
    assert "heater is present, address 5E hex" in out


def test_a_recording_that_cannot_be_written(listen):
    """One clear line, and the bus is not even opened."""
    with pytest.raises(InputError, match=r"--record .*: cannot be written"):
        listen("bus_record", "plain", record=Path("/none/trip.log"))


def test_a_bus_that_cannot_be_opened(monkeypatch, capsys):
    """What python-can says of it, in one line."""

    def refuse(*args, **more):
        raise OSError("no such adapter")

    monkeypatch.setattr("can.Bus", refuse)
    with pytest.raises(BusError, match=r"virtual gone: the bus could not be opened \(no such adapter\)"):
        listen_bus(resolve("virtual", "gone", None), ListenOptions(form="plain", end=100_000))
