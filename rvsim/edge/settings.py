"""How a bus is named: by options, by python-can's environment variables and by its configuration files.

Knows: python-can's rules for finding a bus, and the one bit rate of RV-C. Every value is reported with its origin, and
an option that a driver would silently ignore is refused. Does not open a bus.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from can import BitTiming, BitTimingFd, BusState, util
from can.interfaces import BACKENDS
from can.typechecking import BitTimingDict, BitTimingFdDict

from rvsim.edge.configuration import ConfigValue, collect_values
from rvsim.edge.drivers import LISTENING_MODES, driver_options, error_text, load_driver, required_parameters
from rvsim.errors import InputError, did_you_mean
from rvsim.wire.timing import BIT_RATE

_MAX_BIT_RATE = 1_000_000  # bits per second of classic CAN, ISO 11898-2
_NAMED_CHANNELS = {"virtual", "socketcan", "socketcand", "usb2can"}  # a channel is a name or a serial number there
_OWN_OPTIONS = {"interface": "interface", "bustype": "interface", "channel": "channel", "bitrate": "bitrate"}
_TIMING_PARTS = {*BitTimingDict.__annotations__, *BitTimingFdDict.__annotations__}


@dataclass(frozen=True)
class BusSettings:
    """A bus that can be opened, and the sentences about it for the user."""

    interface: str
    channel: str | int | None
    """None: the driver's own default."""
    options: Mapping[str, Any]
    """All other parameters of python-can's bus class, the bit rate included where that class has one."""
    sentences: tuple[str, ...]
    """For the user: each value with its origin, the bit rate, the listening mode."""
    virtual: bool
    """Whether this is python-can's bus inside one program; every other bus counts as real."""


def resolve(
    interface: str | None,
    channel: str | None,
    bitrate: int | None,
    adapter_options: Sequence[str] = (),
    *,
    listening: bool = True,
) -> BusSettings:
    """Find the bus that the options, the environment and python-can's configuration files name, in this order.

    python-can itself merges them (``can.util.load_config``), value by value, with one exception. It casts a text that
    looks like a number to a number: 007 would become 7, and 1 would be another channel than "1". Where a channel is a
    name (virtual, socketcan, socketcand) or a serial number (usb2can) the text is kept; for all other interfaces the
    cast is kept, because their drivers count channels.

    With ``listening`` the adapter's listening mode is set where its driver has one, unless the user has set it.

    Raises:
        InputError: no interface, an unknown one, an option that the driver does not have, a missing one that it needs,
            an impossible bit rate, a configuration that cannot be read.
        BusError: the driver's library is missing.
    """
    given = _given_values(interface, channel, bitrate, adapter_options)
    named = collect_values(given)
    name = _known_interface(named)
    config = _merged_values(given, name)
    driver = load_driver(name)
    driver_parameters = driver_options(driver)
    _refuse_unknown(named, name, driver_parameters, timing="timing" in config)
    _check_bit_rate(config.get("bitrate"), named)
    settled = config["channel"]
    if name in _NAMED_CHANNELS and "channel" in named:
        settled = named["channel"].value
    required = required_parameters(driver)
    _check_channel(settled, name, required)
    options = {key: config[key] for key in config if key in driver_parameters and key not in _OWN_OPTIONS}
    sentences = [f"interface: {name} ({named['interface'].origin})", _channel_sentence(settled, named)]
    sentences += [f"{key}: {_value_text(config[key])} ({named[key].origin})" for key in sorted(options) if key in named]
    rate = ConfigValue(config.get("bitrate"), named["bitrate"].origin if "bitrate" in named else "")
    if "bitrate" in driver_parameters:
        sentences.append(_set_bit_rate(rate, options, named))
    else:
        sentences.append(_outside_rate_sentence(name, settled, listening=listening) + _unused_text(rate))
    if listening:
        sentences.append(_set_listening(name, options, named, driver_parameters))
    _check_required_options(name, required, options)
    return BusSettings(name, settled, options, tuple(sentences), name == "virtual")


def _given_values(
    name: str | None, channel: str | None, bitrate: int | None, options: Sequence[str]
) -> dict[str, ConfigValue]:
    """Return the values of the command line."""
    values_by_key = {"interface": name, "channel": channel, "bitrate": bitrate}
    given = {key: ConfigValue(value, f"--{key}") for key, value in values_by_key.items() if value is not None}
    for text in options:
        key, equals, value = text.partition("=")
        if not key or not equals:
            raise InputError(f'--adapter-option "{text}": write it as NAME=VALUE, without spaces')
        if key in _OWN_OPTIONS:
            raise InputError(f"--adapter-option {text}: give this with --{_OWN_OPTIONS[key]}")
        if key in given:
            raise InputError(f'--adapter-option {text}: "{key}" is given twice; leave one out')
        given[key] = ConfigValue(value, "--adapter-option")
    return given


def _known_interface(named: Mapping[str, ConfigValue]) -> str:
    name = named["interface"].value if "interface" in named else None
    if not name:
        raise InputError(
            "no interface is given: give --interface (and --channel), such as --interface socketcan --channel can0, "
            'or set CAN_INTERFACE; "rvsim about" lists what can be opened here'
        )
    if not isinstance(name, str) or name not in BACKENDS:
        raise InputError(
            f'{named["interface"].origin}: unknown interface "{name}"{did_you_mean(str(name), BACKENDS)}; '
            f"python-can knows {', '.join(sorted(BACKENDS))}"
        )
    return name


