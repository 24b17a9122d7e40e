"""Exercises on flags: a situation in figures, and which flag comes next.

Knows: the limits of the rules as they are documented, and situations on both sides of them. Does not know the watch.
"""

from collections.abc import Callable, Sequence
from random import Random

from rvsim.faces.practice.exercise import Exercise, Kind, Words, usual_mistakes
from rvsim.faces.practice.material import Material
from rvsim.rig.flag_kinds import FlagKind

NO_FLAG = "no flag"
_OTHERS = (
    FlagKind.SILENT_DEVICE, FlagKind.LATE_MESSAGE, FlagKind.BUS_QUIET, FlagKind.SHARED_INSTANCE, FlagKind.NO_DATA,
    FlagKind.BAD_VALUE, FlagKind.SHARED_ADDRESS, FlagKind.TWO_COMMANDERS, FlagKind.UNPLANNED_DEVICE,
)  # fmt: skip
_OPTIONS = 4
Situation = tuple[str, str, str]
"""What is seen, the flag that comes, and why."""


def next_flag(random: Random, material: Material, level: int) -> Exercise:
    """Ask which flag a situation raises, or none."""
    device = random.choice(list(material.devices.values()) or ["heater"])
    seen, kind, why = random.choice(SITUATIONS)(random, device)
    wrong = [one for one in (*_OTHERS, NO_FLAG) if one != kind]
    options = [kind, *random.sample(wrong, _OPTIONS - 1)]
    random.shuffle(options)
    right = Words(str(kind))
    return Exercise(
        Kind.FLAG, level, (seen, "Which flag comes next?"), "a letter, or the kind of flag", right,
        "Ask first: does all the bus stand still, or one node, or one message, or one field?",
        (why,), usual_mistakes(right, [(Words(str(one)), f"{one}: not here. {why}") for one in options if one != kind]),
        options=tuple(map(str, options)),
    )  # fmt: skip


def _silence(random: Random, device: str) -> Situation:
    seconds = random.randrange(16, 40)
    return (
        f"The {device} sends its heartbeat every 5 s and nothing slower. Nothing has been heard from it for "
        f"{seconds} s; the other devices go on.",
        FlagKind.SILENT_DEVICE,
        f"Nothing at all from a planned device for more than 15 s, here {seconds} s: silent-device.",
    )


def _short_silence(random: Random, device: str) -> Situation:
    seconds = random.randrange(7, 15)
    return (
        f"The {device} sends its heartbeat every 5 s and nothing else. Nothing has been heard from it for {seconds} s; "
        "the other devices go on.",
        NO_FLAG,
        f"A device may be silent for three heartbeats, 15 s; {seconds} s are within that.",
    )


def _late(random: Random, device: str) -> Situation:
    gap = random.choice((500, 1000, 5000))
    seconds = gap * 3 / 1000 + random.randrange(1, 4)
    return (
        f"The {device} sends its heartbeat every 5 s as before. One of its status messages has a gap of {gap} ms in "
        f"the standard, came at that gap, and has not come for {seconds:g} s.",
        FlagKind.LATE_MESSAGE,
        f"A periodic message is late after three times its gap, {gap * 3} ms, and at least 2 s; the device itself is "
        "heard.",
    )


def _fast_late(random: Random, device: str) -> Situation:
    gap, seconds = random.choice((500, 1000, 2000)), random.randrange(7, 15)
    return (
        f"The {device} sends its heartbeat every 5 s as before. One of its status messages has a gap of 5000 ms in "
        f"the standard; the {device} sent it every {gap} ms, and has not sent it for {seconds} s.",
        NO_FLAG,
        f"The longer one of both gaps counts, that of the standard or the device's own: three times 5000 ms are 15 s, "
        f"and {seconds} s are within that.",
    )


def _quiet(random: Random, _device: str) -> Situation:
    seconds = random.randrange(4, 20)
    return (
        f"Eight devices sent some 30 frames each second. For {seconds} s nothing has come from any of them.",
        FlagKind.BUS_QUIET,
        "All are silent at one moment: one flag for the whole bus. The ages of devices stand still meanwhile.",
    )


def _instance(random: Random, _device: str) -> Situation:
    number = random.randrange(1, 4)
    return (
        f"Tank status of instance {number} comes from address 72 with 60 % and from address 73 with 20 %, in turn. "
        "Both nodes have their own NAME.",
        FlagKind.SHARED_INSTANCE,
        "Two devices say that they are the same function and instance: the display jumps between both.",
    )


def _address(random: Random, _device: str) -> Situation:
    address = random.randrange(0x50, 0xA0)
    return (
        f"Two nodes with different NAMEs claim address {address:02X}, and both go on to send from it.",
        FlagKind.SHARED_ADDRESS,
        "Two NAMEs on one address: the one with the higher NAME has to give way (SAE J1939-81).",
    )


def _no_data(_random: Random, device: str) -> Situation:
    return (
        f"The {device} sent a value in the two bytes of a field for an hour. In its last frames these bytes are FF FF; "
        "everything else comes as before.",
        FlagKind.NO_DATA,
        "A field that carried values turns to no data: FF FF is no reading, and no high one either.",
    )


def _bad_value(random: Random, device: str) -> Situation:
    return (
        f"The {device} is planned with temperatures from -30 to 60 °C. Its last frame says "
        f"{random.randrange(80, 900)} °C.",
        FlagKind.BAD_VALUE,
        "A value outside the limits of the rig, in a frame that is as long as it should be.",
    )


def _commanders(_random: Random, _device: str) -> Situation:
    return (
        "A wall panel commands furnace 1 off, two seconds later a second panel commands it on, and so on, three times.",
        FlagKind.TWO_COMMANDERS,
        "Two sources command one thing to different states within its settling time, again and again.",
    )


def _one_change(random: Random, _device: str) -> Situation:
    seconds = random.randrange(20, 60)
    return (
        f"A wall panel commands furnace 1 off, and {seconds} s later a second panel commands it on. Nobody commands it "
        "after that.",
        NO_FLAG,
        "Once is a person who changed their mind: two sources have to contradict each other again and again, each time "
        "within the settling time.",
    )


def _unplanned(random: Random, _device: str) -> Situation:
    return (
        f"The rig has no device at address {random.randrange(0xA0, 0xE0):02X}, and no roof fan 2. Status messages of "
        "roof fan 2 come from there.",
        FlagKind.UNPLANNED_DEVICE,
        "A source, and a function and instance, that the rig does not have.",
    )


SITUATIONS: Sequence[Callable[[Random, str], Situation]] = (
    _silence, _short_silence, _late, _fast_late, _quiet, _instance, _address, _no_data, _bad_value, _commanders,
    _one_change, _unplanned,
)  # fmt: skip
"""Every situation; each draws its figures anew."""
