"""Which rigs are valid: single devices, and devices together."""

from pathlib import Path
from typing import Literal

import pytest
from pydantic import BaseModel, ConfigDict, ValidationError

from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig
from rvsim.rig.table import entry_value
from rvsim.rig.vehicle import VehiclePlan
from rvsim.wire.name import Name


class FanSettings(BaseModel):
    """Settings of an invented kind of device, one of them without a default."""

    model_config = ConfigDict(extra="forbid")
    size: Literal["small", "large"]
    blades: int = 5


class PlainSettings(BaseModel):
    """Settings of a kind that has none."""

    model_config = ConfigDict(extra="forbid")


KINDS = {"fan": FanSettings, "plain": PlainSettings}


def device(number=1, **given):
    """Return a device as a file would give it, different from the others by its number."""
    return {
        "name": f"device {number}",
        "kind": "plain",
        "address": 0x80 + number,
        "functions": {"tank": number},
        **given,
    }


def rig(*devices, **given):
    """Return a rig as a file would give it."""
    return {"schema": 1, "name": "small", "title": "A small one", "device": list(devices), **given}


def problems(data, kinds=None, **context):
    """Return the mistakes that a rig is refused for, as (place, text)."""
    with pytest.raises(ValidationError) as refused:
        Rig.model_validate(data, context={"kinds": kinds, **context})
    return [(error["loc"], error["msg"].removeprefix("Value error, ")) for error in refused.value.errors()]


def test_a_device_is_read_with_its_defaults():
    """Single instances become tuples; what is left out is empty or false."""
    whole = Rig.model_validate(rig(device(functions={"furnace": 1, "tank": [0, 250]})))
    assert (whole.form, whole.name, whole.title) == (1, "small", "A small one")
    (plan,) = whole.devices
    assert plan.functions == {"furnace": (1,), "tank": (0, 250)}
    assert (plan.name, plan.kind, plan.address) == ("device 1", "plain", 0x81)
    assert (plan.zone, plan.sleeps, plan.settings, plan.limits, plan.required) == (None, False, {}, {}, ())


def test_a_device_is_read_with_everything():
    """Zone, sleep, settings, limits and required fields are kept as they are written."""
    full = {
        "zone": "loft",
        "sleeps": True,
        "settings": {"blades": 3},
        "limits": {"A_STATUS.level": [0, 7.5], "level": [1, 1]},
        "required": ["A_STATUS.level", "level"],
    }
    (plan,) = Rig.model_validate(rig(device(**full))).devices
    assert (plan.zone, plan.sleeps, plan.settings) == ("loft", True, {"blades": 3})
    assert plan.limits == {"A_STATUS.level": (0.0, 7.5), "level": (1.0, 1.0)}
    assert plan.required == ("A_STATUS.level", "level")


def test_the_vehicle_is_read_from_the_tables_of_the_rig():
    """Each of the seven tables reaches the vehicle; left out, all are the defaults."""
    tables = {
        "cabin": {"volume_m3": 12},
        "coolant": {"litres": 7},
        "hot_water": {"litres": 8},
        "battery": {"capacity_ah": 90},
        "fresh_tank": {"litres": 71},
        "grey_tank": {"litres": 51},
        "black_tank": {"litres": 19},
    }
    vehicle = Rig.model_validate(rig(device(), **tables)).vehicle
    figures = (vehicle.cabin.volume_m3, vehicle.coolant.litres, vehicle.hot_water.litres, vehicle.battery.capacity_ah)
    assert figures == (12, 7, 8, 90)
    assert [tank.litres for tank in (vehicle.fresh_tank, vehicle.grey_tank, vehicle.black_tank)] == [71, 51, 19]
    assert Rig.model_validate(rig(device())).vehicle == VehiclePlan()


def test_settings_are_handed_out_as_their_model():
    """The simulated device gets its settings checked and with defaults."""
    plan = DevicePlan.model_validate(device(settings={"size": "small"}))
    assert plan.settings_as(FanSettings) == FanSettings(size="small", blades=5)


def test_a_rig_cannot_be_changed():
    """Rigs and devices are frozen."""
    plan = Rig.model_validate(rig(device()))
    with pytest.raises(ValidationError, match="frozen"):
        plan.name = "other"  # type: ignore[misc]
    with pytest.raises(ValidationError, match="frozen"):
        plan.devices[0].name = "other"  # type: ignore[misc]


ADDRESS = "is not an address that a device can have; write 0 to 0xFD (253)"
FUNCTION = f"; the functions are {', '.join(FUNCTIONS)}"
INSTANCE = "is not an instance; write a whole number, like 1, or several, like [1, 2]"


