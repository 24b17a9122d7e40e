"""How a bus is named: the same values as by python-can's own rules, each reported with its origin."""

import json
from pathlib import Path
from tempfile import TemporaryDirectory

import can
import pytest
from can import util
from hypothesis import given
from hypothesis import strategies as st

from rvsim.edge.port import Port
from rvsim.edge.settings import resolve
from rvsim.errors import InputError


def settle_down(patch: pytest.MonkeyPatch, home: Path) -> None:
    """Leave python-can nothing of this machine's own: files in ``home`` only, no variables."""
    for variable in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG"):
        patch.delenv(variable, raising=False)
    patch.setattr(util, "CONFIG_FILES", [str(home / name) for name in ("first", "second", "third")])
    patch.setattr(can, "rc", {})


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Where the configuration files of a test lie."""
    settle_down(monkeypatch, tmp_path)
    return tmp_path


def refused(*args, **more) -> str:
    """Return the one line with which something is refused."""
    with pytest.raises(InputError) as caught:
        resolve(*args, **more)
    (line,) = caught.value.problems
    assert "\n" not in line
    return line


def said(settings, word: str) -> str:
    """Return the one sentence about a value."""
    (sentence,) = (line for line in settings.sentences if line.startswith(f"{word}: "))
    return sentence


INTERFACES = st.sampled_from(["virtual", "socketcan", "slcan", "cantact", "pcan", "kvaser"])
CHANNELS = st.sampled_from(["can0", "1", "007", "+3", "1.5", "true", "/dev/ttyACM0", "CAN 1"])
RATES = st.sampled_from(["125000", "250000", "500000"])
VALUES = {"interface": INTERFACES, "bustype": INTERFACES, "channel": CHANNELS, "bitrate": RATES}
SOURCE = st.fixed_dictionaries({}, optional=VALUES)


@given(
    line=st.fixed_dictionaries({}, optional={"interface": INTERFACES, "channel": CHANNELS, "bitrate": RATES.map(int)}),
    variables=st.fixed_dictionaries({}, optional={k: v | st.just("") for k, v in VALUES.items() if k != "bustype"}),
    config=st.none() | SOURCE | st.fixed_dictionaries({}, optional={"bitrate": RATES.map(int), "channel": st.none()}),
    files=st.lists(st.none() | SOURCE, min_size=3, max_size=3),
)
def test_what_holds_is_what_python_can_would_take(line, variables, config, files):
    """For all options, variables and files, interface, channel and bit rate are python-can's own result."""
    with pytest.MonkeyPatch.context() as patch, TemporaryDirectory() as place:
        settle_down(patch, Path(place))
        for key, value in variables.items():
            patch.setenv(f"CAN_{key.upper()}", value)
        if config is not None:
            patch.setenv("CAN_CONFIG", json.dumps(config))
        for path, values in zip(util.CONFIG_FILES, files, strict=True):
            if values is not None:
                rows = [f"{key} = {value}" for key, value in values.items()]
                Path(path).write_text("\n".join(["[default]", *rows]))
        try:
            expected = util.load_config(config=dict(line))
        except can.CanInterfaceNotImplementedError:
            assert refused(line.get("interface"), line.get("channel"), line.get("bitrate")).startswith("no interface")
            return
        name, channel = expected["interface"], expected["channel"]
        if channel is None and name in ("slcan", "cantact", "kvaser"):
            assert "no channel is given" in refused(line.get("interface"), None, line.get("bitrate"))
            return
        settings = resolve(line.get("interface"), line.get("channel"), line.get("bitrate"))
    assert settings.interface == name
    assert settings.virtual == (name == "virtual")
    if name in ("virtual", "socketcan") and channel is not None:
        assert isinstance(settings.channel, str)
        assert util.cast_from_string(settings.channel) == channel
    else:
        assert (settings.channel, type(settings.channel)) == (channel, type(channel))
    if name in ("virtual", "socketcan"):
        assert "bitrate" not in settings.options
    else:
        assert settings.options["bitrate"] == (expected.get("bitrate") or 250_000)


def test_options_come_first_and_are_named():
    """What is given with an option holds, whatever else is configured."""
    settings = resolve("slcan", "/dev/ttyACM0", 500_000, ["tty_baudrate=57600"])
    assert (settings.interface, settings.channel) == ("slcan", "/dev/ttyACM0")
    assert settings.options == {"bitrate": 500_000, "tty_baudrate": 57_600, "listen_only": True}
    assert settings.sentences == (
        "interface: slcan (--interface)",
        "channel: /dev/ttyACM0 (--channel)",
        "tty_baudrate: 57600 (--adapter-option)",
        "bitrate: 500000 (--bitrate); RV-C runs at 250000",
        "listening: the adapter is set to listen-only (listen_only: True): it sends nothing and acknowledges no frames",
    )


