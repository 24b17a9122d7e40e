"""Exercises on the bus as a whole: who is missing, who shares an instance, load, terminators, faults, flags.

Knows: how such a situation is shown in a few frames or figures, and the arithmetic of each. Does not know the watch:
what a rule would say stands in `flag_exercises.py`.
"""

from collections.abc import Sequence
from fractions import Fraction
from random import Random

from rvsim.faces.practice.exercise import Exercise, Hex, Kind, Number, Several, Words, usual_mistakes
from rvsim.faces.practice.material import Material, SentFrame
from rvsim.rig.functions import by_status
from rvsim.wire.diagnostics import FAILURE_MODES
from rvsim.wire.frame import Frame

TERMINATOR_OHM = 120
"""One terminator (ISO 11898-2; rv-c.com/node/10)."""
BIT_RATE = 250_000
"""Bits per second (rv-c.com/node/9)."""
FRAME_BITS = 131
"""A frame of 8 bytes with a 29-bit identifier, the 3 bits between frames included, without stuff bits (Davis, Burns,
Bril, Lukkien, 2007)."""
_MAX_SHOWN = 9
DM_RV = 0x1FECA


def missing(random: Random, material: Material, level: int) -> Exercise | None:
    """Leave the frames of one planned device out, and ask which it is."""
    heard = [address for address in material.devices if address in material.sources]
    if len(heard) < 3:
        return None
    shown = sorted(random.sample(heard, min(len(heard), 6)))
    gone = random.choice(shown)
    lines = _last_frames([frame for frame in material.frames if frame.identifier & 0xFF in shown], gone)
    planned = ", ".join(f"{material.devices[address]} {address:02X}" for address in shown)
    right = _named(material, gone)
    others = [address for address in shown if address != gone]
    return Exercise(
        Kind.MISSING, level,
        (f"Planned, with their source addresses: {planned}.", "All frames of 15 s, one of each sender:", *lines,
         "Which planned device was silent?"),
        "the name of the device, or its address", right, "The source address is the last byte of each identifier.",
        (f"{material.devices[gone]} should send from {gone:02X}: no identifier ends with {gone:02X}.",
         "A heartbeat comes at least every 5 s, so a device that is there is heard within 15 s."),
        usual_mistakes(right, [(_named(material, one),
                                f"{material.devices[one]} was heard: an identifier ends with {one:02X}.")
                               for one in others]),
    )  # fmt: skip


def _named(material: Material, address: int) -> Words:
    """Return a device as an answer: by its name, or by its address in hex."""
    digits = f"{address:02X}"
    return Words(material.devices[address], (digits, f"0x{digits}", f"{digits}h", f"{digits} hex"))


def _last_frames(frames: Sequence[Frame], gone: int) -> tuple[str, ...]:
    by_source: dict[int, Frame] = {}
    for frame in frames:
        by_source[frame.identifier & 0xFF] = frame
    kept = [frame for source, frame in sorted(by_source.items()) if source != gone]
    return tuple(f"  {frame.identifier:08X}  {frame.data.hex(' ').upper()}" for frame in kept[:_MAX_SHOWN])


def shared(random: Random, material: Material, level: int) -> Exercise | None:
    """Show statuses with instances, one of them of a second sender, and ask for the two senders."""
    known = [one for one in material.statuses if one.spec.instance is not None and _has_one_sender(one)]
    one = random.choice(known) if known else None
    if one is None:
        return None
    first = one.frame.identifier & 0xFF
    second = random.choice([address for address in range(0x50, 0xE0) if address not in material.sources])
    twin = Frame(0, one.frame.identifier & ~0xFF | second, one.frame.data)
    others = [other for other in known if other.spec is not one.spec or other.frame.data[0] != one.frame.data[0]]
    shown = [one.frame, twin, *(other.frame for other in random.sample(others, min(4, len(others))))]
    random.shuffle(shown)
    right = Several((Hex(first), Hex(second)), is_ordered=False)
    return Exercise(
        Kind.SHARED, level,
        ("In these frames byte 0 is the instance. Two nodes say that they are the same one:",
         *(f"  {frame.identifier:08X}  {frame.data.hex(' ').upper()}" for frame in shown),
         "From which two source addresses?"),
        "two addresses in hex", right,
        "Look for one DGN that comes from two source addresses with the same byte 0.",
        (f"{one.spec.name} ({one.spec.dgn:05X}) with instance {one.frame.data[0]} comes from {first:02X} and from "
         f"{second:02X}.", "A function and its instance stand for one thing: set another instance in one of them."),
        (), None,
    )  # fmt: skip


