"""The options without which a driver cannot be opened: they are requested by name, before anything else."""

import can
import pytest
from can import util

from rvsim.edge.settings import resolve
from rvsim.errors import InputError


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Where the configuration files of a test lie; nothing of this machine's own is left."""
    for variable in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr(util, "CONFIG_FILES", [str(tmp_path / "first")])
    monkeypatch.setattr(can, "rc", {})
    return tmp_path


def refused(*args) -> str:
    """Return the one line with which something is refused."""
    with pytest.raises(InputError) as caught:
        resolve(*args)
    (line,) = caught.value.problems
    return line


def test_missing_options_are_reported_first():
    """All that is missing in one line, wherever the rest was named; the channel has its own option."""
    assert refused("socketcand", "can0", None) == (
        "socketcand: cannot be opened without host and port; give --adapter-option host=... --adapter-option port=..."
    )
    assert refused("socketcand", "can0", None, ["port=1"]) == (
        "socketcand: cannot be opened without host; give --adapter-option host=..."
    )
    assert refused("socketcand", None, None) == "socketcand: no channel is given; give --channel, or set CAN_CHANNEL"


def test_what_a_driver_needs_may_be_configured(home):
    """A configuration file counts as well."""
    (home / "first").write_text("[default]\nhost = h\nport = 29536\n")
    assert resolve("socketcand", "can0", None).options == {"host": "h", "port": 29536}


def test_a_bit_rate_that_a_driver_needs_is_there(monkeypatch):
    """What this program sets by itself need not be given."""

    class Demanding(can.BusABC):
        def __init__(self, channel, bitrate, *, flavour, depth=1, **more):
            """Never made."""

    monkeypatch.setattr("rvsim.edge.settings.load_driver", lambda _: Demanding)
    assert refused("slcan", "COM3", None) == (
        "slcan: cannot be opened without flavour; give --adapter-option flavour=..."
    )
    assert resolve("slcan", "COM3", None, ["flavour=plain"]).options == {"bitrate": 250_000, "flavour": "plain"}