def test_channels_that_are_names_stay_text():
    """007 is not 7 where a channel is a name; where channels are counted python-can's cast holds."""
    for name, more in (("virtual", []), ("socketcan", []), ("socketcand", ["host=h", "port=1"])):
        assert [resolve(name, text, None, more).channel for text in ("007", "1", "true")] == ["007", "1", "true"]
    assert resolve("cantact", "007", None).channel == 7


def test_a_serial_number_stays_text(monkeypatch):
    """The adapter known by its serial number keeps the zeros before it."""
    monkeypatch.setitem(can.interfaces.BACKENDS, "usb2can", ("can.interfaces.virtual", "VirtualBus"))
    assert resolve("usb2can", "00123", None).channel == "00123"


def test_a_channel_that_is_not_text_is_left_as_it_is(monkeypatch):
    """JSON distinguishes numbers and text, so a number in JSON stays a number."""
    monkeypatch.setenv("CAN_CONFIG", '{"channel": 1}')
    assert resolve("virtual", None, None).channel == 1


def test_without_a_channel_the_driver_decides_or_it_is_an_error():
    """A driver with a default keeps it; for another one the channel has to be given."""
    settings = resolve("virtual", None, None)
    assert settings.channel is None
    assert said(settings, "channel") == "channel: none given; the driver's default is used"
    assert refused("slcan", None, None) == "slcan: no channel is given; give --channel, or set CAN_CHANNEL"


def test_the_rate_of_the_network_is_the_default_and_is_reported():
    """Without a given bit rate it is 250000, whatever the driver's default."""
    settings = resolve("cantact", "0", None)
    assert settings.options["bitrate"] == 250_000
    assert said(settings, "bitrate") == "bitrate: 250000 (none given; RV-C runs at 250000)"


def test_a_rate_of_null_is_no_rate(monkeypatch):
    """A null in CAN_CONFIG names nothing."""
    monkeypatch.setenv("CAN_CONFIG", '{"bitrate": null}')
    assert resolve("cantact", "0", None).options["bitrate"] == 250_000
    assert "not used" not in said(resolve("virtual", "x", None), "bitrate")


@pytest.mark.parametrize(
    ("name", "channel", "sentence"),
    [
        ("virtual", "a", "bitrate: none, a virtual bus has no bit rate; RV-C runs at 250000"),
        (
            "socketcan",
            "can1",
            "bitrate: the operating system sets it, not this program; for RV-C run: "
            "ip link set can1 type can bitrate 250000 listen-only on",
        ),
        ("socketcand", "a", "bitrate: not set by this driver; the adapter must already run at the 250000 of RV-C"),
    ],
)
def test_where_the_driver_sets_no_rate_the_sentence_names_who_does(name, channel, sentence):
    """A bit rate is not passed to a driver that would ignore it, and a given one is reported as not used."""
    more = ["host=h", "port=1"] if name == "socketcand" else []
    settings = resolve(name, channel, None, more)
    assert "bitrate" not in settings.options
    assert said(settings, "bitrate") == sentence
    settings = resolve(name, channel, 500_000, more)
    assert "bitrate" not in settings.options
    assert said(settings, "bitrate") == f"{sentence}; 500000 (--bitrate) is not used"


def test_the_command_for_a_link_names_a_link():
    """Without a channel, and without listening, the command still is one that can be run."""
    sentence = said(resolve("socketcan", None, None, listening=False), "bitrate")
    assert sentence.endswith("run: ip link set can0 type can bitrate 250000")


@pytest.mark.parametrize("rate", [0, -1, 1_000_001, "fast", "250.5", "true"])
def test_an_impossible_rate_is_refused(rate, monkeypatch):
    """Zero, less, more than classic CAN can do, or no whole number; even where the driver would not look at it."""
    monkeypatch.setenv("CAN_BITRATE", str(rate))
    for name in ("cantact", "virtual"):
        line = refused(name, "0", None)
        assert line.startswith("environment CAN_BITRATE: a bit rate of ")
        assert line.endswith("is impossible; give bits per second from 1 to 1000000, 250000 for RV-C")
    if isinstance(rate, int):
        assert f"--bitrate: a bit rate of {rate} is" in refused("cantact", "0", rate)
    assert resolve("cantact", "0", 1_000_000).options["bitrate"] == 1_000_000
    assert resolve("cantact", "0", 1).options["bitrate"] == 1


TIMING = {"f_clock": 8_000_000, "brp": 2, "tseg1": 13, "tseg2": 2, "sjw": 1, "nof_samples": 1}


