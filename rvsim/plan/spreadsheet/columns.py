"""The columns of a spreadsheet: by which heads each is known, in which units, and where its values stand in a rig.

Knows: the synonyms that installers use, and how a unit stands in a head. Does not know how a cell is read (`cells`).
"""

import re
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Literal, NamedTuple

Part = Literal["device", "module", "relay", "branch", "output", "input"]
"""What a row is about, as the rig's table is called."""
PARTS: tuple[Part, ...] = ("device", "module", "relay", "branch", "output", "input")
"""All of them, in the order in which they are written."""
Form = Literal[
    "text",
    "word",
    "number",
    "whole",
    "yes or no",
    "list",
    "time",
    "size",
    "address",
    "functions",
    "currents",
    "rungs",
    "switches",
    "current",
]
"""How a cell is read and written."""
Key = tuple[str, ...]
"""The place of a value in an entry of a rig: ("wire", "length_m")."""

AMPS: Mapping[str, float] = {"a": 1, "amp": 1, "amps": 1, "ampere": 1, "amperes": 1, "ma": 1e-3, "milliamps": 1e-3}
MILLIAMPS: Mapping[str, float] = {"ma": 1, "milliamps": 1, "a": 1e3, "amps": 1e3, "ua": 1e-3, "µa": 1e-3}
METRES: Mapping[str, float] = {
    "m": 1, "metre": 1, "metres": 1, "meter": 1, "meters": 1, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "feet": 0.3048,
    "foot": 0.3048, "'": 0.3048, "in": 0.0254, "inch": 0.0254, "inches": 0.0254, '"': 0.0254,
}  # fmt: skip
"""One foot is 0.3048 m exactly (NIST Special Publication 811, appendix B)."""
BOTH_WAYS: Mapping[str, float] = {unit: share / 2 for unit, share in METRES.items()}
PERCENT: Mapping[str, float] = {"%": 1, "percent": 1}
VOLTS: Mapping[str, float] = {"v": 1, "volt": 1, "volts": 1, "mv": 1e-3}
MILLIOHM: Mapping[str, float] = {"mohm": 1, "milliohm": 1, "milliohms": 1, "mω": 1, "ohm": 1e3, "ohms": 1e3, "ω": 1e3}
OHM: Mapping[str, float] = {"ohm": 1, "ohms": 1, "ω": 1, "kohm": 1e3, "kω": 1e3, "k": 1e3, "r": 1}
CELSIUS: Mapping[str, float] = {"c": 1, "°c": 1, "degc": 1, "deg c": 1}
TIME: Mapping[str, float] = {"s": 1, "sec": 1, "seconds": 1, "ms": 1e-3, "milliseconds": 1e-3, "min": 60, "h": 3600}
SIZES: Mapping[str, float] = {"mm2": 1, "mm²": 1, "sqmm": 1, "sq mm": 1, "mm^2": 1, "qmm": 1, "awg": 0, "ga": 0}
"""Units of a conductor's size; 0 stands for the gauge, which no factor converts."""
HEX: Mapping[str, float] = {"hex": 16, "dec": 10, "decimal": 10}


class Column(NamedTuple):
    """One column.

    ``head`` is how it is written; ``names`` are the heads by which it is known, in lower case, without unit.
    ``keys`` is the place of its values in the entry of each part that has it. ``units`` are those that a head or a cell
    can have, with what one of them is in the unit of the rig; ``unit`` holds where neither has one, and is empty where
    one has to be given.
    """

    head: str
    names: tuple[str, ...]
    form: Form
    keys: Mapping[Part, Key]
    units: Mapping[str, float] = {}
    unit: str = ""


_WIRED: tuple[Part, ...] = ("branch", "output")


def _wire(key: str) -> dict[Part, Key]:
    return dict.fromkeys(_WIRED, ("wire", key))


def _each(key: str, *parts: Part) -> dict[Part, Key]:
    return dict.fromkeys(parts, (key,))


