"""Flags about commands.

Knows: what to ask where commands contradict each other, are not obeyed, or find nobody. Does not know what counts as
an answer.
"""

from rvsim.rig.quantity import moment
from rvsim.watch.drafts.draft import Drafts, FlagDraft, frame_line, span
from rvsim.watch.flag import FlagKind, Severity
from rvsim.watch.transitions import CommandIgnored, CommandsContradict, NobodyObeys
from rvsim.wire.fields import Reading


def _state(readings: tuple[Reading, ...]) -> str:
    return ", ".join(f"{one.field.title} {one.brief}" for one in readings)


def _contradict(found: CommandsContradict) -> FlagDraft:
    (one, other), (first, second) = found.devices, found.states
    text = (
        f"{one} and {other} command {found.thing} against each other: {one} commands {_state(first)}, {other} commands "
        f"{_state(second)}; {found.turns} times so far, each within {span(found.settling)} of the other"
    )
    advice = (
        f"decide which of the two commands {found.thing}, and switch that control off in the other: a thermostat in "
        "the device and one on the wall, two screens, a screen and an automation"
    )
    earlier, later = found.frames
    evidence = (*frame_line(earlier, "command"), *frame_line(later, "command"))
    return FlagDraft(FlagKind.TWO_COMMANDERS, one, Severity.WARNING, text, advice, evidence, found.topic)


def _ignored(found: CommandIgnored) -> FlagDraft:
    by = " and ".join(found.commanders)
    pairs = zip(found.wanted, found.said, strict=True)
    if any(said is not None for said in found.said):
        told = ", ".join(
            f"{one.field.title} {one.brief} (says {said.brief})" for one, said in pairs if said is not None
        )
        text = f"{found.thing} does not obey {by}: commanded {told}"
    else:
        text = f"{found.thing} does not obey {by}: commanded {_state(found.wanted)}, and nothing in its status changed"
    text += f"; {_commands(found.commands)} since {moment(found.since)}, with {span(found.answer_time)} to answer"
    text += "".join(f"; {answer}" for answer in found.answers)
    advice = (
        "what holds it back: a lockout, an interlock, a rain sensor, its own switch, a mode in which it decides by "
        "itself; then its instance, and whether its firmware knows this command; to command it again and again "
        "does not help"
    )
    evidence = (*frame_line(found.command, "last command"), *frame_line(found.status, "status"))
    return FlagDraft(FlagKind.IGNORED_COMMAND, found.device, Severity.WARNING, text, advice, evidence, found.topic)


def _nobody(found: NobodyObeys) -> FlagDraft:
    text = (
        f"{found.thing} is commanded by {found.device}, and no {found.thing} was ever heard; "
        f"{_commands(found.commands)}, the first more than {span(found.waited)} ago"
    )
    advice = (
        f"is there a {found.thing}? then its power and its data plug, and the instance that it is set to; if there is "
        f"none, the instance that {found.device} commands"
    )
    evidence = frame_line(found.command, "last command")
    return FlagDraft(FlagKind.IGNORED_COMMAND, found.device, Severity.WARNING, text, advice, evidence, found.topic)


def _commands(count: int) -> str:
    return f"{count} command{'s' if count > 1 else ''}"


DRAFTS: Drafts = {
    CommandsContradict: _contradict,
    CommandIgnored: _ignored,
    NobodyObeys: _nobody,
}
