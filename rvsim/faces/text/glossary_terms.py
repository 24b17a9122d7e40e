"""The terms of the glossary: those of the field and our own ideas, a line or two each, with its origin.

Knows: words and what they mean. Does not know how they are printed, nor any message's layout.

``OUR_OWN`` is in DEVELOPERS.md too; a test checks that both agree. Origins name the source that was read; what was
not read is marked as memory.
"""

from typing import NamedTuple

PRACTICE = "common practice, no source"
OWN_WORD = "our own word"
CAN_SPECIFICATION = "CAN Specification 2.0 (1991) and ISO 11898-1, both from memory"
TRANSPORT = "published: RV-C specification page 18; packets: SAE J1939-21, from memory"


class Term(NamedTuple):
    """One term: its meaning, the origin of that, and other words by which it is found."""

    word: str
    meaning: str
    origin: str
    also: tuple[str, ...] = ()


FIELD = (
    Term(
        "RV-C",
        "The standard for networks in recreational vehicles, on CAN at 250 kbit/s with 29-bit identifiers. It "
        "builds on the lower layers of SAE J1939.",
        "published: rv-c.com/node/9; the lower layers: from memory",
    ),
    Term(
        "CAN",
        "Controller area network: how frames get over a pair of wires, who goes first, and how errors are found. What "
        "the bytes mean is for standards like RV-C to say.",
        CAN_SPECIFICATION,
        ("controller area network",),
    ),
    Term(
        "SAE J1939",
        "The standard for networks in trucks and engines, on CAN. RV-C takes its identifiers, address claims and long "
        "messages from it.",
        "SAE J1939-21 and -81, from memory",
        ("J1939",),
    ),
    Term("bus", "The pair of wires with all nodes on it.", PRACTICE),
    Term("log", "A file with the frames of a bus and their times.", PRACTICE, ("capture",)),
    Term(
        "bit", "0 or 1. In a byte, bits count from 0, from the right: bit 0 is worth 1, bit 7 is worth 128.", PRACTICE
    ),
    Term(
        "byte",
        "Eight bits, a number from 0 to 255, written as two hex digits. In a frame, bytes count from 0, from the left.",
        PRACTICE,
    ),
    Term(
        "hex",
        "A number written with the base 16: digits 0 to 9, then A (10) to F (15). 51 hex is 5 × 16 + 1 = 81.",
        PRACTICE,
        ("hexadecimal", "hex digit"),
    ),
    Term(
        "ASCII",
        "Letters as numbers: 41 hex is A, 30 hex is the digit 0, 2A hex is the asterisk that ends a part of a text.",
        "common practice, no source; the asterisk: device makers' RV-C appendices",
    ),
    Term(
        "bit rate",
        "Bits per second on the bus. RV-C runs at 250000; all nodes have to agree.",
        "published: rv-c.com/node/9",
    ),
    Term(
        "frame",
        "One message on the wires: an identifier, up to 8 data bytes, a checksum and an acknowledgement bit. RV-C "
        "always sends 8 bytes and fills unused ones with ones.",
        f"{CAN_SPECIFICATION}; the 8 bytes: rv-c.com/node/522",
    ),
    Term(
        "identifier",
        "The 29 bits before the data: 3 of priority, 1 reserved, 17 of DGN (the first of them is the data page), 8 of "
        "source address.",
        "published: rv-c.com/node/12; the places of the bits: SAE J1939-21, from memory",
        ("CAN ID", "ID", "data page"),
    ),
    Term(
        "message group byte",
        "The second byte of the identifier, PDU format in SAE J1939. From F0 hex on the message is for all, and the "
        "byte behind it, PDU specific, belongs to the DGN; below F0 that byte is the destination.",
        "SAE J1939-21, from memory",
        ("PDU format", "PDU specific", "PDU"),
    ),
    Term(
        "priority",
        "The first 3 bits of the identifier, 0 to 7: the lower number goes first. It is 6 unless a message says "
        "otherwise.",
        "published: RV-C specification page 18; the sense of the number: SAE J1939-21, from memory",
    ),
    Term(
        "DGN",
        "Data group number: 17 bits of the identifier that say which message a frame is, like 1FFFD for "
        "DC_SOURCE_STATUS_1. The newer word for PGN.",
        "published: rv-c.com/node/12",
        ("data group number",),
    ),
    Term(
        "PGN",
        "Parameter group number: what SAE J1939 and older pages of RV-C call the DGN.",
        "published: rv-c.com/node/12",
        ("parameter group number",),
    ),
    Term(
        "source address",
        "The last 8 bits of the identifier: the address of the sender. It is used in arbitration and for "
        "addressed messages; it does not tell what a device is.",
        "published: rv-c.com/node/82",
        ("address", "SA"),
    ),
    Term(
        "destination",
        "The address that an addressed message is for, in the low byte of its DGN. A message whose high byte is F0 "
        "hex or above is broadcast and has none; 255 is everybody.",
        "SAE J1939-21, from memory",
        ("destination address", "broadcast"),
    ),
    Term(
        "null address",
        "254: a node sends from it while it has no address, for example because it could not claim one.",
        "SAE J1939-81, from memory",
    ),
    Term(
        "default source address",
        "The number of a function, 64 for a generator: its heartbeat carries it, and a device with a fixed address "
        "claims it first.",
        "published: rv-c.com/node/82 and rv-c.com/book/export/html/17",
        ("DSA",),
    ),
    Term(
        "instance",
        "Which of several equal functions a message is about, in byte 0 of most messages; 1 to 250. It is "
        "independent of the source address.",
        "published: rv-c.com/book/export/html/81",
    ),
    Term(
        "function",
        "What a device is on the network, like furnace or charger. One device may have several, each with its "
        "heartbeat.",
        "published: rv-c.com/node/522",
    ),
    Term(
        "NAME",
        "64 bits that identify one unit: serial number, manufacturer code, function and instances. In a contest for an "
        "address the lower NAME wins.",
        "SAE J1939-81, from memory",
    ),
    Term(
        "address claim",
        "How a node takes an address: it sends its NAME from that address; a node that has the address already has "
        "250 ms to object.",
        "published: rv-c.com/book/export/html/17",
        ("claim", "ADDRESS_CLAIM"),
    ),
    Term(
        "broadcast gap",
        "The longest time from one frame of a message to the next, by the table of the message. Some messages come as "
        "needed, on change or on request instead.",
        "published: RV-C specification page 18",
        ("gap",),
    ),
    Term(
        "heartbeat",
        "DM_RV, DGN 1FECA: each function sends it at least every 5 s, with a fault or without. It has lamps, DSA, SPN "
        "and FMI.",
        "published: rv-c.com/node/82 and rv-c.com/node/522",
        ("DM_RV",),
    ),
    Term(
        "SPN",
        "Suspect parameter number: what is faulty. In RV-C its meaning depends on the DSA; 7FFFF hex is no fault.",
        "published: rv-c.com/node/82 and rv-c.com/node/522",
        ("suspect parameter number",),
    ),
    Term(
        "FMI",
        "Failure mode identifier: how it is faulty, 0 to 31, like 5 for an open circuit.",
        "SAE J1939-73, by an engine maker's manual",
        ("failure mode identifier",),
    ),
    Term(
        "lamp",
        "Two fields of a heartbeat: the yellow lamp is a warning, the red lamp a fault that calls for a stop.",
        "from memory",
        ("yellow lamp", "red lamp"),
    ),
    Term(
        "DM1",
        "The diagnostic message of SAE J1939, DGN FECA: lamps, SPN and FMI. Some devices send it besides the "
        "heartbeat, with the bytes of the SPN in another order.",
        "a gateway maker's RV-C appendix",
    ),
    Term(
        "request",
        "REQUEST_FOR_DGN, EA00 hex: asks one node or all to send a message.",
        "a battery maker's RV-C appendix; SAE J1939-21, from memory",
    ),
    Term(
        "acknowledgement",
        "The bit of a frame that any receiver sets when the frame came through without error. Also ACKNOWLEDGMENT, "
        "E800 hex: the answer to a request or command, yes or no.",
        f"the bit: {CAN_SPECIFICATION}; the message: rv-c.com/node/501",
        ("ACK", "NAK", "acknowledgment"),
    ),
    Term(
        "long message",
        "A message of 9 to 1785 bytes, sent in packets of 7 by the transport protocol: announced to all, or agreed on "
        "with one receiver.",
        TRANSPORT,
        ("transport protocol", "multi-packet", "BAM", "RTS", "CTS"),
    ),
    Term(
        "product identification",
        "PRODUCT_IDENTIFICATION, FEEB hex: make, model, serial number and unit number as text, on request.",
        "device makers' RV-C appendices; the order of the fields from memory",
    ),
    Term(
        "bus load",
        "The share of time in which frames occupy the bus. Above 40 % rvsim raises a notice (our decision).",
        PRACTICE,
    ),
    Term(
        "arbitration",
        "How the bus decides who sends: nodes that start at the same time compare bit by bit; a 0 overrides a 1, and "
        "a node that sent the 1 stops and waits.",
        CAN_SPECIFICATION,
    ),
    Term(
        "dominant",
        "Of a bit: 0, which stands on the wires wherever any node sends it. A 1 is recessive: it gives way.",
        CAN_SPECIFICATION,
        ("recessive",),
    ),
    Term(
        "bit stuffing",
        "After five equal bits the sender inserts an opposite one, which receivers remove. The changes keep "
        "receivers synchronous with the sender.",
        CAN_SPECIFICATION,
        ("stuff bit",),
    ),
    Term(
        "error passive",
        "The state of a node whose error counter is above 127: it may no longer destroy frames that it finds wrong.",
        CAN_SPECIFICATION,
        ("error active", "error counter"),
    ),
    Term(
        "bus-off",
        "The state of a node whose transmit error counter is above 255: it takes no part until it recovers.",
        CAN_SPECIFICATION,
        ("bus off",),
    ),
    Term("node", "Whatever has a controller on the bus and sends from an address of its own.", PRACTICE),
    Term(
        "trunk", "The twisted pair from one terminator to the other, along the vehicle.", "published: rv-c.com/node/10"
    ),
    Term(
        "terminator",
        "A resistor of 120 ohm across the pair at each end of the trunk. Two of them measure 60 ohm; that does not "
        "prove the connectors, the ground or the supply.",
        "published: rv-c.com/node/10 and rv-c.com/node/24",
        ("120 ohm", "60 ohm"),
    ),
    Term("drop", "The cable from the trunk to one node, at most 6 feet (1.8 m).", "published: rv-c.com/node/10"),
    Term("tap", "The place where a drop leaves the trunk.", PRACTICE),
    Term(
        "load centre",
        "A box that switches and fuses the supply of lamps, pumps and motors, and is commanded over the bus.",
        PRACTICE,
        ("load center",),
    ),
    Term("output", "What a load centre switches: one fused circuit to one load.", PRACTICE),
    Term("input", "What a module reads: a switch, a contact, a sensor.", PRACTICE),
    Term(
        "resistor ladder",
        "Several switches on one wire, each with a different resistance, so that the voltage "
        "tells which one is pressed.",
        PRACTICE,
        ("ladder",),
    ),
    Term(
        "low byte first",
        "The order of numbers of several bytes in a frame: 60 21 is 2160 hex. Only the SPN of a heartbeat is the other "
        "way round.",
        "device makers' RV-C appendices; the SPN: from memory",
        ("little endian", "byte order"),
    ),
    Term(
        "step",
        "What one step of a field's number is worth, like 0.05 V. The number times the step, then the offset added, is "
        "the value: 8544 × 0.03125 - 273 = -6 °C.",
        PRACTICE,
        ("scale", "offset", "resolution"),
    ),
    Term(
        "uint8",
        "A whole number of 8 bits without a sign; uint16 and uint32 have 16 and 32. bit2 and bit4 are codes of 2 and 4 "
        "bits.",
        "device makers' RV-C appendices",
        ("uint16", "uint32", "bit2", "bit4", "type"),
    ),
    Term(
        "group byte",
        "Chooses groups of lamps or shades: a bit that is 0 chooses its group, bit 0 group 1. All zeros are all "
        "groups, FF is no data.",
        "published: a copy of the window shade proposal, rv-c.com/node/101",
        ("group bitmap",),
    ),
    Term(
        "special values",
        "Raw numbers that are no reading: no data, out of range, error, reserved, and in commands unchanged. Which of "
        "them a field has depends on its kind: quantity, switch, list of codes, address.",
        "published: rv-c.com/node/522 for no data; the others from memory",
        ("special value", "special code"),
    ),
    Term(
        "no data",
        "All ones in a field: the sender does not know the value, or does not have the field.",
        "published: rv-c.com/node/522",
        ("FF",),
    ),
    Term(
        "out of range",
        "All ones less one in a quantity, FE in a byte: the sender says that its measurement is beyond what the field "
        "can express.",
        "from memory",
        ("FE",),
    ),
    Term("error", "10 binary in a field of two bits, as of a switch: the sender cannot tell the state.", "from memory"),
    Term(
        "reserved",
        "A number above the highest value of a quantity, FB to FD in a byte: set aside by the standard, no reading.",
        "from memory",
        ("FD",),
    ),
    Term("unchanged", "All ones in a field of a command: leave this as it is.", "from memory"),
    Term(
        "DC source",
        "A battery or supply as messages describe it. Several devices may know the same "
        "one; the device with the highest device priority sends its messages.",
        "three device makers' RV-C appendices",
        ("device priority",),
    ),
    Term("state of charge", "What is left in the battery, in percent of full.", PRACTICE, ("SOC",)),
    Term("bulk", "The first stage of charging: as much current as the charger gives.", PRACTICE),
    Term("absorption", "The second stage of charging: constant voltage, while the current falls.", PRACTICE),
    Term("float", "The last stage of charging: a lower voltage that keeps the battery full.", PRACTICE),
    Term(
        "DBC file",
        "A text file that says how messages are laid out: fields, scales, units. --dbc adds one of yours.",
        PRACTICE,
        ("DBC",),
    ),
    Term(
        "field",
        "A part of a message with one meaning: its place (byte and bit) and scale are its layout; its numbers may have "
        "names, which are its codes.",
        PRACTICE,
        ("layout", "code"),
    ),
    Term(
        "virtual time",
        "Simulated time that runs as fast as the computer can, instead of by the wall clock.",
        PRACTICE,
        ("paced",),
    ),
)
"""The terms of the field."""

