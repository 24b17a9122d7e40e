"""How faults of the wires are written, and what a scenario with a mistake in one is refused with."""

import pytest
from pydantic import TypeAdapter, ValidationError

from rvsim.errors import InputError
from rvsim.shakedown.faults.fault_plans import Fault
from rvsim.shakedown.scenario import load_scenario

HEAD = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n'
BABBLING = 'fault = "babbling"\nfrom = "1s"\nnode = "x"\n'
NOT_BOTH = "name a device of the rig, or a node that is not in it, and not both"


@pytest.mark.parametrize(
    ("plan", "line"),
    [
        ("identifier = 0x18FECA44", '10, fault 1 "babbling", identifier: 419351108 is not a text; write it in quotes'),
        ('identifier = "20000000"', '10, fault 1 "babbling", identifier: "20000000" is not an identifier; write up to'),
        ('identifier = "18FECA4G"', '10, fault 1 "babbling", identifier: "18FECA4G" is not an identifier; write up to'),
        ('identifier = "18FECA440"', '10, fault 1 "babbling", identifier: "18FECA440" is not an identifier'),
        ("", '6, fault 1 "babbling": the key "identifier" is missing; add it'),
        ('identifier = "18FECA44"\nbytes = "0 1"', '11, fault 1 "babbling", bytes: "0 1" is not the data of a frame;'),
        ('identifier = "18FECA44"\nbytes = "000102030405060708"', '11, fault 1 "babbling", bytes: "00010203040506070'),
        (
            'identifier = "18FECA44"\ngap = "0.267ms"',
            '11, fault 1 "babbling", gap: 0.000267 s is shorter than any frame, which takes at least 0.000268 s; omit',
        ),
        ('identifier = "18FECA44"\ndevice = "heater"', f'6, fault 1 "babbling": {NOT_BOTH}'),
        (
            'identifier = "18FECA44"\ngapp = "1s"',
            '11, fault 1 "babbling": unknown key "gapp" (did you mean "gap"?); remove it or correct the name',
        ),
    ],
)
def test_what_no_babbling_is(tmp_path, plan, line):
    """One line each, with its place and what to write."""
    (said,) = refused(tmp_path, f"{BABBLING}{plan}\n")
    assert said.startswith(line)


def test_the_shortest_gap_is_that_of_a_frame_without_bytes(tmp_path):
    """67 bits of 4 us (Davis and others, 2007: 80 + 10 s bits at most, 67 + 8 s without stuff bits)."""
    path = tmp_path / "t.toml"
    path.write_text(f'{HEAD}\n[[fault]]\n{BABBLING}identifier = "18FECA44"\ngap = "0.268ms"\n')
    (plan,) = load_scenario(path).scenario.faults
    assert plan.gap == 268


@pytest.mark.parametrize(
    ("plan", "line"),
    [
        (
            'fault = "babbling"\nfrom = "1s"\nnode = "heater"\nidentifier = "18FECA44"',
            '9, fault 1 "babbling", node: "heater" is a device of the rig; write device = "heater"',
        ),
        ('fault = "babbling"\nfrom = "1s"\nidentifier = "18FECA44"', f'6, fault 1 "babbling": {NOT_BOTH}'),
        ('fault = "bus_errors"\nfrom = "1s"', '6, fault 1 "bus_errors": the key "rate" is missing; add it'),
        ('fault = "bus_errors"\nfrom = "1s"\nrate = 0', '9, fault 1 "bus_errors", rate: 0 is too low; write more than'),
        (
            'fault = "bus_errors"\nfrom = "1s"\nrate = 1.1',
            '9, fault 1 "bus_errors", rate: 1.1 is above 1; write 1 or l',
        ),
        (
            'fault = "bus_errors"\nfrom = "1s"\nrate = 0.1\ndevice = "heater"',
            '10, fault 1 "bus_errors": unknown key "device"; remove it or correct the name',
        ),
        (
            'fault = "missing_terminator"\nfrom = "1s"\nrate = -1',
            '9, fault 1 "missing_terminator", rate: -1 is below 0; write 0 or more',
        ),
        (
            'fault = "reversed_pair"\nfrom = "1s"\ndevice = "heatr"',
            '9, fault 1 "reversed_pair", device: "heatr" is not in the rig (did you mean "heater"?); its devices are c',
        ),
        (
            'fault = "shared_address"\nfrom = "1s"\ndevice = "heater"',
            '6, fault 1 "shared_address": name the other device, as = "...", or an address, and not both',
        ),
        (
            'fault = "shared_address"\nfrom = "1s"\ndevice = "heater"\nas = "heater"',
            '10, fault 1 "shared_address", as: "heater" is the device itself; name another device',
        ),
    ],
)
def test_what_no_fault_of_the_wires_is(tmp_path, plan, line):
    """One line each, with its place and what to write."""
    (said,) = refused(tmp_path, f"{plan}\n")
    assert said.startswith(line)


