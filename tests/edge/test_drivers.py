"""Which options python-can's drivers use, and that each listening mode reaches the adapter's library or its wire."""

import inspect
import logging
import re
from types import SimpleNamespace
from unittest.mock import MagicMock

import can
import can.interfaces.virtual
import pytest
from can.interfaces import BACKENDS

from rvsim.edge.drivers import LISTENING_MODES, driver_options, error_text, load_driver
from rvsim.edge.port import Port
from rvsim.errors import BusError, ExitCode


@pytest.mark.parametrize(
    ("name", "option"),
    [
        ("virtual", "rx_queue_size"),  # a parameter
        ("virtual", "can_filters"),  # a parameter of the class behind
        ("kvaser", "single_handle"),  # looked up by kwargs.get
        ("pcan", "f_clock"),  # looked up by "in kwargs"
        ("neovi", "override_library_name"),
    ],
)
def test_options_that_a_driver_looks_up_are_known(name, option):
    """Some drivers name few of their parameters; what they look up counts all the same."""
    assert option in driver_options(load_driver(name))


def test_what_is_no_option_is_not_listed():
    """Neither the object itself, nor what takes all the rest, nor what is marked as not for users."""
    known = set().union(*(driver_options(load_driver(name)) for name in ("cantact", "vector", "nixnet", "virtual")))
    assert not known & {"self", "args", "kwargs", "_testing"}


class Bare(can.BusABC):
    """A driver from elsewhere that looks its options up in brackets, and other things in other places."""

    def __init__(self, number, *, late=0, **rest):
        other = {"apart": 1}
        self.speed = rest["speed"], other["apart"], other.get("away"), "out" in other

    send = _recv_internal = None


class Strict(Bare):
    """A driver that passes no options on."""

    def __init__(self, number=0):
        super().__init__(number)


def test_a_driver_from_elsewhere_is_read_in_the_same_way(monkeypatch):
    """Lookups in brackets count, others do not, and a constructor that passes nothing on hides the ones behind."""
    assert driver_options(Bare) == {"number", "late", "speed", "can_filters", "channel"}
    assert driver_options(Strict) == {"number"}


def test_a_driver_without_source_is_known_by_its_parameters(monkeypatch):
    """What was compiled cannot be read; its declared parameters still count."""

    def without(function):
        raise OSError("no source")

    monkeypatch.setattr("inspect.getsource", without)
    assert driver_options(Bare) == {"number", "late", "can_filters", "channel"}


def test_a_missing_library_is_one_line(monkeypatch):
    """A driver that cannot be loaded is a bus that cannot be opened."""
    monkeypatch.setitem(BACKENDS, "canalystii", ("no_such_module", "Nothing"))
    with pytest.raises(BusError, match=r"^canalystii: its driver cannot be loaded \(.*No module named.*\); ") as caught:
        load_driver("canalystii")
    assert caught.value.exit_code is ExitCode.BUS
    assert "\n" not in str(caught.value)


def test_a_driver_is_loaded_in_silence(monkeypatch, caplog):
    """The log lines of drivers about missing libraries do not reach the user, and logging works afterwards."""

    def find(name):
        logging.getLogger("can").warning("a library is missing")
        return can.interfaces.virtual.VirtualBus

    monkeypatch.setattr("rvsim.edge.drivers._get_class_for_interface", find)
    load_driver("virtual")
    assert caplog.messages == []
    logging.getLogger("can").warning("heard")
    assert caplog.messages == ["heard"]


def test_an_error_is_one_line():
    """Line ends become spaces; an error without text gives the name of its class."""
    assert error_text(ValueError("a\n  b")) == "a b"
    assert error_text(TimeoutError()) == "TimeoutError"
    assert error_text(ValueError("gone  Traceback (most recent call last):\n  File x\nValueError: gone")) == "gone"


def cantact(monkeypatch, open_bus):
    """Return whether the library was set to monitor only."""
    library = MagicMock()
    monkeypatch.setattr("can.interfaces.cantact.cantact", library)
    open_bus(0)
    return library.Interface.return_value.set_monitor.call_args.args == (0, True)


def kvaser(monkeypatch, open_bus):
    """Return whether the library was set to be silent, before the channel went on the bus."""
    from can.interfaces.kvaser import canlib

    calls = MagicMock()
    for name in set(re.findall(r"\bcan[A-Z]\w+", inspect.getsource(canlib))):
        monkeypatch.setattr(canlib, name, getattr(calls, name), raising=False)
    monkeypatch.setattr(canlib, "get_channel_info", MagicMock())
    calls.canReadWait.return_value = 0
    open_bus(0)
    names = [name for name, *_ in calls.mock_calls]
    silent = calls.canSetBusOutputControl.call_args.args[1] == canlib.canstat.canDRIVER_SILENT  # type: ignore[attr-defined]
    return silent and names.index("canSetBusOutputControl") < names.index("canBusOn")