@pytest.mark.parametrize(
    ("given", "place", "problem"),
    [
        ({"address": 254}, ("address",), f"0xFE {ADDRESS}"),
        ({"address": -1}, ("address",), f"-1 {ADDRESS}"),
        ({"address": 0xFFFF}, ("address",), f"0xFFFF {ADDRESS}"),
        ({"address": 0x10000}, ("address",), f"65536 {ADDRESS}"),
        ({"address": 1 << 70}, ("address",), f"a number that is too large {ADDRESS}"),
        ({"name": " "}, ("name",), "this is empty; write a few words"),
        ({"name": " fan"}, ("name",), '" fan" has spaces around it; remove them'),
        (
            {"zone": "a\nb"},
            ("zone",),
            '"a\\nb" has a line break or another control character; write plain text',
        ),
        (
            {"functions": {"furnase": 1}},
            ("functions", "furnase"),
            f'unknown function (did you mean "furnace"?){FUNCTION}',
        ),
        ({"functions": {"xyz": 0}}, ("functions", "xyz"), f"unknown function{FUNCTION}"),
        (
            {"functions": {"furnace": 0}},
            ("functions", "furnace"),
            "a furnace cannot have instance 0; write 1 to 250",
        ),
        (
            {"functions": {"water_heater": [1, 251]}},
            ("functions", "water_heater"),
            "a water heater cannot have instance 251; write 1 to 250",
        ),
        ({"functions": {"tank": -1}}, ("functions", "tank"), "a tank cannot have instance -1; write 0 to 250"),
        ({"functions": {"tank": [1, 1]}}, ("functions", "tank"), "instance 1 is given twice; write it once"),
        (
            {"functions": {"tank": []}},
            ("functions", "tank"),
            "no instance is given; write one, like 1, or several, like [1, 2]",
        ),
        ({"functions": {"tank": "1"}}, ("functions", "tank"), f'"1" {INSTANCE}'),
        ({"functions": {"tank": [True]}}, ("functions", "tank"), f"true {INSTANCE}"),
        (
            {"limits": {"level": [2, 1.5]}},
            ("limits", "level"),
            "the low limit 2 is above the high limit 1.5; write [low, high]",
        ),
        (
            {"limits": {"level": [2]}},
            ("limits", "level"),
            "a list is not a pair of limits; write the lowest and the highest value: [low, high]",
        ),
        (
            {"limits": {"level": 2}},
            ("limits", "level"),
            "2 is not a pair of limits; write the lowest and the highest value: [low, high]",
        ),
        (
            {"limits": {"the level": [1, 2]}},
            ("limits", "the level", "[key]"),
            '"the level" does not name a field; write it as field or MESSAGE.field',
        ),
        (
            {"required": ["A.b.c"]},
            ("required", 0),
            '"A.b.c" does not name a field; write it as field or MESSAGE.field',
        ),
        ({"required": ["A."]}, ("required", 0), '"A." does not name a field; write it as field or MESSAGE.field'),
        ({"required": ["é"]}, ("required", 0), '"é" does not name a field; write it as field or MESSAGE.field'),
    ],
)
def test_a_mistake_in_a_device_is_named_at_its_place(given, place, problem):
    """One mistake gives one error, at the key where it stands, which says what to write."""
    assert problems(rig(device(**given))) == [(("device", 0, *place), problem)]


@pytest.mark.parametrize(
    "given",
    [
        {"sleeps": "yes"},
        {"address": "0x5E"},
        {"address": 94.0},
        {"limits": {"level": ["1", 2]}},
        {"limits": {"level": [float("-inf"), 2]}},
        {"functions": 3},
        {"settings": 3},
        {"adress": 1},
    ],
)
def test_nothing_is_taken_for_what_it_is_not(given):
    """Texts are no numbers or truths, numbers with decimals no addresses, infinities no limits; keys are known."""
    assert len(problems(rig(device(**given)))) == 1


def test_a_rig_needs_its_form_and_a_device():
    """Another schema number and a rig without devices are refused."""
    assert problems(rig(device(), schema=2)) == [
        (("schema",), "2 is not a file format that this rvsim reads; write schema = 1")
    ]
    for empty in (rig(), {"schema": 1, "name": "small", "title": "A small one"}):
        assert [text for _, text in problems(empty)] == ["a rig needs at least one device; write a table [[device]]"]


def test_a_network_has_254_addresses():
    """254 devices fit (with addresses 0 to 253); one more is refused by its number alone."""
    assert len(Rig.model_validate(rig(*(device(n, address=n, functions={}) for n in range(254)))).devices) == 254
    assert problems(rig(*[{}] * 255)) == [
        (("device",), "255 devices are more than a network has addresses; leave some out")
    ]


