"""The functions that a device on the network can have: thermostat, furnace, charger and so on.

Knows: for each function its default source addresses (DSA), the messages in which it states and is commanded, and
which instances it may have. Does not know any vehicle, nor which address a function is heard from: an address
never tells what a device is (rv-c.com/node/82), a DSA in its heartbeat and an instance do.

Who speaks for a battery (``dc_source``) need not be its monitor: a charger does too, but only a monitor has its DSA.

Instances are 1..250 and zero is seldom valid (rv-c.com/node/581); that fresh water is tank 0 is from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from rvsim.wire.coding import Coding, code_names
from rvsim.wire.fields import Origin

MAX_INSTANCE = 250
"""The highest instance of any function (rv-c.com/book/export/html/81)."""


@dataclass(frozen=True)
class Function:
    """One function, by the name that rigs use.

    ``dsas`` are its default source addresses, the lowest first, which is the one that a device with several
    reports (rv-c.com/node/518). ``origin`` says where the lowest comes from, ``others_origin`` where the others do,
    and ``source`` tells both in words. ``statuses`` and ``commands`` are message names. ``shared`` functions may have
    one instance in several devices by design.
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
    others_origin: Origin = Origin.UNSURE

    @property
    def lowest_instance(self) -> int:
        """The lowest instance that is valid: 0 or 1."""
        return 0 if self.zero_allowed else 1

    def label(self, instance: int) -> str:
        """Say the function with its instance; one that carries a type of charger is called by that: alternator 1."""
        return self.charger_type_label(instance) or f"{self.title} {instance}"

    def charger_type_label(self, instance: int) -> str | None:
        """Return the type that an instance carries, with its number: alternator 1; None where it carries none."""
        return code_names(Coding.CHARGER_INSTANCE).get(instance) if self.name == "charger" else None

    def origin_of(self, dsa: int) -> Origin:
        """Return where one of its default source addresses comes from."""
        return self.origin if dsa == self.dsas[0] else self.others_origin


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
        others_origin=Origin.MEMORY,
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
        others_origin=Origin.MEMORY,
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
    Function(
        "air_conditioner",
        "air conditioner",
        (103, 104, 105, 106),
        ("AIR_CONDITIONER_STATUS",),
        ("AIR_CONDITIONER_COMMAND",),
        Origin.PUBLISHED,
        "103: profile prefix in rv-c.com/node/569; 104 to 106: from memory, unsure",
    ),
    Function(
        "heat_pump", "heat pump", (), ("HEAT_PUMP_STATUS",), ("HEAT_PUMP_COMMAND",), Origin.UNSURE, _NOT_ESTABLISHED
    ),
    Function(
        "floor_heat", "floor heat", (), ("FLOOR_HEAT_STATUS",), ("FLOOR_HEAT_COMMAND",), Origin.UNSURE, _NOT_ESTABLISHED
    ),
    Function(
        "inverter",
        "inverter",
        (66, 67),
        ("INVERTER_STATUS", "INVERTER_AC_STATUS_1", "INVERTER_DC_STATUS", "INVERTER_TEMPERATURE_STATUS"),
        ("INVERTER_COMMAND",),
        Origin.PUBLISHED,
        "66: an inverter/charger maker's manual; 67: from memory",
        others_origin=Origin.MEMORY,
    ),
    Function(
        "solar_controller",
        "solar controller",
        (141,),
        ("SOLAR_CONTROLLER_STATUS", "SOLAR_CONTROLLER_BATTERY_STATUS", "SOLAR_CONTROLLER_SOLAR_ARRAY_STATUS"),
        ("SOLAR_CONTROLLER_COMMAND",),
        Origin.UNSURE,
        "from memory, unsure",
    ),
    Function(
        "transfer_switch",
        "transfer switch",
        (79,),
        ("ATS_STATUS", "ATS_AC_STATUS_1"),
        ("ATS_COMMAND",),
        Origin.PUBLISHED,
        "rv-c.com/node/527",
    ),
    Function(
        "dc_dimmer",
        "dimmer",
        (131,),
        ("DC_DIMMER_STATUS_1", "DC_DIMMER_STATUS_3"),
        ("DC_DIMMER_COMMAND", "DC_DIMMER_COMMAND_2"),
        Origin.PUBLISHED,
        "rv-c.com/node/72 and 518; DC loads shared it before they were given 146",
    ),
    Function(
        "dc_load",
        "DC load",
        (146,),
        ("DC_LOAD_STATUS", "DC_LOAD_STATUS_2"),
        ("DC_LOAD_COMMAND",),
        Origin.PUBLISHED,
        "a proposed change in rv-c.com/node/518; before it 131, shared with dimmers",
    ),
    Function(
        "ac_load", "AC load", (77,), ("AC_LOAD_STATUS",), ("AC_LOAD_COMMAND",), Origin.UNSURE, "from memory, unsure"
    ),
    Function(
        "keypad", "keypad", (132,), ("DIGITAL_INPUT_STATUS",), (), Origin.PUBLISHED, "a keypad maker's integrator guide"
    ),
    Function(
        "awning",
        "awning",
        (130,),
        ("AWNING_STATUS",),
        ("AWNING_COMMAND",),
        Origin.PUBLISHED,
        "rvia.org/forum, awning submission",
    ),
    Function(
        "window_shade",
        "window shade",
        (),
        ("WINDOW_SHADE_CONTROL_STATUS",),
        ("WINDOW_SHADE_CONTROL_COMMAND",),
        Origin.UNSURE,
        "not established; the submission of 2008 used 131",
    ),
    Function(
        "lock", "lock", (135,), ("LOCK_STATUS",), ("LOCK_COMMAND",), Origin.PUBLISHED, "door control: rv-c.com/node/518"
    ),
    Function(
        "slide",
        "slide room",
        (84, 85, 86, 87),
        ("SLIDE_STATUS",),
        ("SLIDE_COMMAND",),
        Origin.PUBLISHED,
        "84: rv-c.com/node/518; 85 to 87: from memory, unsure",
    ),
    Function(
        "dc_disconnect",
        "DC disconnect",
        (),
        ("DC_DISCONNECT_STATUS",),
        ("DC_DISCONNECT_COMMAND",),
        Origin.UNSURE,
        _NOT_ESTABLISHED,
    ),
    Function("gas_sensor", "gas sensor", (), ("GAS_SENSOR_STATUS",), (), Origin.UNSURE, _NOT_ESTABLISHED),
    # one of each in a vehicle (rv-c.com/node/581 for the genset): their messages carry no instance
    Function(
        "generator",
        "genset",
        (64,),
        ("GENERATOR_STATUS_1", "GENERATOR_STATUS_2"),
        ("GENERATOR_COMMAND",),
        Origin.PUBLISHED,
        "rv-c.com/node/82",
    ),
    Function(
        "generator_start",
        "genset start",
        (65,),
        ("GENERATOR_DEMAND_STATUS",),
        ("GENERATOR_DEMAND_COMMAND",),
        Origin.MEMORY,
        "from memory",
    ),
    Function(
        "water_pump",
        "water pump",
        (128,),
        ("WATER_PUMP_STATUS",),
        ("WATER_PUMP_COMMAND",),
        Origin.UNSURE,
        "from memory, unsure",
    ),
    Function(
        "autofill", "tank filling", (), ("AUTOFILL_STATUS",), ("AUTOFILL_COMMAND",), Origin.UNSURE, _NOT_ESTABLISHED
    ),
    # known by name only, so a heartbeat is all that tells them
    Function(
        "waste_dump",
        "waste dump",
        (129,),
        ("WASTEDUMP_STATUS",),
        ("WASTEDUMP_COMMAND",),
        Origin.PUBLISHED,
        "rv-c.com/node/82",
    ),
    Function(
        "weather_station",
        "weather station",
        (80,),
        ("WEATHER_STATUS_1", "WEATHER_STATUS_2"),
        (),
        Origin.UNSURE,
        "from memory, unsure",
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
