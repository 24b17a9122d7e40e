"""Flags about commands.

Knows: what to check where commands contradict each other, are not obeyed, or address a function that was never heard.
Does not know what counts as an answer.
"""

from rvsim.rig.quantity import time_text
from rvsim.watch.drafts.draft import Drafts, FlagDraft, counted, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import CommandedFunctionMissing, CommandIgnored, CommandsContradict
from rvsim.wire.fields import Reading
from rvsim.wire.quantity_text import compose, join


def _state(readings: tuple[Reading, ...]) -> str:
    return join(", ", (compose(f"{reading.field.title} ", reading.brief) for reading in readings))


def _contradict(found: CommandsContradict) -> FlagDraft:
    (one, other), (first, second) = found.devices, found.states
    text = compose(
        f"{one} and {other} send conflicting commands to {found.thing}: {one} commands ",
        _state(first),
        f", {other} commands ",
        _state(second),
        f"; {found.turns} times so far, each within {span(found.settling_us)} of the other",
    )
    advice = (
        f"decide which of the two commands {found.thing}, and switch that control off in the other; usual pairs: a "
        "thermostat in the device and one on the wall, two screens, a screen and an automation"
    )
    earlier, later = found.frames
    evidence = (*frame_line(earlier, "command"), *frame_line(later, "command"))
    return FlagDraft(FlagKind.TWO_COMMANDERS, one, Severity.WARNING, text, advice, evidence, found.topic)


def _ignored(found: CommandIgnored) -> FlagDraft:
    by = " and ".join(found.commanders)
    pairs = zip(found.commanded, found.reported, strict=True)
    if any(reported is not None for reported in found.reported):
        commanded = join(
            ", ",
            (
                compose(f"{wanted.field.title} ", wanted.brief, " (reports ", reported.brief, ")")
                for wanted, reported in pairs
                if reported is not None
            ),
        )
    else:
        commanded = compose(_state(found.commanded), ", and nothing in its status changed")
    text = compose(f"{found.thing} does not obey {by}: commanded ", commanded)
    text += (
        f"; {counted(found.commands, 'command')} since {time_text(found.since)}, "
        f"answer time {span(found.answer_time_us)}"
    )
    text += "".join(f"; {answer}" for answer in found.answers)
    if found.explanations:
        text += f"; its status explains it: {', '.join(found.explanations)}"
    advice = (
        "find what prevents it: a lockout, an interlock, a rain sensor, its own switch, a mode in which it decides by "
        "itself; then check its instance, and whether its firmware supports this command; repeating the command does "
        "not help"
    )
    evidence = (*frame_line(found.command, "last command"), *frame_line(found.status, "status"))
    return FlagDraft(FlagKind.IGNORED_COMMAND, found.device, Severity.WARNING, text, advice, evidence, found.topic)


def _no_receiver(found: CommandedFunctionMissing) -> FlagDraft:
    text = (
        f"{found.device} commands {found.thing}, but no {found.thing} was ever heard; "
        f"{counted(found.commands, 'command')}, the first more than {span(found.waited_us)} ago"
    )
    advice = (
        f"if there is a {found.thing}, check its power, its data plug and the instance that it is set to; if there is "
        f"none, correct the instance that {found.device} commands"
    )
    evidence = frame_line(found.command, "last command")
    return FlagDraft(FlagKind.IGNORED_COMMAND, found.device, Severity.WARNING, text, advice, evidence, found.topic)


DRAFTS: Drafts = {
    CommandsContradict: _contradict,
    CommandIgnored: _ignored,
    CommandedFunctionMissing: _no_receiver,
}