def _has_one_sender(one: SentFrame) -> bool:
    """Tell whether only one device may send this message with its instance; several share a battery's, by design."""
    function = by_status(one.spec.name)
    return function is not None and not function.shared


def load(random: Random, _material: Material, level: int) -> Exercise:
    """Ask for the bus load of some periodic messages."""
    groups = [(random.randrange(2, 30), gap) for gap in random.sample((100, 200, 500, 1000, 5000), 2)]
    bits = sum((Fraction(count * FRAME_BITS * 1000, gap) for count, gap in groups), Fraction(0))
    right = Number(bits * 100 / BIT_RATE, "%", Fraction(6, 100))
    frames = sum((Fraction(count * 1000, gap) for count, gap in groups), Fraction(0))
    listed = " and ".join(f"{count} messages every {gap} ms" for count, gap in groups)
    return Exercise(
        Kind.LOAD, level,
        (f"A bus of 250 kbit/s carries {listed}. A frame of 8 bytes has {FRAME_BITS} bits without stuff bits, "
         "the 3 bits between frames included. How busy is it?",),
        "percent, with one decimal", right, "Frames per second × bits of a frame / bits per second.",
        (f"{Number(frames).shown} frames/s × {FRAME_BITS} bits = {Number(bits).shown} bits/s.",
         f"{Number(bits).shown} / 250000 = {float(right.value):.2f} %."),
        usual_mistakes(right, [
            (Number(frames * 64 * 100 / BIT_RATE, "%", right.within),
             "64 bits are the data alone: identifier, CRC and the rest take 67 more."),
            (Number(frames * FRAME_BITS * 100 / 500_000, "%", right.within), "The bit rate is 250 kbit/s here."),
            (Number(bits / BIT_RATE, "%", Fraction(1, 10_000)), "That is the share: multiply by 100 for percent."),
        ]),
    )  # fmt: skip


def ohms(random: Random, _material: Material, level: int) -> Exercise:
    """Ask what a meter reads between the two wires, or how many terminators there are."""
    count = random.choice((1, 2, 3, 4))
    value = Fraction(TERMINATOR_OHM, count)
    if level >= 4 and random.random() < 0.5:
        right: Number = Number(Fraction(count))
        return Exercise(
            Kind.OHMS, level,
            (f"With the power off a meter reads {Number(value).shown} ohm between the two wires of the pair. How many "
             "terminators of 120 ohm are connected?",),
            "a number", right, "They are in parallel: 120 ohm divided by their number.",
            (f"120 / {Number(value).shown} = {count}. Two are right: one at each end of the trunk.",
             "60 ohm does not prove the connectors, the ground or the supply."),
            usual_mistakes(right, [(Number(Fraction(2)), "Two terminators in parallel read 60 ohm.")]),
        )  # fmt: skip
    right = Number(value, "ohm", Fraction(1, 2))
    return Exercise(
        Kind.OHMS, level,
        (f"Terminators of 120 ohm that are connected to the pair: {count}. What does a meter read between the two "
         "wires, with the power off?",),
        "ohm", right, "Terminators are in parallel.",
        (f"120 / {count} = {right.shown}. Right are two, one at each end: 60 ohm.",
         "60 ohm does not prove the connectors, the ground or the supply."),
        usual_mistakes(right, [
            (Number(Fraction(TERMINATOR_OHM * count), "ohm"), "That would be in series: they are in parallel."),
            (Number(Fraction(60), "ohm"), "60 ohm is the reading of two terminators."),
            (Number(Fraction(120), "ohm"), "120 ohm is the reading of one terminator."),
        ]),
    )  # fmt: skip


