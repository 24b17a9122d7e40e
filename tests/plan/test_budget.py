"""The budget of the bus by plan, just inside and just outside each limit."""

import pytest

from rvsim.plan.answer import Check, Judgement
from rvsim.plan.bus_traffic import TYPICAL_PAYLOAD
from rvsim.plan.report import PlanInput, check_rig
from rvsim.rig.load import load_rig
from rvsim.watch.flag import Severity
from rvsim.wire.timing import exact_bits

FAST = "INVERTER_AC_STATUS_1"
"""A message with a gap of 100 ms in the table."""


def sender(number: int, *, name: str = "node") -> str:
    """A device that is not simulated and sends so many messages each 100 ms."""
    sends = ", ".join(f'"{FAST} {instance}"' for instance in range(1, number + 1))
    return f'[[device]]\nname = "{name}"\naddress = 0x42\nsends = [{sends}]\n'


def test_the_average_load_is_held_against_forty_percent(plans, catalogue):
    """With the exact bits of a typical payload: as many messages as are just within 40 %, and one more."""
    identifier = catalogue.by_name(FAST).identifier(0x42)
    each = exact_bits(identifier, TYPICAL_PAYLOAD) * 10 / 250_000 * 100
    most = int(40 / each)
    inside = plans.answer("", "bus.load_exact", device=sender(most))
    outside = plans.answer("", "bus.load_exact", device=sender(most + 1))
    assert (inside.judgement, outside.judgement) == (Judgement.GOOD, Judgement.FLAGGED)
    assert inside.value == pytest.approx(most * each)
    assert outside.severity is Severity.WARNING
    assert "typical payload" in inside.formula


def test_loads_without_and_with_all_stuff_bits_by_hand(plans):
    """Ten frames each 100 ms: 131 bits make 5.24 %, 160 bits 6.4 %, the published figure for ten nodes."""
    report = plans.report("", device=sender(10))
    values = {answer.key: answer for answer in report.answers}
    assert values["bus.load_unstuffed"].value == pytest.approx(5.24)
    assert values["bus.load_worst"].value == pytest.approx(6.4)
    assert values["bus.load_worst"].formula == "(10 x 160 bits / 0.1 s) / 250000 bit/s = 6.40 %"
    assert "154 bits" in values["bus.load_worst"].rule.disagreement
    # and a frame each 50 ms beside them: 1.28 %; in the first second a claim of 160 and a request of 110 bits
    assert values["bus.load_with_others"].value == pytest.approx(7.68)
    assert values["bus.busiest_second"].value == pytest.approx((10 * 10 * 160 + 270) / 2500)


@pytest.mark.parametrize(
    ("key", "most", "severity"),
    [
        ("bus.load_worst", 156, Severity.FAULT),  # 156 x 0.64 % = 99.84 %
        ("bus.load_with_others", 154, Severity.NOTICE),  # 98.56 % + 1.28 %
        ("bus.busiest_second", 156, Severity.WARNING),  # 249,600 + 270 of 250,000 bits
        (f"bus.response.{FAST}", 154, Severity.NOTICE),  # 154 + 2 beside: 156 x 0.64 ms = 99.84 ms
    ],
)
def test_what_fits_and_what_does_not(plans, key, most, severity):
    """The figure just inside the limit is good, the next one is told."""
    inside, outside = (plans.answer("", key, device=sender(number)) for number in (most, most + 1))
    assert inside.judgement is Judgement.GOOD
    assert outside.judgement is Judgement.FLAGGED
    assert outside.severity is severity
    assert outside.text
    assert outside.advice


def test_a_message_that_is_late_without_anything_beside_is_a_fault(plans):
    """157 frames of 0.64 ms do not fit into 100 ms."""
    answer = plans.answer("", f"bus.response.{FAST}", device=sender(157))
    assert (answer.judgement, answer.severity, answer.value) == (Judgement.FLAGGED, Severity.FAULT, None)


def test_the_slowest_message_is_worked_out_by_hand(plans):
    """Two nodes: each one frame beside and a heartbeat; the furnace status is below all of them.

    2 beside, 2 heartbeats and its own: 5 x 0.64 ms; in 2.56 ms of waiting nothing is due again.
    """
    device = """
    [[device]]
    name = "panel"
    address = 0x44
    functions = { control_panel = 1 }
    [[device]]
    name = "heater"
    address = 0x5E
    functions = { furnace = 1 }
    """
    answer = plans.answer("", "bus.response_slowest", device=device)
    assert answer.value == pytest.approx(3.2)
    assert answer.question.endswith("FURNACE_STATUS")
    assert answer.formula == (
        "own frame 160 bits = 0.64 ms, no lower frame; 4 frames go first: wait 2.56 ms; "
        "4 frames go first (as before): wait 2.56 ms; response 3.20 ms"
    )