def _merged_values(given: Mapping[str, ConfigValue], name: str) -> dict[str, Any]:
    """Return the values of all sources, merged and cast by python-can."""
    try:
        return dict(util.load_config(config={key: value for key, (value, _) in given.items()}))
    except (ValueError, TypeError) as error:
        raise InputError(
            f"{name}: an option is not what python-can expects ({error_text(error)}); correct it"
        ) from error


def _refuse_unknown(named: Mapping[str, ConfigValue], name: str, driver_parameters: set[str], *, timing: bool) -> None:
    """Refuse options that the driver would silently ignore."""
    known = driver_parameters - {"timing", *_OWN_OPTIONS}  # python-can computes a timing from its parts
    parts = _TIMING_PARTS if timing and "timing" in driver_parameters else set()
    problems = [
        f'{value.origin}: {name} has no option "{key}"{did_you_mean(key, known)}; '
        f"it has {', '.join(sorted(known)) or 'none'}"
        for key, value in named.items()
        if key not in known | parts | set(_OWN_OPTIONS)
    ]
    if problems:
        raise InputError(*problems)


def _check_channel(channel: str | int | None, name: str, required: Sequence[str]) -> None:
    if channel is None and "channel" in required:
        raise InputError(f"{name}: no channel is given; give --channel, or set CAN_CHANNEL")


def _check_required_options(name: str, required: Sequence[str], options: Mapping[str, Any]) -> None:
    missing = [key for key in required if key not in options and key not in _OWN_OPTIONS]
    if missing:
        give = " ".join(f"--adapter-option {key}=..." for key in missing)
        raise InputError(f"{name}: cannot be opened without {' and '.join(missing)}; give {give}")


def _check_bit_rate(rate: Any, named: Mapping[str, ConfigValue]) -> None:
    if rate is not None and (type(rate) is not int or not 0 < rate <= _MAX_BIT_RATE):
        raise InputError(
            f"{named['bitrate'].origin}: a bit rate of {rate} is impossible; "
            f"give bits per second from 1 to {_MAX_BIT_RATE}, {BIT_RATE} for RV-C"
        )


def _channel_sentence(channel: str | int | None, named: Mapping[str, ConfigValue]) -> str:
    if channel is None:
        return "channel: none given; the driver's default is used"
    return f"channel: {channel} ({named['channel'].origin})"


def _set_bit_rate(rate: ConfigValue, options: dict[str, Any], named: Mapping[str, ConfigValue]) -> str:
    """Add the bit rate to the options unless another option sets it, and return the sentence about it."""
    timing = options.get("timing")
    if isinstance(timing, BitTiming | BitTimingFd):
        reached = timing.bitrate if isinstance(timing, BitTiming) else timing.nom_bitrate
        origin = named["f_clock"].origin
        return f"bitrate: {reached} (by the bit timing, {origin}){_compared_text(reached)}{_unused_text(rate)}"
    if "btr" in options:
        return f"bitrate: set by btr; RV-C runs at {BIT_RATE}{_unused_text(rate)}"
    if rate.value is None:
        options["bitrate"] = BIT_RATE
        return f"bitrate: {BIT_RATE} (none given; RV-C runs at {BIT_RATE})"
    options["bitrate"] = rate.value
    return f"bitrate: {rate.value} ({rate.origin}){_compared_text(rate.value)}"


def _outside_rate_sentence(name: str, channel: str | int | None, *, listening: bool) -> str:
    """Return the sentence about a bit rate that the driver does not set."""
    if name == "virtual":
        return f"bitrate: none, a virtual bus has no bit rate; RV-C runs at {BIT_RATE}"
    if name == "socketcan":
        quiet = " listen-only on" if listening else ""
        command = f"ip link set {channel or 'can0'} type can bitrate {BIT_RATE}{quiet}"
        return f"bitrate: the operating system sets it, not this program; for RV-C run: {command}"
    return f"bitrate: not set by this driver; the adapter must already run at the {BIT_RATE} of RV-C"


def _unused_text(rate: ConfigValue) -> str:
    return "" if rate.value is None else f"; {rate.value} ({rate.origin}) is not used"


def _compared_text(rate: int) -> str:
    return ", the rate of RV-C" if rate == BIT_RATE else f"; RV-C runs at {BIT_RATE}"


def _set_listening(
    name: str, options: dict[str, Any], named: Mapping[str, ConfigValue], driver_parameters: set[str]
) -> str:
    """Set the adapter's listening mode where its driver has one, and return the sentence about it."""
    mode = LISTENING_MODES.get(name)
    if name == "virtual":
        return "listening: this program sends nothing; a virtual bus has no adapter that acknowledges"
    if mode is None or mode.option not in driver_parameters:
        outside = " unless its link is set to listen-only" if name == "socketcan" else ""
        return (
            "listening: rvsim sets no listening mode for this driver: this program sends nothing, "
            f"but the adapter acknowledges frames{outside}"
        )
    if options.setdefault(mode.option, mode.value) != mode.value:
        return (
            f"listening: {mode.option} is {_value_text(options[mode.option])} ({named[mode.option].origin}): "
            "this program sends nothing, but the adapter acknowledges frames"
        )
    return (
        f"listening: the adapter is set to listen-only ({mode.option}: {_value_text(mode.value)}): "
        f"it sends nothing and acknowledges no frames{mode.unless}"
    )


def _value_text(value: Any) -> str:
    return value.name if isinstance(value, BusState) else str(value)
