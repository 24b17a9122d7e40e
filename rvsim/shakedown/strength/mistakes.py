"""The mistakes of wrong controllers: their names, what each does, and which expectation finds it.

Knows: all mistakes. Does not know how each changes frames (`command_mistakes`, `reading_mistakes`), nor how a run is
made. What is a usual mistake is common practice, no source.
"""

from collections.abc import Callable
from typing import NamedTuple

from rvsim.shakedown.strength import command_mistakes as commands
from rvsim.shakedown.strength import reading_mistakes as readings
from rvsim.shakedown.strength.controller_site import ControllerSite
from rvsim.sim.bench import Gate

MakeGate = Callable[[ControllerSite], Gate]


class Mistake(NamedTuple):
    """One mistake of a controller."""

    name: str
    sentence: str
    """What such a controller does."""
    advice: str
    """The kind of expectation that finds it."""
    outgoing: MakeGate | None = None
    incoming: MakeGate | None = None


_BY_INSTANCE = (
    'expect = "never" for the message with another instance, or "answer" with the instance that has to follow'
)
_BY_VALUE = 'expect = "stays" or "seen" for the field of the status that the command sets, with limits on both sides'
_BY_TIME = 'expect = "answer" with the time within which the command has to follow'
_BY_RATE = 'expect = "rate" for the command, or "flag" bus-busy'
_BY_FLAG = 'expect = "flag" that is never raised, or "presence" of the controller'
_BY_MANNERS = 'expect = "seen" for ADDRESS_CLAIM and "every" for DM_RV, with the controller as device'
_BY_PARTS = (
    'a step or a fault that makes this happen, and expect = "never" or "only_until" for what the controller must stop'
)


def all_mistakes(lasts: int) -> tuple[Mistake, ...]:
    """Return the mistakes for a run that lasts ``lasts`` microseconds."""
    return (
        Mistake("wrong instance", "it commands the next instance", _BY_INSTANCE, commands.wrong_instance),
        Mistake("low byte last", "it sends the low byte of numbers last", _BY_VALUE, commands.low_byte_last),
        Mistake("whole percent", "it writes percent in steps of 1, not of 0.5", _BY_VALUE, commands.whole_percent),
        Mistake("no offset", "it leaves out the offset of temperatures and currents", _BY_VALUE, commands.no_offset),
        Mistake(
            "zeros for unchanged",
            "it fills fields that should stay unchanged with zeros",
            _BY_VALUE,
            commands.zeros_for_unchanged,
        ),
        Mistake("opposite", "it commands off for on and full for none", _BY_VALUE, commands.opposite),
        Mistake("wrong group", "it writes a group's number where a bitmap belongs", _BY_INSTANCE, commands.wrong_group),
        Mistake(
            "status for command",
            "it sends the status for the command",
            _BY_TIME,
            commands.status_for_command,
        ),
        Mistake("short frames", "its commands have 4 bytes", _BY_FLAG, commands.short_frames),
        Mistake("no command", "it commands nothing", _BY_TIME, commands.no_command),
        Mistake(
            "first command only", "it sends its first command and never another", _BY_VALUE, commands.first_command_only
        ),
        Mistake("late", "its commands come 20 s late", _BY_TIME, commands.late),
        Mistake("flood", "it repeats its commands ten times a second", _BY_RATE, commands.flood),
        Mistake("two commands", "it sends each command twice", _BY_RATE, commands.two_commands),
        Mistake(
            "toggle on repeat", "where it repeats a command it sends the opposite", _BY_VALUE, commands.toggle_on_repeat
        ),
        Mistake(
            "short cycle",
            "it switches off and on again every minute",
            'expect = "entered" with shortest_on and at_most_per_hour',
            commands.short_cycle,
        ),
        Mistake("no claim", "it claims no address", _BY_MANNERS, commands.no_claim),
        Mistake("no heartbeat", "it sends no heartbeat", _BY_MANNERS, commands.no_heartbeat),
        Mistake("null address", "it commands from the null address", _BY_FLAG, commands.null_address),
        Mistake(
            "stops halfway", "it sends nothing more after half of the run", _BY_FLAG, commands.stops_at(lasts // 2)
        ),
        Mistake("no data as number", "it reads no data as a number", _BY_PARTS, None, readings.no_data_as_number),
        Mistake(
            "ignores no data",
            "for no data it takes the last value",
            _BY_PARTS,
            None,
            readings.last_value_for_no_data,
        ),
        Mistake(
            "ignores silence",
            "it goes on with the last status of a device that is silent",
            _BY_PARTS,
            None,
            readings.goes_on_in_silence,
        ),
        Mistake(
            "reads low byte last",
            "it reads low bytes last",
            _BY_VALUE,
            None,
            readings.reads_low_byte_last,
        ),
        Mistake(
            "reads wrong instance",
            "it reads instance 2 for 1",
            _BY_VALUE,
            None,
            readings.reads_wrong_instance,
        ),
        Mistake("reads once", "it goes by the first status of each device", _BY_VALUE, None, readings.reads_once),
        Mistake("ignores faults", "it does not read reported faults", _BY_PARTS, None, readings.ignores_faults),
        Mistake("ignores trips", "it does not read that an output tripped", _BY_PARTS, None, readings.ignores_trips),
        Mistake(
            "ignores overrides",
            "it does not read that an output is overridden or locked",
            _BY_PARTS,
            None,
            readings.ignores_overrides,
        ),
        Mistake(
            "level as full",
            "it reads any level as full",
            _BY_PARTS,
            None,
            readings.any_level_as_full,
        ),
        Mistake("ignores supply", "it takes a low battery for a full one", _BY_PARTS, None, readings.ignores_supply),
        Mistake("no debounce", "it takes each bounce of a switch for a press", _BY_RATE, None, readings.no_debounce),
        Mistake("acts on release", "it acts when a switch is released, too", _BY_RATE, None, readings.acts_on_release),
        Mistake(
            "ignores restarts",
            "it goes on with the statuses from before a device restarted",
            _BY_PARTS,
            None,
            readings.ignores_restarts,
        ),
    )