def test_a_bit_timing_sets_the_rate(monkeypatch):
    """Where all parts of a bit timing are configured python-can builds it, and it decides the bit rate."""
    monkeypatch.setenv("CAN_CONFIG", json.dumps(TIMING))
    settings = resolve("slcan", "COM3", 500_000)
    assert settings.options["timing"].bitrate == 250_000
    assert set(settings.options) == {"timing", "listen_only"}
    assert said(settings, "bitrate") == (
        "bitrate: 250000 (by the bit timing, environment CAN_CONFIG), the rate of RV-C; 500000 (--bitrate) is not used"
    )
    monkeypatch.setenv("CAN_CONFIG", json.dumps(TIMING | {"brp": 1}))
    sentence = said(resolve("slcan", "COM3", None), "bitrate")
    assert sentence == "bitrate: 500000 (by the bit timing, environment CAN_CONFIG); RV-C runs at 250000"


def test_a_bit_timing_of_two_rates_sets_the_first(monkeypatch):
    """Of a timing for FD the rate of identifiers counts."""
    parts = {f"{part}_{name}": TIMING[name] for part in ("nom", "data") for name in ("brp", "tseg1", "tseg2", "sjw")}
    monkeypatch.setenv("CAN_CONFIG", json.dumps({"f_clock": 8_000_000, **parts, "data_brp": 1}))
    assert said(resolve("pcan", "PCAN_USBBUS1", None), "bitrate").startswith("bitrate: 250000 (by the bit timing")


def test_parts_that_make_no_timing_are_refused(monkeypatch):
    """Half a bit timing, or one for a driver that takes none, would be ignored by python-can."""
    assert 'slcan has no option "brp"' in refused("slcan", "COM3", None, ["brp=2"])
    monkeypatch.setenv("CAN_CONFIG", json.dumps(TIMING))
    with pytest.raises(InputError) as caught:
        resolve("virtual", "a", None)
    assert len(caught.value.problems) == len(TIMING)


def test_a_register_value_sets_the_rate():
    """One driver takes the bit rate as a register value, and refuses both."""
    settings = resolve("slcan", "COM3", None, ["btr=011C"])
    assert settings.options == {"btr": "011C", "listen_only": True}
    assert said(settings, "bitrate") == "bitrate: set by btr; RV-C runs at 250000"


def test_without_an_interface_the_error_names_the_options():
    """Without any configuration one line names the options to give, and how to find their values."""
    line = refused(None, "can0", None)
    assert line.startswith("no interface is given: give --interface (and --channel)")
    assert "CAN_INTERFACE" in line
    assert "rvsim about" in line


def test_an_unknown_interface_is_refused_where_it_was_named(monkeypatch):
    """The closest known name is offered, with the place of the wrong one."""
    line = refused("soketcan", "can0", None)
    assert line.startswith('--interface: unknown interface "soketcan" (did you mean "socketcan"?); python-can knows ')
    assert line.endswith(", ".join(sorted(can.interfaces.BACKENDS)))
    monkeypatch.setenv("CAN_CONFIG", '{"interface": ["virtual"]}')
    assert refused(None, None, None).startswith("environment CAN_CONFIG: unknown interface")


def test_a_misspelt_option_is_refused(monkeypatch, home):
    """An option that python-can would ignore is refused with its place, the closest name and all names that exist."""
    assert refused("slcan", "COM3", None, ["lisen_only=True"]) == (
        '--adapter-option: slcan has no option "lisen_only" (did you mean "listen_only"?); it has '
        "btr, can_filters, listen_only, rtscts, sleep_after_open, timeout, tty_baudrate"
    )
    monkeypatch.setenv("CAN_CONFIG", '{"state": "PASSIVE"}')
    assert refused("virtual", "a", None).startswith('environment CAN_CONFIG: virtual has no option "state"')
    monkeypatch.delenv("CAN_CONFIG")
    (home / "third").write_text("[default]\nrecieve_own_messages = True\n")
    line = refused("virtual", "a", None)
    assert line.startswith(f'configuration file {home / "third"}: virtual has no option "recieve_own_messages"')
    assert '(did you mean "receive_own_messages"?)' in line


def test_all_misspelt_options_are_reported_at_once():
    """Each is one line."""
    with pytest.raises(InputError) as caught:
        resolve("virtual", "a", None, ["x=1", "y=2"])
    assert [line.split(";")[0] for line in caught.value.problems] == [
        '--adapter-option: virtual has no option "x"',
        '--adapter-option: virtual has no option "y"',
    ]


class Lone(can.BusABC):
    """A driver without any parameter."""

    def __init__(self):
        super().__init__("lone")

    send = _recv_internal = None


def test_a_driver_without_any_parameter(monkeypatch):
    """It needs no channel, is not given a bit rate, and every option is refused."""
    monkeypatch.setattr("rvsim.edge.settings.load_driver", lambda name: Lone)
    assert resolve("iscan", None, None).options == {}
    assert refused("iscan", None, None, ["x=1"]) == '--adapter-option: iscan has no option "x"; it has none'


