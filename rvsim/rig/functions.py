"""The functions that a device on the network can have: thermostat, furnace, charger and so on.

Knows: for each function its default source addresses (DSA), the messages in which it states and is commanded, and
which instances it may have. Does not know any vehicle, nor which address a function is heard from: an address
never tells what a device is (rv-c.com/node/82), a DSA in its heartbeat and an instance do.

Who speaks for a battery (``dc_source``) need not be its monitor: a charger does too, but only a monitor has its DSA.

Instances are 1..250 and zero is seldom valid (rv-c.com/node/581); that fresh water is tank 0 is from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from rvsim.wire.fields import Origin

HIGHEST_INSTANCE = 250
"""The highest instance of any function (rv-c.com/book/export/html/81)."""


@dataclass(frozen=True)
class Function:
    """One function, by the name that rigs use.

    ``dsas`` are its default source addresses, the lowest first, which is the one that a device with several
    reports (rv-c.com/node/518). ``origin`` and ``source`` say where the lowest comes from, and which of the others
    are less sure. ``statuses`` and ``commands`` are message names. ``shared`` functions may have one instance in
    several devices by design.
    """

    name: str
    title: str
    dsas: tuple[int, ...]
    statuses: tuple[str, ...]
    commands: tuple[str, ...]
    origin: Origin
    source: str
    zero_allowed: bool = False
    shared: bool = False

    @property
    def lowest_instance(self) -> int:
        """The lowest instance that is valid: 0 or 1."""
        return 0 if self.zero_allowed else 1


_NOT_ESTABLISHED = "no default source address is established"
_TABLE = (
    Function("control_panel", "control panel", (68,), (), (), Origin.PUBLISHED, "a device maker's manual"),
    Function(
        "thermostat",
        "thermostat",
        (88, 89, 90, 91, 92),
        ("THERMOSTAT_STATUS_1",),
        ("THERMOSTAT_COMMAND_1",),
        Origin.PUBLISHED,
        "88: profile prefix in rv-c.com/node/572; 89 to 92: from memory, unsure",
    ),
    Function(
        "furnace",
        "furnace",
        (94, 95, 96, 97, 98),
        ("FURNACE_STATUS",),
        ("FURNACE_COMMAND",),
        Origin.UNSURE,
        "from memory, unsure",
    ),
    Function(
        "water_heater",
        "water heater",
        (101, 102),
        ("WATERHEATER_STATUS",),
        ("WATERHEATER_COMMAND",),
        Origin.MEMORY,
        "from memory",
    ),
    Function(
        "roof_fan",
        "roof fan",
        (),
        ("ROOF_FAN_STATUS_1",),
        ("ROOF_FAN_COMMAND_1",),
        Origin.UNSURE,
        _NOT_ESTABLISHED,
    ),
    Function(
        "charger",
        "charger",
        (74, 75),
        ("CHARGER_STATUS", "CHARGER_STATUS_2"),
        ("CHARGER_COMMAND",),
        Origin.MEMORY,
        "from memory",
    ),
    Function("battery_monitor", "battery monitor", (69,), (), (), Origin.PUBLISHED, "rv-c.com/node/527"),
    Function(
        "dc_source",
        "DC source",
        (),
        ("DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "DC_SOURCE_STATUS_3"),
        (),
        Origin.UNSURE,
        f"{_NOT_ESTABLISHED}; that the highest device priority speaks for an instance: device makers' appendices",
        shared=True,
    ),
    Function(
        "ambient_sensor",
        "ambient sensor",
        (),
        ("THERMOSTAT_AMBIENT_STATUS",),
        (),
        Origin.UNSURE,
        _NOT_ESTABLISHED,
    ),
    Function("tank", "tank", (72,), ("TANK_STATUS",), (), Origin.PUBLISHED, "rv-c.com/node/527", zero_allowed=True),
    Function(
        "circulation_pump",
        "circulation pump",
        (),
        ("CIRCULATION_PUMP_STATUS",),
        ("CIRCULATION_PUMP_COMMAND",),
        Origin.UNSURE,
        _NOT_ESTABLISHED,
    ),
)

FUNCTIONS: Mapping[str, Function] = {function.name: function for function in _TABLE}
"""Every function by its name."""
_BY_STATUS = {message: function for function in _TABLE for message in function.statuses}
_BY_COMMAND = {message: function for function in _TABLE for message in function.commands}
_BY_DSA = {dsa: function for function in _TABLE for dsa in function.dsas}


def by_status(message: str) -> Function | None:
    """Return the function that states itself in a message, None where no function does."""
    return _BY_STATUS.get(message)


def by_command(message: str) -> Function | None:
    """Return the function that a message commands, None where it commands none."""
    return _BY_COMMAND.get(message)


def by_dsa(dsa: int) -> Function | None:
    """Return the function with a default source address, None where none has it."""
    return _BY_DSA.get(dsa)
