"""Each kind of fault finds a mistake: a right controller passes with it, a spoilt one does not, for the stated reason.

The controller is a room thermostat on a python-can bus (`controllers`). Where it stands in for the control panel of a
small van, a fault befalls another device or the wires; the mistake is the one check that is left out. Without the fault
the same mistake goes unnoticed: it is the fault that finds it.
"""

import importlib.util
from pathlib import Path
from typing import NamedTuple, get_args

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.fault_plans import Fault
from rvsim.shakedown.verdict import as_text

_SPEC = importlib.util.spec_from_file_location("controllers", Path(__file__).parent / "controllers.py")
controllers = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(controllers)
Mistake, Thermostat = controllers.Mistake, controllers.Thermostat

VAN = """
schema = 1
title = "A thermostat in a small van"
lasts = "{lasts}s"
weather = {{ outdoor_c = {outdoor} }}

[rig]
schema = 1
name = "van"
title = "A small van, invented"
cabin = {{ start_c = {cabin}, heat_capacity_j_per_k = {capacity} }}
coolant = {{ start_c = 65.0 }}      # warm, so that heat comes at once

[[rig.device]]
name = "control panel"
kind = "panel"
address = 0x44
functions = {{ control_panel = 1, thermostat = 1 }}

[[rig.device]]
name = "heater"
kind = "heater"
address = 0x5E
functions = {{ furnace = 1, water_heater = 1 }}

[[rig.device]]
name = "circulation pump"
kind = "circulation_pump"
address = 0x95
functions = {{ circulation_pump = 1 }}

[[rig.device]]
name = "battery monitor"
kind = "battery_monitor"
address = 0x45
functions = {{ battery_monitor = 1, dc_source = 1 }}

[[rig.device]]
name = "fresh tank"
kind = "tank"
address = 0x48
functions = {{ tank = 0 }}

[[rig.device]]
name = "indoor sensor"
kind = "ambient"
address = 0x91
functions = {{ ambient_sensor = 1 }}
limits = {{ "THERMOSTAT_AMBIENT_STATUS.ambient_temperature" = [-30.0, 60.0] }}

[[rig.device]]
name = "outdoor sensor"
kind = "ambient"
address = 0x92
functions = {{ ambient_sensor = 2 }}
settings = {{ place = "outdoors" }}

[[rig.device]]
name = "bed sensor"
kind = "ambient"
address = 0x96
functions = {{ ambient_sensor = 3 }}

[[expect]]
says = "the controller is alive"
expect = "every"
sight = {{ device = "control panel", message = "DM_RV" }}
gap = "6s"

[[expect]]
says = "the furnace is told no more than it has to be"
expect = "rate"
sight = {{ message = "FURNACE_COMMAND" }}
at_most = 0.7
"""
COLD = {"cabin": 15.0, "outdoor": -6.0, "capacity": 40_000.0}
"""Heat is wanted: it warms by some three degrees a minute."""
SLOW = {**COLD, "capacity": 1_000_000.0}
"""Heat is wanted for longer than the run."""
WARM = {"cabin": 22.5, "outdoor": 20.0, "capacity": 400_000.0}
"""No heat is wanted, and the air outside is a little below the set point."""

TEMPERATURE = 'message = "THERMOSTAT_AMBIENT_STATUS"\nfield = "ambient_temperature"'
HEAT = 'sight = { message = "FURNACE_COMMAND", field = "heat_output_level", above = 0 }'
PUMP_ON = 'sight = { message = "CIRCULATION_PUMP_COMMAND", field = "output_status_command", is = "on" }'
COMMON = ""
"""An expectation of the van itself."""
NOT_TOO_WARM = """says = "it does not get too warm"
expect = "world"
value = "cabin"
at_most = 24.0"""
NO_HEAT = f"""says = "nothing is started in a warm cabin"
expect = "never"
{PUMP_ON}"""
NO_ALARM = """says = "no false alarm"
expect = "flag"
kind = "reported-fault"
subject = "control panel"
raised = false"""


def heat_until(end: str, grace: str = "2s") -> str:
    """No heat once something was seen."""
    return f'says = "no heat any more"\nexpect = "only_until"\n{HEAT}\nend = {{ {end} }}\ngrace = "{grace}"'


UNTIL_WARM = heat_until(
    'device = "bed sensor", message = "THERMOSTAT_AMBIENT_STATUS", field = "ambient_temperature", above = 24.0'
)