def nixnet(monkeypatch, open_bus):
    """Return whether the session was set to listen only, before it was started."""
    from can.interfaces import nixnet as driver

    library = MagicMock()
    library.errors.XnetError = RuntimeError
    monkeypatch.setattr(driver, "nixnet", library)
    monkeypatch.setattr(driver, "os", SimpleNamespace(name="nt"))
    open_bus("CAN1")
    return library.session.FrameOutStreamSession.return_value.intf.can_lstn_only is True


def pcan(monkeypatch, open_bus):
    """Return whether the library was set to listen only, before it was started."""
    from can.interfaces.pcan import pcan as driver

    library = MagicMock()
    for answer in (library.SetValue, library.Initialize, library.Uninitialize):
        answer.return_value = driver.PCAN_ERROR_OK  # type: ignore[attr-defined]
    library.GetValue.return_value = driver.PCAN_ERROR_OK, b"9.9.9.9"  # type: ignore[attr-defined]
    monkeypatch.setattr(driver, "PCANBasic", lambda: library)
    monkeypatch.setattr(driver, "HAS_EVENTS", False)
    open_bus("PCAN_USBBUS1")
    first, second = [call for call in library.mock_calls if call[0] in ("SetValue", "Initialize")][:2]
    return first.args[1:] == (driver.PCAN_LISTEN_ONLY, driver.PCAN_PARAMETER_ON) and second[0] == "Initialize"  # type: ignore[attr-defined]


def seeedstudio(monkeypatch, open_bus):
    """Return whether the first frame to the adapter holds the number of the silent mode: byte 13, counted from 0."""
    line = MagicMock()
    monkeypatch.setattr("can.interfaces.seeedstudio.seeedstudio.serial", line)
    open_bus("COM3")
    (written,) = [call.args[0] for call in line.Serial.return_value.write.call_args_list]
    return written[13] == 2


def slcan(monkeypatch, open_bus):
    """Return whether the channel was opened by the command for listening, and never by the other one."""
    line = MagicMock()
    monkeypatch.setattr("can.interfaces.slcan.serial", line)
    open_bus("COM3", sleep_after_open=0)
    written = [call.args[0] for call in line.serial_for_url.return_value.write.call_args_list]
    return b"L\r" in written and set(written) == {b"C\r", b"S5\r", b"\r", b"L\r"}


def systec(monkeypatch, open_bus):
    """Return whether the adapter was started in listening mode."""
    from can.interfaces.systec import ucanbus

    library = MagicMock()
    library.get_hardware_info.return_value = MagicMock(), [], None
    monkeypatch.setattr(ucanbus, "Ucan", lambda: library)
    open_bus(0)
    return library.init_can.call_args.kwargs["mode"] == ucanbus.Mode.MODE_LISTEN_ONLY


def vector(monkeypatch, open_bus):
    """Return whether the output of the channel was set to silent, before the channel was activated."""
    from can.interfaces.vector import canlib, xldefine

    library = MagicMock()
    monkeypatch.setattr(canlib, "xldriver", library)
    monkeypatch.setattr(canlib, "os", SimpleNamespace(name="nt"))
    monkeypatch.setattr(canlib, "get_channel_configs", list)
    monkeypatch.setattr(canlib.VectorBus, "_find_global_channel_idx", lambda self, **more: 0)
    monkeypatch.setattr(canlib.VectorBus, "_check_can_settings", lambda self, **more: None)
    open_bus(0)
    names = [name for name, *_ in library.mock_calls]
    silent = library.xlCanSetChannelOutput.call_args.args[2] == xldefine.XL_OutputMode.XL_OUTPUT_MODE_SILENT
    return silent and names.index("xlCanSetChannelOutput") < names.index("xlActivateChannel")


LIBRARIES = [cantact, kvaser, nixnet, pcan, seeedstudio, slcan, systec, vector]


@pytest.mark.parametrize("library", LIBRARIES, ids=lambda library: library.__name__)
def test_the_listening_mode_reaches_the_adapter(library, monkeypatch):
    """With the option of the table the installed driver sets its adapter to listen only, and not without it."""
    name = library.__name__
    mode = LISTENING_MODES[name]
    assert mode.option in driver_options(load_driver(name))
    opened = []

    def open_bus(channel, **more):
        """Open the bus as it is the first time, for listening the second."""
        listening = {mode.option: mode.value} if opened else {}
        with Port(name, channel, listen=False, options={"bitrate": 250_000, **listening, **more}):
            opened.append(listening)

    with monkeypatch.context() as patch:
        try:
            heard = library(patch, open_bus)
        except AttributeError:  # nothing was set at all
            heard = False
        assert not heard
    assert library(monkeypatch, open_bus)
    assert opened == [{}, {mode.option: mode.value}]


def test_every_mode_of_the_table_is_tried():
    """No entry stands there unseen."""
    assert [library.__name__ for library in LIBRARIES] == sorted(LISTENING_MODES)