def test_mistakes_of_several_faults_come_at_once(tmp_path):
    """A line for each, in their order, and one for the scenario's own key."""
    plans = 'fault = "bus_errors"\nfrom = "1s"\nrate = 2\n[[fault]]\nfault = "reversed_pear"\nfrom = "1s"\n'
    lines = refused(tmp_path, plans, "bench_acknowledges = 0\n")
    assert [line.partition(";")[0] for line in lines] == [
        "5, bench_acknowledges: 0 is neither true nor false",
        '9, fault 1 "bus_errors", rate: 2 is above 1',
        '11, fault 2 "reversed_pear", fault: "reversed_pear" is unknown (did you mean "reversed_pair"?)',
    ]


def refused(folder, plan, more="\n"):
    """The lines with which a scenario is refused, from the number of the line on."""
    path = folder / "t.toml"
    path.write_text(f"{HEAD}{more}[[fault]]\n{plan}")
    with pytest.raises(InputError) as error:
        load_scenario(path)
    return [problem.removeprefix(f"{path}, line ") for problem in error.value.problems]


@pytest.mark.parametrize("kind", ["shared_address", "shared_instance"])
def test_what_a_device_shares_it_shares_with_another(tmp_path, kind):
    """With itself nothing would happen."""
    (said,) = refused(tmp_path, f'fault = "{kind}"\ndevice = "heater"\nas = "heater"\nfrom = "1s"\n')
    assert said == f'9, fault 1 "{kind}", as: "heater" is the device itself; name another device'


FIELD = {"device": "d", "message": "DM_RV", "field": "spn"}
REPORTED = {"fault": "reported", "device": "d", "function": "furnace", "spn": 1, "fmi": 1}


@pytest.mark.parametrize(
    ("plan", "key", "within", "beyond"),
    [
        ({"fault": "noise", **FIELD}, "by", (1e-9, 1e6), (0.0, -1.0)),
        ({"fault": "wrong_instance", "device": "d"}, "instance", (0, 255), (-1, 256)),
        ({"fault": "firmware_reset", "device": "d"}, "instance", (0, 255), (-1, 256)),
        ({"fault": "shared_address", "device": "d"}, "address", (0, 253), (-1, 254)),
        ({"fault": "short_frame", "device": "d"}, "length", (0, 7), (-1, 8)),
        (REPORTED, "spn", (0, 0x7FFFE), (-1, 0x7FFFF)),
        (REPORTED, "fmi", (0, 31), (-1, 32)),
        (REPORTED, "times", (0, 126), (-1, 127)),
        ({"fault": "bus_errors"}, "rate", (1e-9, 1.0), (0.0, 1.001)),
        ({"fault": "missing_terminator"}, "rate", (0.0, 1.0), (-0.001, 1.001)),
    ],
)
def test_the_bounds_of_a_fault(plan, key, within, beyond):
    """Instances and addresses in a byte, 254 and 255 being no node's; 19 bits of SPN, 5 of FMI and 7 of a count, the
    highest SPN and count being "none" (SAE J1939-21, -73 and -81; from memory); a chance is 1 at most."""
    plans = TypeAdapter(Fault)
    for value in within:
        assert getattr(plans.validate_python({**plan, "from": "1s", key: value}), key) == value
    for value in beyond:
        with pytest.raises(ValidationError, match=r"less|greater"):
            plans.validate_python({**plan, "from": "1s", key: value})


def test_what_a_fault_is_where_nothing_else_is_said():
    """New firmware has instance 1; a restart takes two seconds; a reported fault lights the yellow lamp, uncounted."""
    plans = TypeAdapter(Fault)

    def plan(**given):
        return plans.validate_python({"from": "1s", "device": "d", **given})

    assert plan(fault="firmware_reset").instance == 1
    assert plan(fault="restart").takes == 2_000_000
    reported = plan(**REPORTED)
    assert (reported.lamp, reported.times) == ("yellow", None)
    assert plan(fault="wrong_scale", factor=2.0, **FIELD).offset == 0.0
    babble = plans.validate_python({"fault": "babbling", "node": "x", "identifier": "1", "from": "1s"})
    assert (bytes.fromhex(babble.data), babble.gap) == (bytes(8), None)