class Proof(NamedTuple):
    """A fault, the mistake that it finds, the expectation that then is not met, and what points at the mistake."""

    weather: dict[str, float]
    lasts: int
    fault: str
    mistake: Mistake
    expectation: str
    evidence: tuple[str, ...]
    """Parts of what is told of the expectation that is not met."""
    sensors: tuple[int, ...] = (controllers.INDOORS,)
    more: str = ""
    """What else the scenario has, with the fault and without."""

    @property
    def says(self) -> str:
        """How the expectation begins."""
        text = self.expectation or 'says = "the furnace is told no more than it has to be"'
        return text.split('"')[1]

    def scenario(self, kind: str, faulty: bool) -> str:
        """Write the scenario, with the fault or without."""
        parts = [VAN.format(lasts=self.lasts, **self.weather), self.more]
        if faulty:
            parts.append(f'[[fault]]\nfault = "{kind}"\n{self.fault}\n')
        if self.expectation:
            parts.append(f"[[expect]]\n{self.expectation}\n")
        return "\n".join(parts)


BOTH = (controllers.INDOORS, controllers.AT_THE_BED)
PROOFS = {
    "silent": Proof(
        COLD,
        240,
        'device = "indoor sensor"\nfrom = "20s"',
        Mistake.KEEPS_OLD_READINGS,
        NOT_TOO_WARM,
        ("silent-device of indoor sensor",),
    ),
    "asleep": Proof(
        SLOW,
        90,
        'device = "circulation pump"\nfrom = "0s"\nuntil = "40s"',
        Mistake.ASKS_ONCE,
        'says = "the pump runs once it is awake"\nexpect = "seen"\nsight = { device = "circulation pump", message = '
        '"CIRCULATION_PUMP_STATUS", field = "output_status_command", is = "on" }',
        ("not seen by 90.000 s", "output status command off"),
    ),
    "late": Proof(
        COLD,
        240,
        'device = "indoor sensor"\nmessage = "THERMOSTAT_AMBIENT_STATUS"\ngap = "10min"\nfrom = "20s"',
        Mistake.TAKES_HEARTBEAT_FOR_READING,
        NOT_TOO_WARM,
        ("late-message of indoor sensor",),
    ),
    "jitter": Proof(
        SLOW,
        120,
        'device = "indoor sensor"\nby = "6s"\nfrom = "0s"',
        Mistake.IS_IMPATIENT,
        NO_ALARM,
        ("reported-fault of control panel",),
    ),
    "wrong_value": Proof(
        WARM,
        60,
        f'device = "indoor sensor"\n{TEMPERATURE}\nvalue = -40.0\nfrom = "0s"',
        Mistake.BELIEVES_ANY_TEMPERATURE,
        NO_HEAT,
        ("19FE9644 01 F1", "bad-value of indoor sensor"),
    ),
    "stuck": Proof(
        COLD,
        240,
        f'device = "indoor sensor"\n{TEMPERATURE}\nfrom = "20s"',
        Mistake.BELIEVES_WHAT_NEVER_MOVES,
        UNTIL_WARM,
        ("19FFE344 01 01", "19FF9C96 03"),
    ),
    "drift": Proof(
        COLD,
        400,
        f'device = "indoor sensor"\n{TEMPERATURE}\nper_hour = -100.0\nfrom = "20s"',
        Mistake.COMPARES_ONLY_AT_START,
        UNTIL_WARM,
        ("19FFE344 01 01", "19FF9C96 03"),
        BOTH,
    ),
    "noise": Proof(
        WARM,
        90,
        f'device = "indoor sensor"\n{TEMPERATURE}\nby = 12.0\nfrom = "20s"',
        Mistake.BELIEVES_JUMPS,
        NO_HEAT,
        ("19FE9644 01 F1", "19FF9C91 01"),
    ),
    "wrong_scale": Proof(
        COLD,
        240,
        f'device = "indoor sensor"\n{TEMPERATURE}\nfactor = 0.5556\noffset = -17.8\nfrom = "0s"',
        Mistake.COMPARES_NOTHING,
        UNTIL_WARM,
        ("19FFE344 01 01", "19FF9C96 03"),
        BOTH,
    ),
    "out_of_range": Proof(
        WARM,
        60,
        'device = "fresh tank"\nmessage = "TANK_STATUS"\nfield = "relative_level"\nfrom = "20s"',
        Mistake.READS_OUT_OF_RANGE_AS_A_LEVEL,
        'says = "water is heated only as long as there is known to be some"\nexpect = "only_until"\nsight = { message = '
        '"WATERHEATER_COMMAND", field = "operating_mode", is = "combustion" }\nend = { message = "TANK_STATUS", field = '
        '"relative_level", is = "out of range" }\ngrace = "2s"',
        ("19FFF644 01 01", "bad-value of fresh tank"),
    ),
    "no_data": Proof(
        SLOW,
        60,
        'device = "battery monitor"\nmessage = "DC_SOURCE_STATUS_1"\nfield = "dc_voltage"\nfrom = "20s"',
        Mistake.READS_NO_DATA_AS_VOLTS,
        heat_until('message = "DC_SOURCE_STATUS_1", field = "dc_voltage", is = "no data"'),
        ("19FFE344 01 01 C8 C8", "no-data of battery monitor"),
    ),
    "wrong_instance": Proof(
        WARM,
        60,
        'device = "outdoor sensor"\ninstance = 4\nfrom = "20s"',
        Mistake.TAKES_ALL_OTHERS_FOR_INDOORS,
        NO_HEAT,
        ("19FF9C92 04", "unplanned-device of outdoor sensor"),
    ),
    "shared_instance": Proof(
        WARM,
        60,
        'device = "outdoor sensor"\nas = "indoor sensor"\nfrom = "20s"',
        Mistake.TAKES_ANY_SENDER,
        NO_HEAT,
        ("19FF9C92 01", "unplanned-device of outdoor sensor"),
    ),
    "firmware_reset": Proof(
        SLOW,
        90,
        'device = "circulation pump"\ninstance = 4\nfrom = "30s"',
        Mistake.OVERLOOKS_PUMP_INSTANCE,
        heat_until('device = "circulation pump", message = "CIRCULATION_PUMP_STATUS", instance = 4', grace="20s"),
        ("19FFE344 01 01 C8 C8", "unplanned-device of circulation pump"),
    ),
    "shared_address": Proof(
        WARM,
        60,
        'device = "outdoor sensor"\nas = "indoor sensor"\nfrom = "20s"',
        Mistake.GOES_BY_ADDRESS,
        NO_HEAT,
        ("19FF9C91 02",),
    ),
    "short_frame": Proof(
        WARM,
        60,
        'device = "indoor sensor"\nmessage = "THERMOSTAT_AMBIENT_STATUS"\nlength = 1\nfrom = "20s"',
        Mistake.KEEPS_OLD_BYTES,
        NO_HEAT,
        ("19FF9C91 01", "wrong-length of indoor sensor"),
        more='[[change]]\ndevice = "bed sensor"\nabsent = true\n',
    ),
    "command_ignored": Proof(
        SLOW,
        60,
        'device = "circulation pump"\nfrom = "0s"',
        Mistake.ASKS_WITHOUT_END,
        f'says = "it asks some times, not without end"\nexpect = "seen"\n{PUMP_ON}\nat_most = 10',
        ("seen for the 11th time", "19FE9644 01 F1"),
    ),
    "command_delayed": Proof(
        SLOW,
        60,
        'device = "circulation pump"\nby = "6s"\nfrom = "0s"',
        Mistake.TAKES_OBEDIENCE_FOR_GRANTED,
        f'says = "heat only once the pump runs"\nexpect = "only_after"\n{HEAT}\nafter = {{ device = "circulation pump", '
        'message = "CIRCULATION_PUMP_STATUS", field = "output_status_command", is = "on" }',
        ("seen too early", "19FFE344 01 01 C8 C8"),
    ),
    "restart": Proof(
        SLOW,
        120,
        'device = "circulation pump"\ntakes = "25s"\nfrom = "30s"',
        Mistake.NEVER_TRUSTS_AGAIN,
        f'says = "it heats again when the pump is back"\nexpect = "seen"\n{HEAT}\nfrom = "70s"',
        ("not seen by 120.000 s", "heat output level 0 %"),
    ),
    "brown_out": Proof(
        COLD,
        240,
        'devices = ["indoor sensor", "bed sensor"]\nfrom = "20s"',
        Mistake.KEEPS_SECOND_READING,
        NOT_TOO_WARM,
        ("silent-device of indoor sensor", "silent-device of bed sensor"),
        BOTH,
    ),
    "reported": Proof(
        SLOW,
        60,
        'device = "heater"\nfunction = "furnace"\nspn = 520\nfmi = 7\nlamp = "red"\nfrom = "30s"',
        Mistake.OVERLOOKS_LAMP,
        heat_until('device = "heater", message = "DM_RV", field = "red_lamp_status", is = "on"'),
        ("19FFE344 01 01 C8 C8", "reported-fault of heater"),
    ),
    "babbling": Proof(
        WARM,
        60,
        'device = "indoor sensor"\nidentifier = "19FF9C91"\nbytes = "01 E0 24 FF FF FF FF FF"\ngap = "5ms"\n'
        'from = "20s"\nuntil = "25s"',
        Mistake.ANSWERS_EACH_FRAME,
        COMMON,
        ("times a second",),
    ),
    "bus_errors": Proof(
        SLOW,
        60,
        'rate = 0.03\nfrom = "10s"\nuntil = "40s"',
        Mistake.ALLOWS_NO_RETRIES,
        NO_ALARM,
        ("reported-fault of control panel",),
    ),
    "missing_terminator": Proof(
        SLOW,
        40,
        'rate = 0.04\nfrom = "6s"\nuntil = "12s"',
        Mistake.ALLOWS_NO_DELAY,
        NO_ALARM,
        ("reported-fault of control panel",),
    ),
    "reversed_pair": Proof(
        SLOW,
        60,
        'device = "circulation pump"\nfrom = "0s"',
        Mistake.TAKES_UNHEARD_FOR_ABSENT,
        f'says = "heat only once the pump runs"\nexpect = "only_after"\n{HEAT}\nafter = {{ device = "circulation pump", '
        'message = "CIRCULATION_PUMP_STATUS", field = "output_status_command", is = "on" }',
        ("seen too early", "circulation pump was not heard at all"),
    ),
}


