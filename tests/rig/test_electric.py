"""Batteries, branches and wires of a rig: what is read, and what contradicts itself."""

import re

import pytest
from pydantic import ValidationError

from rvsim.rig.conductor import ohm_per_m_by_area, ohm_per_m_by_awg
from rvsim.rig.electric import BatteryPlan, ShorePlan, WirePlan
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig


def rig(**given):
    """Return a rig of one device as a file would give it."""
    device = {"name": "fridge", "address": 0x99, "functions": {"dc_load": 9}, **given.pop("fridge", {})}
    return {"schema": 1, "name": "small", "title": "A small one", "device": [device], **given}


def problems(data):
    """Return the mistakes that a rig is refused for, as (place, text)."""
    with pytest.raises(ValidationError) as refused:
        Rig.model_validate(data)
    return [(error["loc"], error["msg"].removeprefix("Value error, ")) for error in refused.value.errors()]


# Batteries


def test_one_battery_is_a_table_and_several_are_a_list():
    """A table is the house battery; of several the one named "house" is, or the first."""
    assert Rig.model_validate(rig()).vehicle.battery == BatteryPlan()
    assert Rig.model_validate(rig(battery={"capacity_ah": 200})).vehicle.battery.capacity_ah == 200
    starter, house = {"name": "starter", "capacity_ah": 60}, {"name": "house", "chemistry": "lfp"}
    assert Rig.model_validate(rig(battery=[starter, house])).vehicle.battery.chemistry == "lfp"
    assert Rig.model_validate(rig(battery=[starter])).vehicle.battery.name == "starter"


def test_batteries_need_names_of_their_own():
    """Two without a name are both "house"; none at all is no vehicle."""
    assert problems(rig(battery=[{}, {}])) == [
        (("battery", 1, "name"), '"house" is already the name of battery 1; give each its own name')
    ]
    assert problems(rig(battery=[]))[0][1].startswith("a vehicle needs a battery; write a table [battery]")


def test_a_battery_stands_in_a_zone_of_the_rig():
    """In the cabin, outdoors, or nowhere that is not there."""
    for zone in ("cabin", "outdoors"):
        assert Rig.model_validate(rig(battery={"zone": zone})).vehicle.battery.zone == zone
    text = '"cabn" is not in the rig (did you mean "cabin"?); its zones are cabin, outdoors'
    assert problems(rig(battery={"zone": "cabn"})) == [(("battery", 0, "zone"), text)]


def test_limits_of_protection_are_in_order():
    """A release that is beyond its limit would never let go."""
    for protection, text in (
        ({"over_volts": 14.0}, "over_release_volts 14.2 is not below over_volts"),
        ({"under_volts": 11.0}, "under_release_volts 10.8 is not above under_volts"),
    ):
        assert problems(rig(battery={"protection": protection})) == [(("battery", 0, "protection"), text)]


# Branches


def test_a_device_is_on_its_branch():
    """The vehicle knows the branch of each device, and the battery of a branch through its parents."""
    branches = [{"name": "galley", "parent": "body"}, {"name": "body", "fuse_amps": 40, "battery": "house"}]
    vehicle = Rig.model_validate(rig(branch=branches, fridge={"branch": "galley"})).vehicle
    assert vehicle.branch_by_device == {"fridge": "galley"}
    assert [branch.fuse_amps for branch in vehicle.branches] == [None, 40.0]


def test_all_mistakes_of_branches_are_told_at_once():
    """Unknown names with the near ones, repeated names, and two batteries on one branch."""
    branches = [
        {"name": "body", "battery": "hous"},
        {"name": "galley", "parent": "bod"},
        {"name": "body"},
    ]
    assert problems(rig(branch=branches)) == [
        (("branch", 2, "name"), '"body" is already the name of branch 1; give each its own name'),
        (("branch", 0, "battery"), '"hous" is not in the rig (did you mean "house"?); its batteries are house'),
        (
            ("branch", 1, "parent"),
            '"bod" is not in the rig (did you mean "body"?); its branches are body, galley',
        ),
    ]
    batteries = [{"name": "house"}, {"name": "starter"}]
    branches = [{"name": "body", "battery": "house"}, {"name": "radio", "parent": "body", "battery": "starter"}]
    assert problems(rig(battery=batteries, branch=branches)) == [
        (("branch", 1, "battery"), 'its parent "body" is fed by "house"; a branch has one battery')
    ]


def test_a_branch_that_feeds_itself_is_refused():
    """A ring of three, and one that is its own parent; a branch below the ring is told nothing of it."""
    ring = [
        {"name": "a", "parent": "c"},
        {"name": "b", "parent": "a"},
        {"name": "c", "parent": "b"},
        {"name": "below", "parent": "a"},
        {"name": "alone", "parent": "alone"},
    ]
    assert problems(rig(branch=ring)) == [
        (("branch", 0, "parent"), "the branch feeds itself: a, c, b; correct a parent"),
        (("branch", 1, "parent"), "the branch feeds itself: b, a, c; correct a parent"),
        (("branch", 2, "parent"), "the branch feeds itself: c, b, a; correct a parent"),
        (("branch", 4, "parent"), "the branch feeds itself: alone; correct a parent"),
    ]


