"""What is left of a rig, and what is to be bought for it."""

import pytest

from rvsim.plan.answer import Judgement

RIG = """
[[module]]
name = "m"
branch = "outputs"
output_count = 8
input_count = 2
limit_amps = 20.0

[[branch]]
name = "outputs"
fuse_amps = 25.0
wire = { area_mm2 = 10.0, length_m = 2.0 }

[[branch]]
name = "spare way"
breaker = "manual"
fuse_amps = 25.0
wire = { area_mm2 = 2.5, length_m = 1.0 }

[[ground]]
name = "bar"
wire = { area_mm2 = 10.0, length_m = 3.0 }

[[relay]]
name = "r"
contact = "changeover"
contact_amps = 30.0
motor_amps = 15.0
coil_amps = 0.1
suppressor = "resistor"

[[relay]]
name = "in a box"
suppressed = false

[[relay]]
name = "second in a box"
suppressed = true

[[output]]
name = "winch"
module = "m"
terminal = 1
instance = 1
load = "motor"
amps = 9.0
relay = "r"
suppressed = false
wire = { awg = 12, length_m = 4.0 }

[[output]]
name = "lamp"
module = "m"
terminal = 2
instance = 1
load = "lamp"
amps = 3.0

[[input]]
name = "door"
module = "m"
terminal = 1

[[tap]]
name = "front"
ports = 3
terminator = true
drops = [{ device = "panel", length_m = 0.5 }]

[[tap]]
name = "rear"
length_m = 4.0
ports = 3
terminator = true

[[tap]]
name = "chained"
on = "rear"
length_m = 1.0
"""


@pytest.mark.parametrize(
    ("key", "left"),
    [
        ("module.m.spare_outputs", 6),
        ("module.m.spare_inputs", 1),
        ("module.m.spare_amps", 16.9),
        ("branch.outputs.spare_amps", 8.0),
        ("tap.front.spare_ports", 2),
        ("tap.rear.spare_ports", 2),
        ("bus.spare_addresses", 253),
        ("bus.spare_dynamic", 120),
        ("function.dc_load.spare_instances", 249),
    ],
)
def test_what_is_left(plans, key, left):
    """There are 8 outputs, 2 inputs, 20 A, 25 A / 1.25 of a fuse, 3 ports, 254 addresses and 250 instances."""
    found = plans.answer(RIG, key)
    assert (found.judgement, found.value) == (Judgement.GOOD, pytest.approx(left))


@pytest.mark.parametrize(("address", "left"), [(127, 120), (128, 119), (247, 119), (248, 120)])
def test_dynamic_addresses_are_counted_from_128_to_247(plans, address, left):
    """Both ends belong to them."""
    device = f'[[device]]\nname = "panel"\naddress = {address}\nfunctions = {{ tank = 1 }}\n'
    assert plans.answer("", "bus.spare_dynamic", device=device).value == left


def test_what_is_left_is_never_below_nothing(plans):
    """A sum above its limit leaves 0; the check of the limit flags it."""
    assert plans.answer(RIG.replace("limit_amps = 20.0", "limit_amps = 2.0"), "module.m.spare_amps").value == 0
    formula = plans.answer(RIG, "branch.outputs.spare_amps").formula
    assert formula == "25 A / 1.25 = 20 A; - 12 = 8 A"


def test_what_is_not_known_is_empty(plans):
    """No count, no answer; the table says what is used."""
    report = plans.report(RIG.replace("output_count = 8\n", ""))
    assert "module.m.spare_outputs" not in {answer.key for answer in report.answers}
    table = next(one for one in report.tables if one.name == "spare")
    assert ("m", "outputs", "2", "", "") in table.rows


def test_what_is_to_be_bought(plans):
    """Wires out and back, grounds one way, the pair by its pieces, fuses by rating, relays by contact and class."""
    table = next(one for one in plans.report(RIG).tables if one.name == "bill")
    assert table.rows == (
        ("wire, copper, single conductor", "2.5 mm2", "2", "m"),
        ("wire, copper, single conductor", "12 AWG", "8", "m"),
        ("wire, copper, single conductor", "10 mm2", "7", "m"),
        ("trunk cable", "CAN pair", "5", "m"),
        ("drop cable", "CAN pair", "0.5", "m"),
        ("drop, with a plug for its device", "CAN pair", "1", ""),
        ("tap", "3 ports", "2", ""),
        ("tap", "ports not given", "1", ""),
        ("terminator", "120 ohm", "2", ""),
        ("breaker, manual", "25 A", "1", ""),
        ("fuse", "25 A", "1", ""),
        ("relay", "changeover, 30 A resistive, 15 A motors, for a motor", "1", ""),
        ("relay", "single throw", "2", ""),
        ("suppressor", "for a coil: resistor", "1", ""),
        ("suppressor", "for a coil: kind not given", "1", ""),
        ("suppressor", "for a coil: missing", "1", ""),
        ("suppressor", "for a load: missing", "1", ""),
    )


def test_the_list_says_what_it_lacks(plans):
    """A wire that the rig does not give, and a piece of the pair without its length."""
    wires = plans.answer(RIG, "bill.wires")
    assert wires.text == "not checked: the rig does not give size and length_m of wire of output lamp"
    more = RIG.replace("wire = { awg = 12, length_m = 4.0 }\n", "")
    more += "".join(f'[[output]]\nname = "o{one}"\nmodule = "m"\nterminal = {one}\n' for one in (3, 4))
    assert plans.answer(more, "bill.wires").text.endswith(
        "winch, size and length_m of wire of output lamp, 2 more lengths"
    )
    keys = {answer.key for answer in plans.report(RIG).answers}
    assert "bill.pair" not in keys
    pair = plans.answer(RIG.replace(", length_m = 0.5", "").replace("length_m = 4.0\nports", "ports"), "bill.pair")
    assert pair.text.endswith("length_m of tap rear, length_m of drop to panel")


def test_keys_are_unique(plans):
    """No two answers of a plan have one key."""
    keys = [answer.key for answer in plans.report(RIG).answers]
    assert len(keys) == len(set(keys))
