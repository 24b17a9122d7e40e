"""How a bus is named: by options, by python-can's environment variables and by its configuration files.

Knows: python-can's rules for finding a bus, and the one bit rate of RV-C. Every value is said
with its origin, and what a driver would silently ignore is refused. Does not open a bus.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from can import BitTiming, BitTimingFd, BusState, util
from can.interfaces import BACKENDS
from can.typechecking import BitTimingDict, BitTimingFdDict

from rvsim.edge.configuration import Named, collect
from rvsim.edge.drivers import LISTENING, load, one_line, options_of, required_of
from rvsim.errors import InputError, did_you_mean
from rvsim.wire.timing import BIT_RATE

_FASTEST = 1_000_000  # bits per second of classic CAN, ISO 11898-2
_NAMED_CHANNELS = {"virtual", "socketcan", "socketcand", "usb2can"}  # a channel is a name or a serial number there
_OWN_OPTIONS = {"interface": "interface", "bustype": "interface", "channel": "channel", "bitrate": "bitrate"}
_TIMING_PARTS = {*BitTimingDict.__annotations__, *BitTimingFdDict.__annotations__}


@dataclass(frozen=True)
class BusSettings:
    """A bus that can be opened, and what is to be said about it."""

    interface: str
    channel: str | int | None
    """None leaves it to the driver, which has a default of its own."""
    options: Mapping[str, Any]
    """All else that python-can's bus class is given, the bit rate included where that class takes one."""
    said: tuple[str, ...]
    """Sentences for the user: each value with its origin, the bit rate, how listening is held."""
    virtual: bool
    """Whether this is python-can's bus inside one program; anything else counts as real."""


def resolve(
    interface: str | None,
    channel: str | None,
    bitrate: int | None,
    adapter_options: Sequence[str] = (),
    *,
    listening: bool = True,
) -> BusSettings:
    """Find the bus that the options, the environment and python-can's configuration files name, in this order.

    python-can itself merges them (``can.util.load_config``), value by value. One thing is kept from it: it turns text
    that looks like a number into one, so 007 would become 7 and 1 another channel than "1". Where a channel is a name
    (virtual, socketcan, socketcand) or a serial number (usb2can) text stays text; everywhere else its cast holds,
    because those drivers count their channels.

    With ``listening`` the adapter's own listening mode is set where its driver has one, unless the user set it.

    Raises:
        InputError: no interface, an unknown one, an option that the driver does not take, one missing that it needs,
            an impossible bit rate, configuration that cannot be read.
        BusError: the driver's library is missing.
    """
    given = _given(interface, channel, bitrate, adapter_options)
    named = collect(given)
    name = _known_interface(named)
    config = _merged(given, name)
    driver = load(name)
    takes = options_of(driver)
    _refuse_unknown(named, name, takes, "timing" in config)
    _check_bit_rate(config.get("bitrate"), named)
    settled = config["channel"]
    if name in _NAMED_CHANNELS and "channel" in named:
        settled = named["channel"].value
    required = required_of(driver)
    _check_channel(settled, name, required)
    options = {key: config[key] for key in config if key in takes and key not in _OWN_OPTIONS}
    said = [f"interface: {name} ({named['interface'].origin})", _said_channel(settled, named)]
    said += [f"{key}: {_shown(config[key])} ({named[key].origin})" for key in sorted(options) if key in named]
    rate = Named(config.get("bitrate"), named["bitrate"].origin if "bitrate" in named else "")
    if "bitrate" in takes:
        said.append(_settle_bit_rate(rate, options, named))
    else:
        said.append(_said_outside(name, settled, listening) + _unused(rate))
    if listening:
        said.append(_settle_listening(name, options, named, takes))
    _check_required(name, required, options)
    return BusSettings(name, settled, options, tuple(said), name == "virtual")


def _given(name: str | None, channel: str | None, bitrate: int | None, options: Sequence[str]) -> dict[str, Named]:
    """Return what the command line says."""
    words = {"interface": name, "channel": channel, "bitrate": bitrate}
    given = {key: Named(value, f"--{key}") for key, value in words.items() if value is not None}
    for text in options:
        key, equals, value = text.partition("=")
        if not key or not equals:
            raise InputError(f'--adapter-option "{text}": write it as NAME=VALUE, without spaces')
        if key in _OWN_OPTIONS:
            raise InputError(f"--adapter-option {text}: give this with --{_OWN_OPTIONS[key]}")
        if key in given:
            raise InputError(f'--adapter-option {text}: "{key}" is given twice; leave one out')
        given[key] = Named(value, "--adapter-option")
    return given


def _known_interface(named: Mapping[str, Named]) -> str:
    name = named["interface"].value if "interface" in named else None
    if not name:
        raise InputError(
            "no interface is named: give --interface (and --channel), such as --interface socketcan --channel can0, "
            'or set CAN_INTERFACE; "rvsim about" lists what can be opened here'
        )
    if not isinstance(name, str) or name not in BACKENDS:
        raise InputError(
            f'{named["interface"].origin}: unknown interface "{name}"{did_you_mean(str(name), BACKENDS)}; '
            f"python-can knows {', '.join(sorted(BACKENDS))}"
        )
    return name