def test_kinds_come_from_above():
    """An unknown kind is refused with its nearest, and settings by their model; without kinds neither is looked at."""
    data = rig(
        device(1, kind="fam"),
        device(2, kind="fan", settings={"size": "huge", "blade": 3}),
        device(3, kind="fan"),
        device(4, kind="plain", settings={"size": "small"}),
        device(5, kind="fan", settings={"size": "small"}),
    )
    assert problems(data, KINDS) == [
        (("device", 0, "kind"), '"fam" is unknown (did you mean "fan"?); the kinds are fan, plain'),
        (("device", 1, "settings", "size"), "Input should be 'small' or 'large'"),
        (("device", 1, "settings", "blade"), "Extra inputs are not permitted"),
        (("device", 2, "settings", "size"), "Field required"),
        (("device", 3, "settings", "size"), "Extra inputs are not permitted"),
    ]
    assert len(Rig.model_validate(data).devices) == 5
    assert len(Rig.model_validate(data, context={}).devices) == 5


def test_two_devices_cannot_have_the_same():
    """A name, an address, and a function and instance belong to one device; the second is told whose it is."""
    data = rig(
        device(1, functions={"tank": [1, 2]}),
        device(2, name="device 1", functions={"furnace": 1}),
        device(3, address=0x81, functions={"tank": 2, "furnace": [2, 1]}),
    )
    assert problems(data) == [
        (("device", 1, "name"), '"device 1" is already the name of device 1 "device 1"; give each its own name'),
        (("device", 2, "address"), '0x81 is already the address of device 1 "device 1"; give each its own address'),
        (
            ("device", 2, "functions", "tank"),
            'tank 2 is already a function of device 1 "device 1"; give each its own instance',
        ),
        (
            ("device", 2, "functions", "furnace"),
            'furnace 1 is already a function of device 2 "device 1"; give each its own instance',
        ),
    ]


def test_dc_sources_share_an_instance_by_design():
    """Two devices may both be DC source 1: the one with the highest device priority speaks."""
    both = [device(1, functions={"dc_source": 1}), device(2, functions={"dc_source": [1]})]
    assert len(Rig.model_validate(rig(*both)).devices) == 2


def test_clashes_are_found_beside_other_mistakes():
    """A device that is wrong otherwise still takes part, and all mistakes come at once."""
    data = rig(device(1, sleeps=1, functions={"tank": 300}), device(2, address=0x81, adress=3, functions={"tank": 300}))
    assert [place for place, _ in problems(data)] == [
        ("device", 0, "functions", "tank"),
        ("device", 0, "sleeps"),
        ("device", 1, "functions", "tank"),
        ("device", 1, "adress"),
        ("device", 1, "address"),
    ]


def test_clashes_are_found_among_devices_that_are_read_already():
    """Device plans put together in code are held against each other like those from a file."""
    plans = [DevicePlan.model_validate(device(1)), DevicePlan.model_validate(device(2, address=0x81))]
    assert [place for place, _ in problems(rig(*plans))] == [("device", 1, "address")]
    assert entry_value(plans[0], "name") == entry_value(device(1), "name") == "device 1"
    assert entry_value(3, "name") is None


@pytest.mark.parametrize("entry", [3, [], {"name": 3, "address": "x", "functions": 4}, {"functions": {"tank": {}}}])
def test_clashes_are_looked_for_in_whatever_is_given(entry):
    """Things that are no devices at all are refused, and nothing else happens."""
    assert problems(rig(entry, entry))


def test_numbers_out_of_range_do_not_clash():
    """An address or instance that nobody can have is refused for that reason alone."""
    data = rig(
        device(1, address=254, functions={"tank": 251}),
        device(2, address=254, functions={"tank": 251}),
        device(3, address=-1, functions={"tank": -1}),
        device(4, address=-1, functions={"tank": -1}),
        device(5, address=True, functions={"tank": True}),
        device(6, address=1, functions={"tank": 1}),
    )
    assert not [text for _, text in problems(data) if "already" in text]


def test_definitions_lie_beside_the_rig(tmp_path):
    """A definition file's path is seen from the rig's folder; one that is not there is refused."""
    (tmp_path / "own.dbc").write_text("")
    data = rig(device(), definitions=["own.dbc"])
    assert Rig.model_validate(data, context={"folder": tmp_path}).definitions == (tmp_path / "own.dbc",)
    assert Rig.model_validate(data).definitions == (Path("own.dbc"),)
    missing = "; name a DBC file, its path relative to this file"
    data["definitions"] = ["other.dbc", "x" * 5000]
    assert problems(data, folder=tmp_path) == [
        (("definitions", 0), f'there is no file "other.dbc"{missing}'),
        (("definitions", 1), f'there is no file "{"x" * 40}..."{missing}'),
    ]
    assert problems(rig(device(), definitions=[3]), folder=tmp_path)[0][0] == ("definitions", 0)