def fault(random: Random, material: Material, level: int) -> Exercise | None:
    """Ask what a DM_RV reports: the SPN and the FMI, or that there is no fault."""
    beats = [one for one in material.known if one.spec.dgn == DM_RV]
    if not beats:
        return None
    one: SentFrame = random.choice(beats)
    data = bytearray(one.frame.data)
    if random.random() < 0.3:
        data[2:5] = b"\xff\xff\xff"
    else:
        spn = random.choice((random.randrange(1, 2000), random.randrange(2000, 1 << 16), 0x12345))
        fmi = random.choice([number for number in FAILURE_MODES if number < 22])
        data[2:5] = bytes((spn >> 11 & 0xFF, spn >> 3 & 0xFF, (spn & 7) << 5 | fmi))
        data[0] = data[0] & 0x0F | 0x10
    held = bytes(data)
    question = (f"  DM_RV from {one.frame.identifier & 0xFF:02X}  {held.hex(' ').upper()}",
                "SPN: byte 2 is its bits 18 to 11, byte 3 its bits 10 to 3, and the upper three bits of byte 4 its "
                "bits 2 to 0. FMI: the lower five bits of byte 4. Which fault is reported?")  # fmt: skip
    if held[2:5] == b"\xff\xff\xff":
        none = Words("no fault", ("none", "nothing", "no"))
        return Exercise(
            Kind.FAULT, level, question, "SPN and FMI as numbers, or no fault", none,
            "SPN 7FFFF hex and FMI 1F hex, all ones, mean that nothing is wrong.",
            ("Bytes 2 to 4 are all ones: SPN 7FFFF hex = 524287, FMI 1F hex = 31: no fault.",
             "A DM_RV is sent at least every 5 s, also when nothing is wrong: it is the heartbeat of the function."),
            usual_mistakes(none, [(Several((Number(Fraction(524287)), Number(Fraction(31)))),
                                   "All ones are no number: they mean that there is no fault.")]),
            held,
        )  # fmt: skip
    spn = held[2] << 11 | held[3] << 3 | held[4] >> 5
    fmi = held[4] & 0x1F
    right = Several((Number(Fraction(spn)), Number(Fraction(fmi))))
    turned = held[2] | held[3] << 8 | held[4] >> 5 << 16
    upper = held[4] >> 3
    return Exercise(
        Kind.FAULT, level, question, "SPN and FMI as two numbers, like 260 3, or no fault", right,
        "Byte 2 × 2048 + byte 3 × 8 + byte 4 / 32 without its rest.",
        (f"SPN: {held[2]:02X} hex × 2048 + {held[3]:02X} hex × 8 + {held[4] >> 5} = {spn}.",
         f"FMI: {held[4]:02X} hex = {held[4]:08b} binary, its lower five bits are {fmi}: {FAILURE_MODES[fmi]}.",
         "In a DM_RV the SPN has its most significant byte first, unlike other numbers (from memory)."),
        usual_mistakes(right, [
            (Several((Number(Fraction(turned)), Number(Fraction(fmi)))),
             "The SPN of a DM_RV has its most significant byte first: byte 2 is the upper part."),
            (Several((Number(Fraction(spn)), Number(Fraction(upper)))), "The FMI is in the lower five bits of byte 4."),
            (Several((Number(Fraction(spn >> 3)), Number(Fraction(fmi)))),
             "Three more bits of the SPN are in byte 4."),
        ]),
        held,
    )  # fmt: skip