def _merged(given: Mapping[str, Named], name: str) -> dict[str, Any]:
    """Let python-can merge and cast all its sources."""
    try:
        return dict(util.load_config(config={key: value for key, (value, _) in given.items()}))
    except (ValueError, TypeError) as error:
        raise InputError(f"{name}: an option is not what python-can expects ({one_line(error)}); correct it") from error


def _refuse_unknown(named: Mapping[str, Named], name: str, takes: set[str], timing: bool) -> None:
    """Refuse what the driver would ignore without a word."""
    known = takes - {"timing", *_OWN_OPTIONS}  # a timing is made by python-can out of its parts
    parts = _TIMING_PARTS if timing and "timing" in takes else set()
    problems = [
        f'{value.origin}: {name} takes no option "{key}"{did_you_mean(key, known)}; '
        f"it takes {', '.join(sorted(known)) or 'none'}"
        for key, value in named.items()
        if key not in known | parts | set(_OWN_OPTIONS)
    ]
    if problems:
        raise InputError(*problems)


def _check_channel(channel: str | int | None, name: str, required: Sequence[str]) -> None:
    if channel is None and "channel" in required:
        raise InputError(f"{name}: no channel is named; give --channel, or set CAN_CHANNEL")


def _check_required(name: str, required: Sequence[str], options: Mapping[str, Any]) -> None:
    missing = [one for one in required if one not in options and one not in _OWN_OPTIONS]
    if missing:
        give = " ".join(f"--adapter-option {one}=..." for one in missing)
        raise InputError(f"{name}: it cannot be opened without {' and '.join(missing)}; give {give}")


def _check_bit_rate(rate: Any, named: Mapping[str, Named]) -> None:
    if rate is not None and (type(rate) is not int or not 0 < rate <= _FASTEST):
        raise InputError(
            f"{named['bitrate'].origin}: a bit rate of {rate} is impossible; "
            f"give bits per second from 1 to {_FASTEST}, {BIT_RATE} for RV-C"
        )


def _said_channel(channel: str | int | None, named: Mapping[str, Named]) -> str:
    if channel is None:
        return "channel: none named, the driver's own default holds"
    return f"channel: {channel} ({named['channel'].origin})"


def _settle_bit_rate(rate: Named, options: dict[str, Any], named: Mapping[str, Named]) -> str:
    """Put the bit rate among the options where nothing else sets it, and say what holds."""
    timing = options.get("timing")
    if isinstance(timing, BitTiming | BitTimingFd):
        reached = timing.bitrate if isinstance(timing, BitTiming) else timing.nom_bitrate
        return f"bitrate: {reached} (by the bit timing, {named['f_clock'].origin}){_compared(reached)}{_unused(rate)}"
    if "btr" in options:
        return f"bitrate: as btr sets it; RV-C runs at {BIT_RATE}{_unused(rate)}"
    if rate.value is None:
        options["bitrate"] = BIT_RATE
        return f"bitrate: {BIT_RATE} (nobody named one; RV-C runs at {BIT_RATE})"
    options["bitrate"] = rate.value
    return f"bitrate: {rate.value} ({rate.origin}){_compared(rate.value)}"


def _said_outside(name: str, channel: str | int | None, listening: bool) -> str:
    """Say who sets the bit rate where the driver does not."""
    if name == "virtual":
        return f"bitrate: none, a virtual bus has no bit rate; RV-C runs at {BIT_RATE}"
    if name == "socketcan":
        quiet = " listen-only on" if listening else ""
        command = f"ip link set {channel or 'can0'} type can bitrate {BIT_RATE}{quiet}"
        return f"bitrate: the operating system sets it, not this program; for RV-C run: {command}"
    return f"bitrate: this driver sets none, the adapter must be at the {BIT_RATE} of RV-C already"


def _unused(rate: Named) -> str:
    return "" if rate.value is None else f"; {rate.value} ({rate.origin}) is not used"


def _compared(rate: int) -> str:
    return ", the rate of RV-C" if rate == BIT_RATE else f"; RV-C runs at {BIT_RATE}"


def _settle_listening(name: str, options: dict[str, Any], named: Mapping[str, Named], takes: set[str]) -> str:
    """Set the adapter's own listening mode where it has one, and say which of the two holds."""
    mode = LISTENING.get(name)
    if name == "virtual":
        return "listening: nothing is sent by this program; a virtual bus has no adapter that acknowledges"
    if mode is None or mode.option not in takes:
        outside = " unless its link is set to listen-only" if name == "socketcan" else ""
        return (
            "listening: this driver has no listening mode here: nothing is sent by this program, "
            f"but the adapter acknowledges frames{outside}"
        )
    if options.setdefault(mode.option, mode.value) != mode.value:
        return (
            f"listening: {mode.option} is {_shown(options[mode.option])} ({named[mode.option].origin}): "
            "nothing is sent by this program, but the adapter acknowledges frames"
        )
    return (
        f"listening: the adapter is set to listening only ({mode.option}: {_shown(mode.value)}): "
        f"it does not even acknowledge{mode.unless}"
    )


def _shown(value: Any) -> str:
    return value.name if isinstance(value, BusState) else str(value)