def test_values_are_cast_by_python_can():
    """Texts become numbers and booleans; a state becomes python-can's member, and is shown by its name."""
    settings = resolve("pcan", "PCAN_USBBUS1", None, ["device_id=7", "auto_reset=True", "state=ACTIVE"])
    assert settings.options["device_id"] == 7
    assert settings.options["auto_reset"] is True
    assert settings.options["state"] is can.BusState.ACTIVE
    assert said(settings, "state") == "state: ACTIVE (--adapter-option)"


def test_a_value_that_python_can_refuses_is_one_line():
    """An error that python-can itself finds is one line."""
    line = refused("pcan", "PCAN_USBBUS1", None, ["state=passive"])
    assert line == "pcan: an option is not what python-can expects (State config not valid!); correct it"
    assert "Port config" in refused("socketcand", "can0", None, ["port=x"])


@pytest.mark.parametrize("text", ["listen_only", "=True", ""])
def test_an_option_is_a_name_and_a_value(text):
    """Anything else is refused."""
    assert refused("slcan", "COM3", None, [text]) == (
        f'--adapter-option "{text}": write it as NAME=VALUE, without spaces'
    )


def test_a_value_may_hold_an_equals_sign():
    """Only the first one parts name and value."""
    assert resolve("socketcand", "a", None, ["host=a=b", "port=1"]).options["host"] == "a=b"


def test_an_option_given_twice_is_refused():
    """Which one is meant cannot be known."""
    assert refused("slcan", "COM3", None, ["rtscts=True", "rtscts=False"]) == (
        '--adapter-option rtscts=False: "rtscts" is given twice; leave one out'
    )


@pytest.mark.parametrize(
    ("key", "option"),
    [("interface", "interface"), ("bustype", "interface"), ("channel", "channel"), ("bitrate", "bitrate")],
)
def test_what_has_an_option_of_its_own_is_given_there(key, option):
    """Interface, channel and bit rate are no adapter options."""
    assert refused("virtual", None, None, [f"{key}=1"]) == f"--adapter-option {key}=1: give this with --{option}"


def test_acknowledging_is_reported():
    """On a bus without adapter, with one that has no listening mode, and on a link the system holds."""
    assert said(resolve("virtual", "can0", None), "listening") == (
        "listening: this program sends nothing; a virtual bus has no adapter that acknowledges"
    )
    no_mode = (
        "listening: rvsim sets no listening mode for this driver: this program sends nothing, "
        "but the adapter acknowledges frames"
    )
    assert said(resolve("iscan", "0", None), "listening") == no_mode
    assert said(resolve("socketcan", "can0", None), "listening") == (f"{no_mode} unless its link is set to listen-only")


def test_a_listening_mode_set_by_the_user_stays():
    """The user's value is kept, and its consequence is reported."""
    settings = resolve("slcan", "COM3", None, ["listen_only=False"])
    assert settings.options["listen_only"] is False
    assert said(settings, "listening") == (
        "listening: listen_only is False (--adapter-option): this program sends nothing, "
        "but the adapter acknowledges frames"
    )
    settings = resolve("pcan", None, None, ["state=PASSIVE"])
    assert said(settings, "listening").endswith(
        "listen-only (state: PASSIVE): it sends nothing and acknowledges no frames"
    )


def test_a_driver_that_lost_its_parameter_has_no_mode(monkeypatch):
    """Where the installed driver does not have the parameter nothing is claimed."""
    monkeypatch.setitem(can.interfaces.BACKENDS, "slcan", ("can.interfaces.iscan", "IscanBus"))
    settings = resolve("slcan", "0", None)
    assert settings.options == {"bitrate": 250_000}
    assert "sets no listening mode for this driver" in said(settings, "listening")


def test_without_listening_no_mode_is_set():
    """Whoever is going to send gets an adapter that takes part."""
    settings = resolve("slcan", "COM3", None, listening=False)
    assert settings.options == {"bitrate": 250_000}
    assert not [line for line in settings.sentences if line.startswith("listening")]


def test_the_kind_of_interface_decides_what_is_virtual():
    """A channel's name makes nothing virtual, and a virtual bus may have any name."""
    assert resolve("virtual", "can0", None).virtual
    assert not resolve("socketcan", "vcan0", None).virtual
    assert not resolve("udp_multicast", "virtual", None).virtual


def test_settings_open_a_port():
    """What is resolved can be handed to a port as it is."""
    settings = resolve("virtual", "test_settings", None, ["rx_queue_size=10"])
    with Port(settings.interface, settings.channel, listen=False, options=settings.options) as port:
        assert port.statistics.error is None
