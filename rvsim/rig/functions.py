"""The functions that a device on the network can have: thermostat, furnace, charger and so on.

Knows: for each function its default source addresses (DSA), its status and command messages, and its valid instances.
Does not know any vehicle, nor the address of a function: an address does not identify a device (rv-c.com/node/82), the
DSA in its heartbeat and the instance do.

A device that reports a battery (``dc_source``) need not be its monitor: a charger reports it too, but only a monitor
has the DSA of a battery monitor.

Instances are 1..250, and zero is seldom valid (rv-c.com/node/581); fresh water as tank 0 is from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from rvsim.wire.coding import Coding, code_names
from rvsim.wire.fields import Origin

MAX_INSTANCE = 250
"""The highest instance of any function (rv-c.com/book/export/html/81)."""


@dataclass(frozen=True)
class Function:
    """One function, by its name in rigs.

    ``dsas`` are its default source addresses, the lowest first; a device with several reports the lowest
    (rv-c.com/node/518). ``origin`` is the origin of the lowest, ``others_origin`` that of the others, and ``source``
    names the sources of both. ``statuses`` and ``commands`` are message names. Several devices may have one instance of
    a ``shared`` function. The statuses of one that is ``on_change`` come on change only: hours may pass without.
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
    on_change: bool = False
    others_origin: Origin = Origin.UNSURE

    @property
    def lowest_instance(self) -> int:
        """The lowest valid instance: 0 or 1."""
        return 0 if self.zero_allowed else 1

    def label(self, instance: int) -> str:
        """Return the title with the instance: ``thermostat 1``; the type of a charger that has one: alternator 1."""
        return self.charger_type_label(instance) or f"{self.title} {instance}"

    def charger_type_label(self, instance: int) -> str | None:
        """Return the type and number that a charger's instance contains: alternator 1; None where it contains none."""
        return code_names(Coding.CHARGER_INSTANCE).get(instance) if self.name == "charger" else None

    def origin_of(self, dsa: int) -> Origin:
        """Return the origin of one of its default source addresses."""
        return self.origin if dsa == self.dsas[0] else self.others_origin


_NOT_ESTABLISHED = "no default source address is established"
_TABLE = (  # every function; a new one is added here
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
        f"{_NOT_ESTABLISHED}; that the highest device priority reports an instance: device makers' appendices",
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
        "rv-c.com/node/72 and 518; DC loads had it too before they got 146",
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
        "dc_input",
        "digital input",
        (132,),
        ("DIGITAL_INPUT_STATUS",),
        (),
        Origin.PUBLISHED,
        "DC input, keypads too: a keypad maker's integrator guide",
        on_change=True,
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
    # their messages are known by name only, so only a heartbeat identifies them
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
        "refrigerator",
        "refrigerator",
        (107, 108, 109, 110),
        (),
        (),
        Origin.PUBLISHED,
        "rv-c.com/node/500: with freezers and the like; its messages are not established",
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
OTHER_NAMES: Mapping[str, str] = {"keypad": "dc_input"}
"""Names of functions in files that mean another one: the message and the DSA of a keypad are those of a DC input."""
_BY_STATUS = {message: function for function in _TABLE for message in function.statuses}
_BY_COMMAND = {message: function for function in _TABLE for message in function.commands}
_BY_DSA = {dsa: function for function in _TABLE for dsa in function.dsas}


def canonical(name: str) -> str:
    """Return the name of the function that a name in a file means; a name that is none stays as it is."""
    return OTHER_NAMES.get(name, name)


def by_status(message: str) -> Function | None:
    """Return the function with a status message, None where no function has it."""
    return _BY_STATUS.get(message)


def by_command(message: str) -> Function | None:
    """Return the function that a message commands, None where no function has this command."""
    return _BY_COMMAND.get(message)


def by_dsa(dsa: int) -> Function | None:
    """Return the function with a default source address, None where no function has it."""
    return _BY_DSA.get(dsa)
