"""What each kind of fault proves: the duty of a controller, the mistake that leaves it out, and what then goes wrong.

Plain data. Faults and expectations are parts of a scenario as it is written; `test_proofs` puts them into a small van.
"""

from typing import NamedTuple

COLD = {"cabin": 15.0, "outdoor": -6.0, "capacity": 40_000.0}
"""Heat is wanted: a small body of air, which it warms by some five degrees a minute."""
SLOW = {"cabin": 15.0, "outdoor": -6.0, "capacity": 1_000_000.0}
"""Heat is wanted for longer than the run."""
WARM = {"cabin": 22.5, "outdoor": 20.0, "capacity": 400_000.0}
"""No heat is wanted, and the air outside is a little below the set point."""

HEAT = '{ message = "FURNACE_COMMAND", field = "heat_output_level", above = 0 }'
PUMP_ON = '{ message = "CIRCULATION_PUMP_COMMAND", field = "output_status_command", is = "on" }'
PUMP_RUNS = (
    '{ device = "circulation pump", message = "CIRCULATION_PUMP_STATUS", field = "output_status_command", is = "on" }'
)
TEMPERATURE = 'message = "THERMOSTAT_AMBIENT_STATUS"\nfield = "ambient_temperature"'

HEATS = f"""
[[expect]]
says = "heat is commanded while it is cold"
expect = "seen"
sight = {HEAT}
until = "20s"
"""
SOMEBODY_SWITCHES_ON_4 = """
[[step]]
at = "40s"
send = { identifier = "19FE96F9", bytes = "04 F1 FF FF FF FF FF FF" }  # on, to a pump 4 that only the fault makes
"""
"""A pump with new firmware has lost what it was told, and obeys under its new instance."""
GAS_FURNACE = """
[[change]]
device = "heater"
kind = "air_furnace"
functions = { furnace = 1 }
settings = { fuel = "gas" }
"""
"""In place of the heater for coolant."""
WATER_IS_DRAWN = """
[[step]]
at = "20s"
change = { draw = { litres = 20.0, litres_per_min = 30.0 } }
"""
NO_BED_SENSOR = """
[[change]]
device = "bed sensor"
absent = true
"""

KEYPAD = """
[[rig.device]]
name = "keypad"
kind = "keypad"
address = 0x98
functions = { keypad = [31, 32] }
settings = { keys = { warmer = { instance = 31 }, off = { instance = 32 } } }

[[step]]
at = "30s"
press = "keypad.warmer"
"""
KEYS_ON_A_LADDER = """
[[rig.device]]
name = "load centre"
kind = "load_centre"
address = 0x98

[[rig.module]]
name = "module"
device = "load centre"

[[rig.input]]
name = "wall"
module = "module"
terminal = 1
instance = 31
ladder = { pull_up_ohm = 1000, rungs = { warmer = 200, off = 510 } }

[[step]]
at = "30s"
press = "wall.warmer"
hold = "30s"
"""
NOT_TOO_WARM = """
says = "it does not get too warm"
expect = "world"
value = "cabin"
at_most = 24.0
"""
NOTHING_STARTED = f"""
says = "nothing is started in a warm cabin"
expect = "never"
sight = {PUMP_ON}
"""
NO_ALARM = """
says = "there is no false alarm"
expect = "flag"
kind = "reported-fault"
subject = "control panel"
raised = false
"""
HEAT_WITH_PUMP = f"""
says = "heat is asked for only once the pump runs"
expect = "only_after"
sight = {HEAT}
after = {PUMP_RUNS}
"""


def no_heat_once(end: str, grace: str = "2s") -> str:
    """No heat is asked for any more once something was seen."""
    return f"""
says = "no heat is asked for any more"
expect = "only_until"
sight = {HEAT}
end = {{ {end} }}
grace = "{grace}"
"""


NO_HEAT_ONCE_WARM = no_heat_once(
    'device = "bed sensor", message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 24.0'
)
"""By another sensor than the one that it goes by."""


class Proof(NamedTuple):
    """One kind of fault, and the mistake that it finds."""

    duty: str
    """What a right controller does."""
    mistake: str
    """The name of the mistake by which another does not."""
    van: dict[str, float]
    lasts: int
    """Seconds."""
    fault: str
    expectation: str
    """What is not met then, and nothing else."""
    evidence: tuple[str, ...]
    """Parts of what is told of it, which point at the mistake."""
    sensors: tuple[int, ...] = (1,)
    """The ambient sensors that it goes by."""
    more: str = ""
    """What else the scenario has, with the fault and without."""