def test_a_device_may_be_known_by_its_name_or_its_address_alone():
    """Without a kind and without functions; then no current can be planned for them."""
    name = "00000000DDC1E240"
    bare = [{"name": "a", "address": 1}, {"name": "b", "address": 2, "claimed_name": name, "functions": {}}]
    first, second = Rig.model_validate(rig(*bare)).devices
    assert (first.kind, first.functions, first.claimed_name) == ("", {}, None)
    assert second.claimed_name == Name(serial_number=123456, manufacturer_code=1774)
    assert problems(rig({**bare[0], "amps": {"furnace": [1, 2]}})) == [
        (("device", 0, "amps"), '"furnace" is not one of its functions; it has none yet, so add them first')
    ]
    assert problems(rig({**bare[0], "claimed_name": 5}))[0][0] == ("device", 0, "claimed_name")
    assert [place for place, _ in problems(rig(bare[1], {**bare[1], "name": "c", "address": 3}))] == [
        ("device", 1, "claimed_name")
    ]


def test_what_is_to_be_simulated_needs_a_kind():
    """Left out or empty, it is refused where kinds are given, with what to add."""
    for bare in ({"name": "a", "address": 1}, {"name": "a", "address": 1, "kind": ""}):
        assert problems(rig(bare), KINDS) == [
            (
                ("device", 0, "kind"),
                'it cannot be simulated without a kind; add one, like kind = "fan"; the kinds are fan, plain',
            )
        ]
        assert Rig.model_validate(rig(bare)).devices[0].kind == ""


def test_the_times_of_a_device_are_durations():
    """Two seconds to answer and ten to settle where nothing is written; none of them can be nothing."""
    (plan,) = Rig.model_validate(rig(device())).devices
    assert (plan.answer_time, plan.settling_time) == (2_000_000, 10_000_000)
    (plan,) = Rig.model_validate(rig(device(answer_time="5 s", settling_time="30 s"))).devices
    assert (plan.answer_time, plan.settling_time) == (5_000_000, 30_000_000)
    for key in ("answer_time", "settling_time"):
        assert [place for place, _ in problems(rig(device(**{key: "0s"})))] == [("device", 0, key)]
        assert [text for _, text in problems(rig(device(**{key: 5})))] == ['5 has no unit; write the unit: "5s"']


def test_the_longest_pause_is_a_duration():
    """Nothing is said of it where it is left out."""
    assert Rig.model_validate(rig(device())).longest_pause == 0
    assert Rig.model_validate(rig(device(), longest_pause="2.6s")).longest_pause == 2_600_000
    assert problems(rig(device(), longest_pause=2.6)) == [
        (("longest_pause",), '2.6 has no unit; write the unit: "2.6s"')
    ]


def test_what_is_accepted_is_of_devices_of_the_rig():
    """Every entry that is not is told; where the devices are wrong themselves, only that is."""
    accepted = [
        {"flag": "bus-quiet"},
        {"flag": "silent-device", "device": "device 1", "reason": "it is in the workshop"},
    ]
    assert len(Rig.model_validate(rig(device(), accepted=accepted)).accepted) == 2
    assert Rig.model_validate(rig(device())).accepted == ()
    accepted += [{"flag": "no-data", "device": "devise 1"}, {"flag": "no-data", "device": "x"}]
    assert problems(rig(device(), device(2), accepted=accepted)) == [
        (
            ("accepted", 2, "device"),
            '"devise 1" is not in the rig (did you mean "device 1"?); its devices are device 1, device 2',
        ),
        (("accepted", 3, "device"), '"x" is not in the rig; its devices are device 1, device 2'),
    ]
    assert [place for place, _ in problems(rig(device(address=300), accepted=accepted))] == [("device", 0, "address")]
    assert problems(rig(device(), accepted=[{"flag": "no"}]))[0][0] == ("accepted", 0, "flag")


def test_amps_are_of_its_functions():
    """At rest and at its fullest; of any other function they are refused."""
    plan = DevicePlan.model_validate(device(amps={"tank": [0.1, 2]}))
    assert plan.amps == {"tank": (0.1, 2.0)}
    assert problems(rig(device(amps={"furnace": [0.1, 2]}))) == [
        (("device", 0, "amps"), '"furnace" is not one of its functions; write one of tank')
    ]