COLUMNS: tuple[Column, ...] = (
    Column("name", ("name", "circuit", "label", "tag", "description"), "text", _each("name", *PARTS)),
    Column("module", ("module", "load centre", "load center", "power module", "controller"), "text",
           _each("module", "output", "input")),
    Column("terminal", ("terminal", "channel", "pin", "terminal no", "terminal number", "output number",
                        "input number", "output no", "input no"), "whole", _each("terminal", "output", "input")),
    Column("instance", ("instance", "load instance", "input instance"), "whole", _each("instance", "output", "input")),
    Column("load", ("load", "load type", "load kind", "kind of load"), "word", _each("load", "output")),
    Column("kind", ("kind", "device kind", "device type"), "text", _each("kind", "device")),
    Column("switch", ("switch", "switch type"), "word", _each("switch", "input")),
    Column("type", ("type",), "word", {"output": ("load",), "device": ("kind",), "input": ("switch",)}),
    Column("address", ("address", "source address", "sa"), "address", _each("address", "device"), HEX, "dec"),
    Column("functions", ("functions", "function"), "functions", _each("functions", "device")),
    Column("real", ("real",), "yes or no", _each("real", "device")),
    Column("device", ("device", "network device"), "text", _each("device", "module")),
    Column("branch", ("branch", "supply", "supply branch", "feed", "circuit breaker panel"), "text",
           _each("branch", "device", "module")),
    Column("fed by", ("fed by", "parent", "from"), "text",
           {"device": ("branch",), "module": ("branch",), "branch": ("parent",)}),
    Column("battery", ("battery",), "text", _each("battery", "branch")),
    Column("ground", ("ground", "return"), "text", _each("ground", "device", "module")),
    Column("currents", ("currents", "currents by function"), "currents", _each("amps", "device")),
    Column("current (A)", ("current", "running current", "load current", "continuous current", "amps", "amperage"),
           "current", _each("amps", "output", "device"), AMPS, "a"),
    Column("peak current (A)", ("peak current", "peak", "inrush", "inrush current", "start current",
                                "starting current", "surge", "surge current"), "number",
           _each("peak_amps", "output", "device"), AMPS, "a"),
    Column("peak time", ("peak time", "peak duration", "inrush time", "inrush duration", "start time"), "time",
           _each("peak", "output", "device"), TIME, "s"),
    Column("duty (%)", ("duty", "duty cycle"), "number", _each("duty_percent", "output"), PERCENT, "%"),
    Column("share (%)", ("share", "simultaneity", "diversity", "demand"), "number",
           _each("share_percent", "output", "branch"), PERCENT, "%"),
    Column("limit (A)", ("limit", "rating", "current limit", "output limit", "output rating", "maximum current",
                         "max current", "rated current"), "number", _each("limit_amps", "output", "module"), AMPS, "a"),
    Column("fuse (A)", ("fuse", "fuse rating", "fuse size", "fuse value"), "number",
           _each("fuse_amps", "output", "branch", "device"), AMPS, "a"),
    Column("fuse distance (m)", ("fuse distance", "distance to fuse", "distance of fuse"), "number",
           _each("fuse_distance_m", "output", "branch", "device"), METRES),
    Column("interrupting (A)", ("interrupting", "interrupting current", "interrupting rating", "breaking capacity"),
           "number", _each("interrupting_amps", "output", "branch", "device"), AMPS, "a"),
    Column("breaker", ("breaker", "breaker type"), "word", _each("breaker", "branch")),
    Column("wire", ("wire", "wire size", "conductor", "conductor size", "cable", "cable size", "size", "gauge"),
           "size", _wire("area_mm2"), SIZES),
    Column("wire (mm2)", ("area", "wire area", "cross section", "wire cross section", "csa"), "size",
           _wire("area_mm2"), SIZES, "mm2"),
    Column("wire (AWG)", ("awg", "wire gauge"), "size", _wire("area_mm2"), SIZES, "awg"),
    Column("length (m)", ("length", "wire length", "cable length", "run", "run length", "length one way",
                          "one way length", "distance"), "number", _wire("length_m"), METRES),
    Column("length both ways (m)", ("length both ways", "length there and back", "round trip", "round trip length",
                                    "loop length", "total length"), "number", _wire("length_m"), BOTH_WAYS),
    Column("resistance (mohm)", ("resistance", "wire resistance", "loop resistance", "milliohm"), "number",
           _wire("milliohm"), MILLIOHM),
    Column("insulation (C)", ("insulation", "insulation temperature", "insulation rating"), "whole",
           _wire("insulation_c"), CELSIUS, "c"),
    Column("bundle", ("bundle", "bundled conductors", "conductors in bundle"), "whole", _wire("bundle")),
    Column("engine space", ("engine space", "engine compartment"), "yes or no", _wire("engine_space")),
    Column("sheathed", ("sheathed", "in conduit", "conduit"), "yes or no", _wire("sheathed")),
    Column("relay", ("relay",), "text", _each("relay", "output")),
    Column("contact (A)", ("contact", "contact current", "contact rating"), "number", _each("contact_amps", "relay"),
           AMPS, "a"),
    Column("coil (A)", ("coil", "coil current"), "number", _each("coil_amps", "relay"), AMPS, "a"),
    Column("coil resistance (ohm)", ("coil resistance",), "number", _each("coil_ohm", "relay"), OHM, "ohm"),
    Column("pull-in (V)", ("pull in", "pull in voltage"), "number", _each("pull_in_volts", "relay"), VOLTS, "v"),
    Column("ambient (C)", ("ambient", "ambient temperature"), "number", _each("ambient_c", "relay"), CELSIUS, "c"),
    Column("lowest contact current (A)", ("lowest contact current", "min contact"), "number",
           _each("min_contact_amps", "relay"), AMPS, "a"),
    Column("lowest load (A)", ("lowest load", "minimum load", "min load"), "number", _each("min_load_amps", "module"),
           AMPS, "a"),
    Column("suppressed", ("suppressed", "suppression"), "yes or no", _each("suppressed", "output", "relay")),
    Column("suppressor", ("suppressor",), "word", _each("suppressor", "relay")),
    Column("manual override", ("manual override", "override"), "yes or no", _each("manual_override", "output")),
    Column("critical", ("critical", "vital"), "yes or no", _each("critical", "output", "branch", "device")),
    Column("cut-off (V)", ("cut off", "cutoff", "cut off voltage", "minimum voltage"), "number",
           _each("cut_off_volts", "output", "device"), VOLTS, "v"),
    Column("priority", ("priority", "shed priority"), "whole", _each("priority", "output")),
    Column("zone", ("zone", "room", "location"), "text", _each("zone", "output", "device")),
    Column("interlock", ("interlock",), "text", _each("interlock", "output")),
    Column("standing current (mA)", ("standing current", "standing", "standby current", "quiescent current",
                                     "parasitic current"), "number", _each("standing_milliamps", "device"), MILLIAMPS,
           "ma"),
    Column("needs", ("needs", "receives"), "list", _each("needs", "device")),
    Column("sends", ("sends",), "list", _each("sends", "device")),
    Column("outputs", ("outputs", "output count", "number of outputs"), "whole", _each("output_count", "module")),
    Column("inputs", ("inputs", "input count", "number of inputs"), "whole", _each("input_count", "module")),
    Column("switches", ("switches", "controls"), "switches", _each("switches", "input")),
    Column("ladder", ("ladder", "ladder resistors", "rungs"), "rungs", {"input": ("ladder", "rungs")}),
    Column("pull-up (ohm)", ("pull up", "pullup", "pull up resistor"), "number", {"input": ("ladder", "pull_up_ohm")},
           OHM, "ohm"),
    Column("tolerance (%)", ("tolerance",), "number", {"input": ("ladder", "tolerance_percent")}, PERCENT, "%"),
)  # fmt: skip
"""Every column, in the order in which they are written."""
PART_HEADS = ("part", "row", "row type", "item", "item type")
"""Heads of the column that says what a row is about."""
NOT_READ = frozenset({"remark", "remarks", "note", "notes", "comment", "comments", "no", "nr", "number", "index"})
"""Heads of columns that are passed over in silence."""
_BY_NAME = {name: column for column in COLUMNS for name in column.names}
_NEAR = 0.8
"""How alike two heads are of which one is a typing mistake of the other: "lenght" is 0.83 of "length". Our decision."""
_UNIT_IN_BRACKETS = re.compile(r"(.*?)[(\[]([^)\]]*)[)\]]\s*")