def test_a_device_on_an_unknown_branch_is_refused():
    """With the near names, or with the word that there are none; with other mistakes of devices together."""
    address, branch = problems(rig(branch=[{"name": "galley"}], fridge={"branch": "galey", "address": 300}))
    assert address[0] == ("device", 0, "address")
    text = '"galey" is not in the rig (did you mean "galley"?); its branches are galley'
    assert branch == (("device", 0, "branch"), text)
    text = problems(rig(fridge={"branch": "galley"}))[0][1]
    assert text == '"galley" is not in the rig, which has no branches; add it, or remove the name'


def test_mistakes_have_their_lines(tmp_path):
    """A file's mistake in the one battery, in a branch and in a wire is told with its line."""
    (tmp_path / "van.toml").write_text(
        'schema = 1\nname = "van"\ntitle = "Van"\n[battery]\ncapacity_ah = -1\n[[branch]]\nname = "galley"\n'
        'wire = { area_mm2 = 2.5 }\n[[device]]\nname = "fridge"\naddress = 0x99\n',
        encoding="utf-8",
    )
    with pytest.raises(Exception) as refused:  # noqa: PT011 - the text is compared
        load_rig(tmp_path / "van.toml")
    first, second = str(refused.value).splitlines()
    assert "line 5" in first
    assert "battery.capacity_ah" in first
    assert "line 8" in second
    assert "a wire needs its size and length" in second


# Wires


@pytest.mark.parametrize(
    ("wire", "milliohm"),
    [
        ({"milliohm": 12.0}, 12.0),
        # IEC 60228, class 5 plain copper at 20 C: 7.98 ohm/km for 2.5 mm2; 4 m there and back.
        ({"area_mm2": 2.5, "length_m": 4.0}, 2 * 4 * 7.98),
        ({"area_mm2": 16.0, "length_m": 2.0}, 2 * 2 * 1.21),
        # NEC chapter 9 table 8, stranded uncoated, 75 C: 6.50 ohm/km for 12 AWG; 82 % of it at 20 C.
        ({"awg": "12", "length_m": 5.0}, 2 * 5 * 6.50 * 0.8222),
        ({"awg": 12, "length_m": 5.0}, 2 * 5 * 6.50 * 0.8222),
        ({"awg": "1/0", "length_m": 3.0}, 2 * 3 * 0.400 * 0.8222),
    ],
)
def test_resistance_of_a_wire(wire, milliohm):
    """Copper by published tables, there and back."""
    assert 1000 * WirePlan.model_validate(wire).ohm == pytest.approx(milliohm, rel=0.001)


def test_every_size_has_its_resistance():
    """Thicker is less, sizes between those of the standard too; the gauge is within 12 % of the area's standard."""
    ohms = [ohm_per_m_by_area(area / 10) for area in range(1, 1500)]
    assert ohms == sorted(ohms, reverse=True)
    gauges = ["24", "22", "20", "18", "16", "14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0"]
    assert [ohm_per_m_by_awg(awg) for awg in gauges] == sorted(map(ohm_per_m_by_awg, gauges), reverse=True)
    # AWG areas: d = 0.127 x 92^((36 - n)/39) mm, a solar wiring page.
    for awg, area in (("22", 0.326), ("18", 0.823), ("14", 2.08), ("10", 5.26), ("8", 8.37)):
        assert ohm_per_m_by_awg(awg) == pytest.approx(ohm_per_m_by_area(area), rel=0.12)


@pytest.mark.parametrize(
    "wire",
    [
        {},
        {"length_m": 4.0},
        {"area_mm2": 2.5},
        {"area_mm2": 2.5, "awg": "12", "length_m": 4.0},
        {"milliohm": 12.0, "length_m": 4.0},
        {"milliohm": 12.0, "awg": "12"},
        {"awg": "5", "length_m": 4.0},
        {"awg": True, "length_m": 4.0},
        {"area_mm2": 2.5, "length_m": 0.0},
    ],
)
def test_half_a_wire_is_refused(wire):
    """A wire is its resistance, or one size and a length."""
    with pytest.raises(ValidationError):
        WirePlan.model_validate(wire)


@pytest.mark.parametrize(
    ("given", "near"),
    [
        (13, '13 is not a known gauge; write "14" or "12"'),
        ("5", '"5" is not a known gauge; write "6" or "4"'),
        ("12 AWG", '"12 AWG" is not a known gauge; write "12"'),
        (0, '0 is not a known gauge; write "1/0"'),
        ("5/0", '"5/0" is not a known gauge; write "4/0"'),
        (30, '30 is not a known gauge; write "24"'),
    ],
)
def test_an_unknown_gauge_names_the_nearest(given, near):
    """The thinner and the thicker one, as they are written."""
    with pytest.raises(ValidationError, match=re.escape(near)):
        WirePlan.model_validate({"awg": given, "length_m": 1.0})


def test_shore_power_has_its_limit():
    """30 A at 120 V, where the rig does not say otherwise."""
    assert ShorePlan() == ShorePlan(amps=30.0, volts=120.0)
    assert Rig.model_validate(rig(shore={"amps": 6, "volts": 230})).vehicle.shore.amps == 6