@pytest.fixture
def tried(tmp_path):
    """Try a controller in the scenario of a kind of fault, and return the verdict."""

    def go(kind, mistake, faulty=True, seed=1):
        path = tmp_path / "van.toml"
        path.write_text(PROOFS[kind].scenario(kind, faulty), encoding="utf-8")
        with SimulatedBus(str(path), except_devices="control panel", seed=seed) as bus:
            Thermostat(bus, mistake, PROOFS[kind].sensors).run(PROOFS[kind].lasts)
            return bus.verdict()

    return go


def told(verdict) -> str:
    """A verdict as it is told."""
    return "\n".join(as_text(verdict))


def test_there_is_a_proof_for_each_kind_of_fault():
    """A new kind needs one too."""
    union, _ = get_args(Fault)
    kinds = {word for plan in get_args(union) for word in get_args(plan.model_fields["fault"].annotation)}
    assert set(PROOFS) == kinds


def test_each_proof_is_about_a_mistake_of_its_own():
    """No mistake stands for two kinds."""
    assert len({proof.mistake for proof in PROOFS.values()}) == len(PROOFS) == len(Mistake)


@pytest.mark.parametrize("kind", PROOFS)
def test_a_right_controller_passes_with_the_fault(kind, tried):
    """It does what can be done where that happens."""
    verdict = tried(kind, None)
    assert verdict.passed, told(verdict)


@pytest.mark.parametrize("kind", PROOFS)
def test_a_spoilt_one_passes_without_the_fault(kind, tried):
    """As long as nothing goes wrong, nobody finds its mistake."""
    verdict = tried(kind, PROOFS[kind].mistake, faulty=False)
    assert verdict.passed, told(verdict)


@pytest.mark.parametrize("kind", PROOFS)
def test_a_spoilt_one_does_not_pass_with_it_for_the_stated_reason(kind, tried):
    """One expectation is not met, the one about its mistake, and what is told of it points there."""
    verdict = tried(kind, PROOFS[kind].mistake)
    (failed,) = verdict.failed or pytest.fail(told(verdict))
    assert failed.expected.startswith(PROOFS[kind].says), told(verdict)
    evidence = "\n".join((failed.found, failed.nearest, *failed.before, failed.look))
    assert [part for part in PROOFS[kind].evidence if part not in evidence] == [], told(verdict)