PROOFS = {
    "silent": Proof(
        "goes by a reading for three of its gaps, then by none",
        "KEEPS_OLD_READINGS",
        COLD,
        240,
        'device = "indoor sensor"\nfrom = "20s"',
        NOT_TOO_WARM,
        ("silent-device of indoor sensor",),
        more=HEATS,
    ),
    "asleep": Proof(
        "asks again until the status says that it was obeyed: one that sleeps takes no command",
        "ASKS_ONCE",
        SLOW,
        90,
        'device = "circulation pump"\nfrom = "0s"\nuntil = "40s"',
        f'says = "the pump runs once it is awake"\nexpect = "seen"\nsight = {PUMP_RUNS}',
        ("not seen by 90.000 s", "output status command off"),
    ),
    "late": Proof(
        "takes the age of the reading itself, not that of the sensor's heartbeat",
        "TAKES_HEARTBEAT_FOR_READING",
        COLD,
        240,
        'device = "indoor sensor"\nmessage = "THERMOSTAT_AMBIENT_STATUS"\ngap = "10min"\nfrom = "20s"',
        NOT_TOO_WARM,
        ("late-message of indoor sensor",),
        more=HEATS,
    ),
    "jitter": Proof(
        "misses nobody because one frame is late",
        "IS_IMPATIENT",
        SLOW,
        120,
        'device = "indoor sensor"\nby = "6s"\nfrom = "0s"',
        NO_ALARM,
        ("reported-fault of control panel",),
    ),
    "wrong_value": Proof(
        "believes no temperature that a cabin cannot have",
        "BELIEVES_ANY_TEMPERATURE",
        WARM,
        60,
        f'device = "indoor sensor"\n{TEMPERATURE}\nvalue = -40.0\nfrom = "0s"',
        NOTHING_STARTED,
        ("19FE9644 01 F1", "bad-value of indoor sensor"),
    ),
    "stuck": Proof(
        "believes no reading that stands still for a minute of heat",
        "BELIEVES_WHAT_NEVER_MOVES",
        COLD,
        240,
        f'device = "indoor sensor"\n{TEMPERATURE}\nfrom = "20s"',
        NO_HEAT_ONCE_WARM,
        ("19FFE344 01 01 C8", "19FF9C96 03"),
        more=HEATS,
    ),
    "drift": Proof(
        "compares two sensors all the time, and goes by neither where they disagree",
        "COMPARES_ONLY_AT_START",
        COLD,
        400,
        f'device = "indoor sensor"\n{TEMPERATURE}\nper_hour = -100.0\nfrom = "20s"',
        NO_HEAT_ONCE_WARM,
        ("19FFE344 01 01 C8", "19FF9C96 03"),
        sensors=(1, 3),
        more=HEATS,
    ),
    "noise": Proof(
        "believes no sensor for a minute whose reading jumps as no air can",
        "BELIEVES_JUMPS",
        WARM,
        90,
        f'device = "indoor sensor"\n{TEMPERATURE}\nby = 12.0\nfrom = "20s"',
        NOTHING_STARTED,
        ("19FE9644 01 F1", "19FF9C91 01"),
    ),
    "wrong_scale": Proof(
        "compares two sensors, which tells degrees Fahrenheit from degrees Celsius",
        "COMPARES_NOTHING",
        COLD,
        240,
        f'device = "indoor sensor"\n{TEMPERATURE}\nfactor = 0.5556\noffset = -17.8\nfrom = "0s"',
        NO_HEAT_ONCE_WARM,
        ("19FFE344 01 01 C8", "19FF9C96 03"),
        sensors=(1, 3),
    ),
    "out_of_range": Proof(
        "does not take the code of a broken sender for a level: no water is heated that may not be there",
        "READS_OUT_OF_RANGE_AS_A_LEVEL",
        WARM,
        60,
        'device = "fresh tank"\nmessage = "TANK_STATUS"\nfield = "relative_level"\nfrom = "20s"',
        """
says = "water is heated only as long as there is known to be some"
expect = "only_until"
sight = { message = "WATERHEATER_COMMAND", field = "operating_mode", is = "combustion" }
end = { message = "TANK_STATUS", field = "relative_level", is = "out of range" }
grace = "2s"
""",
        ("19FFF644 01 01", "bad-value of fresh tank"),
    ),
    "no_data": Proof(
        "does not take the code of no data for 3276 volts: no heater is run from a supply that is not known",
        "READS_NO_DATA_AS_VOLTS",
        SLOW,
        60,
        'device = "battery monitor"\nmessage = "DC_SOURCE_STATUS_1"\nfield = "dc_voltage"\nfrom = "20s"',
        no_heat_once('message = "DC_SOURCE_STATUS_1", field = "dc_voltage", is = "no data"'),
        ("19FFE344 01 01 C8", "no-data of battery monitor"),
        more=HEATS,
    ),
    "wrong_instance": Proof(
        "takes only the instance of its sensor, not all that is not the outdoor sensor's",
        "TAKES_ALL_OTHERS_FOR_INDOORS",
        WARM,
        60,
        'device = "outdoor sensor"\ninstance = 4\nfrom = "20s"',
        NOTHING_STARTED,
        ("19FE9644 01 F1", "19FF9C92 04"),
    ),
    "shared_instance": Proof(
        "stays with the NAME that spoke for an instance first when another speaks for it too",
        "TAKES_ANY_SENDER",
        WARM,
        60,
        'device = "outdoor sensor"\nas = "indoor sensor"\nfrom = "20s"',
        NOTHING_STARTED,
        ("19FE9644 01 F1", "19FF9C92 01"),
    ),
    "firmware_reset": Proof(
        "takes the pump's status only under the instance that it commands",
        "OVERLOOKS_PUMP_INSTANCE",
        SLOW,
        90,
        'device = "circulation pump"\ninstance = 4\nfrom = "30s"',
        no_heat_once('device = "circulation pump", message = "CIRCULATION_PUMP_STATUS", instance = 4', grace="20s"),
        ("19FFE344 01 01 C8", "unplanned-device of circulation pump", "sends as circulation pump 4"),
        more=HEATS + SOMEBODY_SWITCHES_ON_4,
    ),
    "shared_address": Proof(
        "goes by function and instance, never by the address that a frame comes from",
        "GOES_BY_ADDRESS",
        WARM,
        60,
        'device = "outdoor sensor"\nas = "indoor sensor"\nfrom = "20s"',
        NOTHING_STARTED,
        ("19FE9644 01 F1", "19FF9C91 02"),
    ),
    "short_frame": Proof(
        "takes no frame with bytes missing, instead of reading those of the frame before on behind its end",
        "KEEPS_OLD_BYTES",
        WARM,
        60,
        'device = "indoor sensor"\nmessage = "THERMOSTAT_AMBIENT_STATUS"\nlength = 1\nfrom = "20s"',
        NOTHING_STARTED,
        ("19FE9644 01 F1", "19FF9C91 01\n", "wrong-length of indoor sensor"),
        more=NO_BED_SENSOR,
    ),
    "command_ignored": Proof(
        "asks some times, then pauses and says so",
        "ASKS_WITHOUT_END",
        SLOW,
        60,
        'device = "circulation pump"\nfrom = "0s"',
        f'says = "it asks some times, not without end"\nexpect = "seen"\nsight = {PUMP_ON}\nat_most = 10',
        ("seen for the 11th time", "19FE9644 01 F1"),
    ),
    "command_delayed": Proof(
        "waits for the status that says so, instead of two seconds",
        "TAKES_OBEDIENCE_FOR_GRANTED",
        SLOW,
        60,
        'device = "circulation pump"\nby = "6s"\nfrom = "0s"',
        HEAT_WITH_PUMP,
        ("seen too early", "19FFE344 01 01 C8"),
    ),
    "carried_away": Proof(
        "goes on when a device is back that was out of reach and has not started anew",
        "TRUSTS_ONLY_A_NEW_CLAIM",
        SLOW,
        120,
        'device = "circulation pump"\nfrom = "30s"\nuntil = "55s"',
        f'says = "it heats again when the pump is back"\nexpect = "seen"\nsight = {HEAT}\nfrom = "70s"',
        ("not seen by 120.000 s", "heat output level 0 %"),
        more=HEATS,
    ),
    "restart": Proof(
        "goes on when a device is back that was away",
        "NEVER_TRUSTS_AGAIN",
        SLOW,
        120,
        'device = "circulation pump"\ntakes = "25s"\nfrom = "30s"',
        f'says = "it heats again when the pump is back"\nexpect = "seen"\nsight = {HEAT}\nfrom = "70s"',
        ("not seen by 120.000 s", "heat output level 0 %"),
        more=HEATS,
    ),
    "brown_out": Proof(
        "goes by the second sensor when the first is away, but by neither when the branch of both is without power",
        "KEEPS_SECOND_READING",
        COLD,
        240,
        'devices = ["indoor sensor", "bed sensor"]\nfrom = "20s"',
        NOT_TOO_WARM,
        ("silent-device of indoor sensor", "silent-device of bed sensor"),
        sensors=(1, 3),
        more=HEATS,
    ),
    "overload": Proof(
        "asks again each time that the pump is back, also where a breaker opens again and again",
        "ASKS_AGAIN_ONCE",
        SLOW,
        200,
        'branch = "pump"\namps = 12.0\nfrom = "10s"\nuntil = "110s"',
        f'says = "it heats again when the breaker stays closed"\nexpect = "seen"\nsight = {HEAT}\nfrom = "125s"',
        ("not seen by 200.000 s", "heat output level 0 %"),
        more=HEATS,
    ),
    "protection_opens": Proof(
        "goes on when the whole bus was dark and its voltage is back",
        "NEVER_TRUSTS_A_BATTERY_AGAIN",
        SLOW,
        120,
        'from = "30s"\nuntil = "60s"',
        f'says = "it heats again when the battery is back"\nexpect = "seen"\nsight = {HEAT}\nfrom = "75s"',
        ("not seen by 120.000 s", "heat output level 0 %"),
        more=HEATS,
    ),
    "reported": Proof(
        "asks no heater for heat that has its red lamp on",
        "OVERLOOKS_LAMP",
        SLOW,
        60,
        'device = "heater"\nfunction = "furnace"\nspn = 520\nfmi = 7\nlamp = "red"\nfrom = "30s"',
        no_heat_once('device = "heater", message = "DM_RV", field = "red_lamp_status", is = "on"'),
        ("19FFE344 01 01 C8", "reported-fault of heater"),
        more=HEATS,
    ),
    "failed_ignition": Proof(
        "leaves a heater off that failed to start, and does not switch it off and on: a lockout is a safety function",
        "RESETS_A_LOCKOUT",
        SLOW,
        420,
        'device = "heater"\nfrom = "0s"',
        no_heat_once(
            'device = "heater", message = "WATERHEATER_STATUS", field = "failure_to_ignite", is = "failed to ignite"',
            "6s",
        ),
        ("19FFE344 01 01 C8", "reported-fault of heater"),
        more=HEATS,
    ),
    "fuel_gelling": Proof(
        "asks for no more heat when neither flame nor warm air has come for longer than any start takes",
        "WAITS_FOR_A_COLD_BURNER",
        SLOW,
        640,
        'device = "heater"\nwithin = "1min"\nfrom = "100s"',
        no_heat_once(
            'device = "heater", message = "FURNACE_STATUS", field = "heat_output_level", becomes = true, below = 0.5',
            "375s",
        ),
        ("19FFE344 01 01 C8", "19FFF75E 01 01"),
        more=HEATS,
    ),
    "air_in_fuel": Proof(
        "lets a heater whose flame went out start again by itself, and does not switch it off and on",
        "RESTARTS_AT_A_FLAME_OUT",
        SLOW,
        400,
        'device = "heater"\ngap = "100s"\nfrom = "100s"',
        """
says = "heat is asked for all the time"
expect = "entered"
sight = { message = "FURNACE_COMMAND", field = "heat_output_level", becomes = true, above = 0 }
at_most_times = 1
""",
        ("19FFE344 01 01 C8",),
        more=HEATS,
    ),
    "filter_blocked": Proof(
        "says by its own lamp that there is no heat: the furnace stopped for want of air, and somebody has to clean it",
        "KEEPS_A_RED_LAMP_TO_ITSELF",
        SLOW,
        300,
        'device = "heater"\npercent = 50.0\nfrom = "90s"',
        """
says = "it says that there is no heat"
expect = "only_until"
sight = { device = "control panel", message = "DM_RV", field = "yellow_lamp_status", is = "off" }
end = { device = "heater", message = "DM_RV", field = "red_lamp_status", is = "on" }
grace = "2s"
""",
        ("19FECA44 05", "seen at 231"),
        more=HEATS + GAS_FURNACE,
    ),
    "sensor_misplaced": Proof(
        "gives up where three minutes of warm air do not show in its reading: the sensor is not in the cabin",
        "HEATS_IN_VAIN",
        COLD,
        700,
        'device = "indoor sensor"\nplace = "outdoors"\nfrom = "0s"',
        """
says = "the cabin is no oven"
expect = "world"
value = "cabin"
at_most = 30.0
""",
        ("30.0",),
        more=HEATS,
    ),
    "sender_reversed": Proof(
        "believes no fresh tank that rises: no water is heated that may not be there",
        "BELIEVES_RISING_WATER",
        WARM,
        90,
        'device = "fresh tank"\nfrom = "0s"',
        """
says = "water is heated only until the tank seems to fill by itself"
expect = "only_until"
sight = { message = "WATERHEATER_COMMAND", field = "operating_mode", is = "combustion" }
end = { message = "TANK_STATUS", field = "relative_level", above = 60 }
grace = "2s"
""",
        ("19FFF644 01 01", "after 35."),
        more=WATER_IS_DRAWN,
    ),
    "ground_offset": Proof(
        "asks no heater for heat that says that its supply is gone, however full the battery is",
        "OVERLOOKS_HEATERS_SUPPLY",
        SLOW,
        90,
        'device = "heater"\nvolts = -4.5\nfrom = "30s"',
        no_heat_once(
            'device = "heater", message = "WATERHEATER_STATUS", field = "dc_power_failure", is = "DC power not present"'
        ),
        ("19FFE344 01 01 C8", "19FFF75E 01"),
        more=HEATS,
    ),
    "key_stuck": Proof(
        "takes a press once, however long the key is held",
        "REPEATS_A_HELD_KEY",
        COLD,
        240,
        'key = "keypad.warmer"\nfrom = "20s"',
        NO_HEAT_ONCE_WARM,
        ("19FFE344 01 01 C8", "19FF9C96 03"),
        more=HEATS + KEYPAD,
    ),
    "ladder_resistance": Proof(
        "takes a held key whose contact ages, and reads as its neighbour, for no press of the neighbour",
        "TAKES_A_NEIGHBOUR_FOR_A_PRESS",
        SLOW,
        90,
        'input = "wall"\nohm = 300.0\nfrom = "40s"',
        f'says = "it goes on heating"\nexpect = "seen"\nsight = {HEAT}\nfrom = "45s"',
        ("heat output level 0 %",),
        more=HEATS + KEYS_ON_A_LADDER,
    ),
    "babbling": Proof(
        "keeps to a rate of its own however often a sensor speaks",
        "ANSWERS_EACH_FRAME",
        WARM,
        60,
        """
device = "indoor sensor"
identifier = "19FF9C91"
bytes = "01 E0 24 FF FF FF FF FF"
gap = "5ms"
from = "20s"
until = "25s"
""",
        """
says = "it does not join in"
expect = "rate"
sight = { message = "FURNACE_COMMAND" }
from = "20s"
until = "25s"
at_most = 2.0
""",
        ("times a second", "19FF9C91 01 E0 24", "19FFE344 01 01 00"),
    ),
    "bus_errors": Proof(
        "holds no status to its gap more closely than wires allow on which frames have to be sent again",
        "ALLOWS_NO_RETRIES",
        SLOW,
        37,
        'rate = 0.035\nfrom = "10s"\nuntil = "22s"',
        NO_ALARM,
        ("reported-fault of control panel", "bus-busy of bus"),
    ),
    "missing_terminator": Proof(
        "gives an answer time to be sent again: a long trunk without its terminator spoils frames; on a short one, "
        "without a rate, nothing happens and there is nothing to find",
        "ALLOWS_NO_DELAY",
        SLOW,
        40,
        'rate = 0.04\nfrom = "6s"\nuntil = "12s"',
        NO_ALARM,
        ("reported-fault of control panel", "bus-busy of bus"),
    ),
    "reversed_pair": Proof(
        "does without no device because it was never heard: it may be there and its plug be wrong",
        "TAKES_UNHEARD_FOR_ABSENT",
        SLOW,
        60,
        'device = "circulation pump"\nfrom = "0s"',
        HEAT_WITH_PUMP,
        ("seen too early", "no frame of circulation pump was seen"),
    ),
}