def test_how_many_devices_more(plans):
    """Each like one with 10 messages: 6.4 % of 40 %, so five more; in time is one message beside per node, too."""
    report = plans.report("", device=sender(10))
    values = {answer.key: answer for answer in report.answers}
    assert values["bus.more_devices_load"].value == 5
    assert values["bus.more_devices_load"].formula.endswith("at most 253 addresses")
    # 100 ms have room for 156 frames; each node takes 10 and 2 beside: 13 nodes in all
    assert values["bus.more_devices_deadline"].value == 12
    assert values["bus.more_devices_deadline"].formula.startswith("with 12 every")
    late = {answer.key: answer for answer in plans.report("", device=sender(157)).answers}
    assert late["bus.more_devices_deadline"].value == 0
    assert late["bus.more_devices_deadline"].formula == "a message is too late already"


def test_nobody_knows_what_a_device_sends(plans):
    """A device without kind, list and status is not assumed silent; a message without definition is named."""
    answer = plans.answer("", "device.panel.sends")
    assert answer.judgement is Judgement.UNCHECKED
    assert "sends of device panel" in answer.text
    answer = plans.answer("", "device.node.sends", device=sender(1).replace(f"{FAST} 1", "FURNACE_STATS 1"))
    assert answer.judgement is Judgement.UNCHECKED
    assert "FURNACE_STATS 1" in answer.text
    only = [one.key for one in plans.report("", device=sender(1)).answers if one.judgement is Judgement.UNCHECKED]
    assert "device.node.sends" not in only


def test_nothing_is_sent(plans):
    """A rig whose devices are not known to send anything has no load to answer for."""
    device = '[[device]]\nname = "box"\naddress = 0x80\n'
    assert plans.answer("", "bus.load_worst", device=device).judgement is Judgement.UNCHECKED


def test_what_a_device_lists_is_counted_once(plans):
    """A status of its function that it lists as well is one message; one more instance is one more."""
    device = '[[device]]\nname = "tank"\naddress = 0x48\nfunctions = {{ tank = [0, 1] }}\nsends = [{}]\n'
    listed = '"TANK_STATUS 0", "TANK_STATUS 1"'
    rows = {}
    for sends in (listed, f'{listed}, "TANK_STATUS 2"'):
        report = plans.report("", device=device.format(sends))
        (table,) = (table for table in report.tables if table.name == "messages")
        rows[sends] = {row[0]: row[1] for row in table.rows}["TANK_STATUS"]
    assert list(rows.values()) == ["2", "3"]


def test_devices_that_cannot_be_simulated_are_counted_by_a_typical_payload(plans):
    """A kind without the function that it needs: the reason is told, and the load is not lost."""
    device = '[[device]]\nname = "node"\nkind = "heater"\naddress = 0x5E\nfunctions = { tank = 0 }\n'
    answer = plans.answer("", "bus.load_exact", device=device)
    assert "nothing could be simulated" in answer.formula
    assert answer.value > 0


@pytest.mark.parametrize("name", ["brackenlow", "ottersby", "quillhaven"])
def test_the_shipped_rigs_have_room(name, catalogue):
    """Nothing of the bus is flagged or unchecked, and what is sent lies between no and all stuff bits."""
    report = check_rig(PlanInput(load_rig(name, for_plan=True), catalogue))
    answers = {answer.key: answer for answer in report.answers if answer.check is Check.BUDGET}
    assert all(answer.judgement is Judgement.GOOD for answer in answers.values())
    assert 0.7 * answers["bus.load_unstuffed"].value < answers["bus.load_exact"].value
    assert answers["bus.load_exact"].value < answers["bus.load_worst"].value
    assert "simulated frames" in answers["bus.load_exact"].formula


def test_a_kind_that_sends_more_than_its_function_says_is_counted(catalogue):
    """The battery monitor of quillhaven asks for charge each 500 ms, which its functions do not name."""
    report = check_rig(PlanInput(load_rig("quillhaven", for_plan=True), catalogue))
    (table,) = (table for table in report.tables if table.name == "messages")
    rows = {row[0]: row for row in table.rows}
    assert rows["DC_SOURCE_STATUS_6"][1:3] == ("1", "500")


def test_what_is_wrong_is_a_flag_of_the_budget(plans):
    """A load above the limit is raised under its own kind, the worst first, with the formula as evidence."""
    flags = plans.report("", device=sender(157)).flags
    assert {flag.kind for flag in flags} == {"rig-budget"}
    assert flags[0].severity is Severity.FAULT
    assert any("160 bits" in line for line in flags[0].evidence)


def test_two_devices_of_one_address_are_counted_both(plans):
    """What cannot work yet is still checked: the bench would let one of them fall silent."""
    device = sender(2) + sender(3, name="other")
    assert plans.answer("", "bus.load_worst", device=device).value == pytest.approx(5 * 0.64)


def test_a_kind_that_does_not_exist_or_has_wrong_settings_is_not_simulated(plans):
    """A rig that was read without the kinds: an unknown kind is an unknown sender, wrong settings are told."""
    unknown = '[[device]]\nname = "node"\nkind = "toaster"\naddress = 0x5E\n'
    assert plans.answer("", "device.node.sends", device=unknown).judgement is Judgement.UNCHECKED
    wrong = '[[device]]\nname = "node"\nkind = "tank"\naddress = 0x48\nfunctions = { tank = 0 }\nsettings = { x = 1 }\n'
    answer = plans.answer("", "bus.load_exact", device=wrong)
    assert "nothing could be simulated" in answer.formula