class Head(NamedTuple):
    """What a head says: the column, and the unit in it, empty where it has none."""

    column: Column
    unit: str = ""


def plain_head(text: str) -> str:
    """Return a head in lower case with single blanks, without the signs between words."""
    return " ".join(re.sub(r"[_\-./,:]+", " ", text.lower()).split())


def known_head(text: str) -> Head | None:
    """Return what a head says, its unit known or not; None where it is none of ours."""
    found = _UNIT_IN_BRACKETS.fullmatch(text.strip())
    name, unit = (plain_head(found[1]), found[2].strip().lower()) if found else (plain_head(text), "")
    column = _BY_NAME.get(name)
    if column is None and not unit:
        name, _, unit = name.rpartition(" ")
        column = _BY_NAME.get(name)
        if column is not None and unit not in column.units:
            column = None
    if column is None:
        return None
    return Head(column, unit if column.units else "")  # else a remark in brackets


def head_of(text: str) -> Head | str | None:
    """Return what a head says; a text that says what is wrong with it; None where it is none of ours."""
    head = known_head(text)
    if head is None:
        plain = plain_head(text.partition("(")[0].partition("[")[0])
        near = get_close_matches(plain, _BY_NAME, n=1, cutoff=_NEAR)
        return f'unknown head (did you mean "{near[0]}"?); correct it' if near and plain not in NOT_READ else None
    if head.unit and head.unit not in head.column.units:
        known = ", ".join(dict.fromkeys(head.column.units))
        return f"the unit {head.unit} is not known for {head.column.names[0]}; write one of {known}"
    return head


def is_part_head(text: str) -> bool:
    """Tell whether a head is that of the column that says what a row is about."""
    return plain_head(text) in PART_HEADS


def column_name(number: int) -> str:
    """Return the letters of a column, counted from 0: A, B ... Z, AA."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def cell_name(row: int, column: int) -> str:
    """Return the name of a cell, both counted from 0: B7."""
    return f"{column_name(column)}{row + 1}"
