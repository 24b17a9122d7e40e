"""Listening, surveying and replaying send nothing: the one function that sends is replaced and never called."""

import threading
import time
from pathlib import Path

import pytest
from can.interfaces.virtual import VirtualBus

from rvsim.edge import port as port_module
from rvsim.edge.port import Port
from rvsim.edge.settings import resolve
from rvsim.faces.cli import listen, logs, survey_command
from rvsim.faces.screen.app import LiveScreen
from rvsim.wire.frame import Frame

pytestmark = pytest.mark.paced

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"
RVSIM = Path(port_module.__file__).parents[1]


@pytest.fixture
def sends(monkeypatch):
    """Every call of the one function that sends, and every frame that python-can's bus is given."""
    called = []
    monkeypatch.setattr(Port, "send", lambda self, frame: called.append(frame))
    monkeypatch.setattr(VirtualBus, "send", lambda self, message, timeout=None: called.append(message))
    return called


def run_over() -> int:
    """Wait until what runs behind the screen has ended."""
    for thread in threading.enumerate():
        if thread.name == "run":
            thread.join(60)
    return 0


def test_one_function_sends():
    """`Port.send` is the only place in the program that gives python-can a frame to send."""
    found = [
        path.relative_to(RVSIM).as_posix()
        for path in RVSIM.rglob("*.py")
        if "import can" in path.read_text() and "_bus.send(" in path.read_text()
    ]
    assert found == ["edge/port.py"]
    assert (RVSIM / "edge" / "port.py").read_text().count(".send(") == 1


def test_a_survey_sends_nothing(sends, tmp_path, capsys):
    """Neither does one that drafts a rig."""
    asked = survey_command.SurveyOptions(json=True, draft=tmp_path / "drafted.toml")
    survey_command.survey_logs([str(MARINE)], asked)
    assert sends == []
    assert '"frames": 9883' in capsys.readouterr().out


@pytest.mark.parametrize("form", ["plain", "json"])
def test_a_replay_sends_nothing(sends, form, capsys):
    """In both forms on stdout."""
    logs.replay_log(str(MARINE), logs.ReplayOptions(form=form, speed=None))
    assert sends == []
    assert len(capsys.readouterr().out.splitlines()) > 10


def test_a_replay_into_the_screen_sends_nothing(sends, monkeypatch):
    """With every key pressed that disturbs a bench."""
    heard = []

    def pressed(self):
        while not self.scene.ended:
            time.sleep(0.01)
        for deed in ("silence", "hold", "corrupt", "restore"):
            self.action_manual_fault(deed)
        self.action_warmer(1)
        heard.append(self.scene.watch.statistics.frames)
        assert self.scene.status_text == "A log cannot be disturbed; rvsim bench can."
        return 0

    monkeypatch.setattr(LiveScreen, "run", pressed)
    monkeypatch.setattr(LiveScreen, "redraw", lambda self: None)
    assert logs.replay_log(str(MARINE), logs.ReplayOptions(form="screen", speed=1e6)) == 0
    assert heard == [9883]
    assert sends == []


@pytest.mark.parametrize("form", ["plain", "json", "screen"])
def test_listening_sends_nothing(sends, form, monkeypatch, capsys):
    """A whole run on a virtual bus with a talker on it."""
    if form == "screen":
        monkeypatch.setattr(LiveScreen, "run", lambda self: run_over())
    settings = resolve("virtual", f"quiet {form}", None)
    listen.listen_bus(settings, listen.ListenOptions(form=form, end=300_000))
    assert sends == []
    assert "Nothing has been sent: 0 frames sent, 0 received." in capsys.readouterr().err


def test_the_bench_does_send(sends, catalogue):
    """The same counter counts where there is something to count, so nought means something."""
    port = Port("virtual", "counted", listen=False)
    port.send(Frame(0, 0x19FFE45E, bytes(8)))
    port.close()
    assert len(sends) == 1