OUR_OWN = (
    Term(
        "rig",
        "One description of one vehicle's network: its devices, functions, instances, limits and figures.",
        OWN_WORD,
    ),
    Term(
        "scenario",
        "A rig with weather, a script of steps and faults, and what is expected of the run; one TOML file.",
        OWN_WORD,
    ),
    Term("bench", "A simulated vehicle: devices, physics and wires of one rig in one run.", OWN_WORD),
    Term("flag", "One noticed problem, with a kind, a severity, its evidence and what to try next.", OWN_WORD),
    Term("evidence", "The frames or figures that a flag or a verdict rests on.", OWN_WORD),
    Term(
        "roll call",
        "All devices, planned or heard, each in one of five states: present, late, silent, asleep, unplanned.",
        OWN_WORD,
    ),
    Term("present", "State of the roll call: the device keeps to its gaps.", OWN_WORD),
    Term(
        "late",
        "State of the roll call: a periodic message has not come for more than 3 of its gaps and more than 2 s (our "
        "decision).",
        OWN_WORD,
    ),
    Term(
        "silent",
        "State of the roll call: nothing at all has come for more than 15 s, or 3 of the slowest gaps (our decision).",
        OWN_WORD,
    ),
    Term("asleep", "State of the roll call: silent, and planned to be when nobody needs it.", OWN_WORD),
    Term(
        "unplanned",
        "State of the roll call: a sender, or a function and instance, that the rig does not have.",
        OWN_WORD,
    ),
    Term("verdict", "The result of a judged run: passed or not, with each expectation and its evidence.", OWN_WORD),
    Term("shakedown", "Running scenarios to their verdicts.", OWN_WORD),
    Term(
        "vary", "Running one scenario with many values, to find which fail and the smallest case that does.", OWN_WORD
    ),
    Term(
        "survey", "The summary of a captured log: which devices were there, what they sent, what was noticed.", OWN_WORD
    ),
    Term("spell", "To explain one frame byte by byte, with the arithmetic.", OWN_WORD),
    Term("tape", "The page of the screen that spells the last frame of a device as one running line.", OWN_WORD),
    Term("ledger", "The page of the screen that adds up currents: given, taken, left for the battery.", OWN_WORD),
    Term("practice", "Exercises in reading frames, with known answers.", OWN_WORD),
    Term(
        "plan",
        "What should be on the bus according to a rig; also the check of the installation before power is on.",
        OWN_WORD,
    ),
    Term("hub", "A bench offered to other programs on this machine over loopback.", OWN_WORD),
    Term("port", "The one way from rvsim to a bus of python-can and back.", OWN_WORD),
    Term("line", "The simulated pair of wires: bits, arbitration, errors.", OWN_WORD),
    Term(
        "sight",
        "Something that can be seen on the bus, by which a scenario names it: a frame, or a field in a state.",
        OWN_WORD,
    ),
    Term(
        "origin",
        "Where the name, place or codes of a field come from: published, memory, unsure, or user for your own file.",
        OWN_WORD,
        ("grade", "from memory"),
    ),
)
"""Our own words, each of which a reader has to learn once."""
