"""Steps on the supply and on what is refilled: branches with fuses, loads behind them, fuel and tanks by litres."""

import pytest

from rvsim.errors import InputError
from rvsim.rig.climate import FuelPlan
from rvsim.world.fuel import FuelTank

VAN = """
schema = 1
title = "T"
lasts = "10min"
weather = { start_hour = 1.0 }
shore_power = false
[rig]
schema = 1
name = "van"
title = "A van with a galley"
people = { count = 0 }
fuel = { litres = 50.0 }
[[rig.battery]]
name = "house"
[[rig.battery]]
name = "engine"
[[rig.branch]]
name = "galley"
fuse_amps = 10.0
[[rig.branch]]
name = "dash"
battery = "engine"
fuse_amps = 10.0
breaker = "manual"
[[rig.device]]
name = "roof fan"
kind = "roof_fan"
address = 0x90
functions = { roof_fan = 1 }
branch = "galley"
[[rig.device]]
name = "indoor sensor"
kind = "ambient"
address = 0x91
functions = { ambient_sensor = 1 }
[[expect]]
expect = "world"
value = "cabin"
at_least = 99.0
"""


@pytest.fixture
def van(virtual_run):
    """Put a van with steps on a bench, each a time and a change; ``top`` are tables of the scenario."""

    def put(*steps, top="", values=None):
        text = "".join(f'[[step]]\nat = "{at}"\nchange = {{ {change} }}\n' for at, change in steps)
        return virtual_run(VAN + top + text, values)

    return put


def world_at(run, seconds):
    """The vehicle at a time."""
    run.until(seconds)
    return run.run.bench.world


def heard(run):
    """Which of the two devices the watch has present."""
    return {line.device for line in run.run.watch.roll_call if str(line.state) == "present"}


def test_a_load_at_the_end_of_a_branch_blows_its_fuse(van):
    """What hangs there is silent, as the load is; a new fuse brings both back, and blows again while the load is on."""
    run = van(
        ("20s", 'load = { kettle = { amps = 20.0, branch = "galley" } }'),
        ("80s", 'branch = { galley = "closed" }'),
        ("120s", "load = { kettle = 0 }"),
        ("121s", 'branch = { galley = "closed" }'),
    )
    world = world_at(run, 22)
    assert world.battery_amps > 20
    world = world_at(run, 60)
    assert (world.volts_at("roof fan"), world.is_branch_open("galley"), heard(run)) == (0, True, {"indoor sensor"})
    assert world.battery_amps < 1
    world = world_at(run, 160)
    assert (world.is_branch_open("galley"), heard(run)) == (False, {"indoor sensor", "roof fan"})
    verdict = run.verdict()
    assert [(change.at, change.text) for change in verdict.changes] == [
        (20.0, "kettle draws 20 A at branch galley"),
        (25.0, "the fuse of 10 A of branch galley opens"),
        (80.0, "branch galley is closed again"),
        (85.0, "the fuse of 10 A of branch galley opens"),
        (120.0, "kettle is switched off"),
        (121.0, "branch galley is closed again"),
    ]


def test_a_load_moves_from_battery_to_branch_and_back(van):
    """It is counted once, in one place; without a place it stays where it was."""
    run = van(
        ("1s", 'load = { radio = { amps = 5.0, battery = "engine" } }'),
        ("10s", 'load = { radio = { amps = 6.0, branch = "galley" } }'),
        ("20s", "load = { radio = 7.0 }"),
        ("30s", 'load = { radio = { amps = 4.0, branch = "dash" } }'),
        ("40s", 'load = { radio = { amps = 3.0, battery = "house" } }'),
        ("50s", 'branch = { dash = "open", galley = "open" }'),
    )
    amps = []
    for second in (0.5, 5, 15, 25, 35, 45, 55):
        world = world_at(run, second)
        amps.append((world.battery("engine").amps, world.battery("house").amps))
    engine, house = ([round(one - all_amps[0], 1) for one in all_amps] for all_amps in zip(*amps, strict=True))
    assert engine == [0, 5, 0, 0, 4, 0, 0]
    assert house[1:5] == pytest.approx([0, 6, 7, 0], abs=0.2)
    assert house[5:] == pytest.approx([3, 3], abs=0.2), "it is on no branch any more"


def test_a_branch_that_is_open_at_the_start_is_closed_by_a_step(van):
    """And one that a step opens is closed by the next; a step that closes what is closed changes nothing."""
    run = van(
        ("5s", 'branch = { dash = "closed" }'),
        ("30s", 'branch = { galley = "closed" }'),
        ("60s", 'branch = { galley = "open" }'),
        top='[start]\nbranch = { galley = "open" }\n',
    )
    assert world_at(run, 25).volts_at("roof fan") == 0
    assert "roof fan" not in heard(run)
    assert world_at(run, 50).volts_at("roof fan") > 11
    assert "roof fan" in heard(run)
    assert world_at(run, 65).volts_at("roof fan") == 0


def test_a_breaker_is_called_one(van):
    """In the words of the verdict."""
    run = van(("1s", 'load = { wipers = { amps = 60.0, branch = "dash" } }'))
    run.until(10)
    assert run.verdict().changes[-1].text == "the breaker of 10 A of branch dash opens"


def test_fuel_and_tanks_are_filled_by_litres(van):
    """At their rate, up to the brim and down to the last drop, as the account of fuel counts it."""
    run = van(
        ("10s", "tank = { fuel = { litres = 20.0 }, grey = { litres = -6.0, litres_per_min = 6.0 } }"),
        ("100s", "tank = { fuel = { litres = 500.0, litres_per_min = 1000.0 }, grey = { litres = -500.0 } }"),
        ("300s", "tank = { fuel = 20.0 }"),
        top="[start]\ntank = { fuel = 10.0, grey = 50.0 }\n",
    )
    grey = world_at(run, 10).tank_litres("grey")
    world = world_at(run, 40)
    assert (world.fuel_litres, world.tank_litres("grey")) == pytest.approx((5 + 10, grey - 3), abs=1e-3)
    world = world_at(run, 95)
    assert (world.fuel_litres, world.tank_litres("grey")) == pytest.approx((25, grey - 6), abs=1e-3)
    world = world_at(run, 290)
    assert (world.fuel_litres, world.tank_litres("grey")) == pytest.approx((50, 0), abs=1e-3)
    world = world_at(run, 500)
    assert (world.fuel_litres, world.filled_fuel_litres) == pytest.approx((10, 5), abs=1e-3)


def test_a_fuel_tank_counts_use_and_filling_together():
    """Filled at 10 litres an hour while 4 are used, then used alone; never above its size, nor below nothing."""
    tank = FuelTank(FuelPlan(litres=20.0, start_percent=50.0))
    tank.set_fill(10.0, 0)
    tank.set_use(4.0, 0)
    assert (tank.litres(3600), tank.filled_litres(3600)) == pytest.approx((16, 10))
    tank.set_fill(0.0, 3600)
    assert (tank.litres(7200), tank.filled_litres(7200)) == pytest.approx((12, 10))
    assert tank.litres(10 * 3600) == 0
    tank.set_fill(100.0, 7200)
    assert tank.litres(10 * 3600) == 20


def test_a_rig_without_branches_says_so(virtual_run):
    """Instead of listing none."""
    text = 'schema = 1\ntitle = "T"\nrig = "ottersby"\nlasts = "60s"\n[[step]]\nat = "1s"\n'
    with pytest.raises(InputError, match="the rig has no branches"):
        virtual_run(text + 'change = { branch = { galley = "open" } }\n')


OWN_FUSES = """
[[rig.device]]
name = "bath fan"
kind = "roof_fan"
address = 0x95
functions = { roof_fan = 2 }
branch = "galley"
fuse_amps = 3.0
[[rig.module]]
name = "lamps"
branch = "galley"
[[rig.output]]
name = "reading lamp"
module = "lamps"
terminal = 1
fuse_amps = 2.0
wire = { milliohm = 50.0 }
"""


def test_a_device_and_an_output_have_fuses_of_their_own(virtual_run):
    """Behind their branch, by their own names: that of the branch, which is larger, stays whole."""
    steps = (
        '[[fault]]\nfault = "overload"\nbranch = "bath fan"\namps = 7.0\nfrom = "20s"\nuntil = "40s"\n'
        '[[step]]\nat = "60s"\nchange = { branch = { "bath fan" = "closed" } }\n'
        '[[step]]\nat = "80s"\nchange = { load = { lamp = { amps = 6.0, branch = "reading lamp" } } }\n'
    )
    run = virtual_run(VAN + OWN_FUSES + steps)
    world = world_at(run, 50)
    assert [world.volts_at(name) > 11 for name in ("bath fan", "roof fan")] == [False, True]
    assert heard(run) == {"indoor sensor", "roof fan"}
    world = world_at(run, 79)
    assert heard(run) == {"indoor sensor", "roof fan", "bath fan"}
    sag = world_at(run, 80.5).battery_volts - world.volts_at("lamp")
    assert sag == pytest.approx(0.3, abs=0.01)
    world = world_at(run, 100)
    assert [world.is_branch_open(name) for name in ("galley", "bath fan", "reading lamp")] == [False, False, True]
    assert [change.text for change in run.verdict().changes if "fuse" in change.text] == [
        "the fuse of 3 A of bath fan opens",
        "the fuse of 2 A of reading lamp opens",
    ]


def test_a_fuse_needs_a_name_of_its_own(virtual_run):
    """A branch, a device and an output with fuses cannot have one name."""
    with pytest.raises(InputError, match='"galley" has a fuse of its own, and a branch or a device has its name'):
        virtual_run(VAN + OWN_FUSES.replace('"bath fan"', '"galley"'))
    with pytest.raises(InputError, match='"bath fan" has a fuse of its own, and a branch or a device has its name'):
        virtual_run(VAN + OWN_FUSES.replace('"reading lamp"', '"bath fan"'))
    virtual_run(VAN + OWN_FUSES.replace('"bath fan"', '"galley"').replace("fuse_amps = 3.0", ""))


@pytest.mark.parametrize(
    ("chemistry", "percent", "celsius", "why"),
    [
        ("agm", 61.0, -40.0, ": at -40 °C only 39 % of its capacity can be taken out"),
        ("agm", 63.0, -40.0, None),
        ("agm", 0.0, 25.0, ""),
        ("lfp", 30.0, -20.0, ": at -20 °C only 70 % of its capacity can be taken out"),
    ],
)
def test_a_battery_that_gives_no_more_says_why(van, chemistry, percent, celsius, why):
    """Its charge is told, and where the cold has locked up the rest the share that can be taken out."""
    run = van(
        ("0s", "load = { lamp = 1.0 }"),
        ("30s", "load = { lamp = 0.0 }"),
        values={
            "rig.battery.house.chemistry": chemistry,
            "start.battery.house": percent,
            "start.battery_c.house": celsius,
        },
    )
    run.until(60)
    told = [change.text for change in run.verdict().changes if "battery" in change.text]
    text = f"battery house gives no more current, at a charge of {percent:.0f} %{why}"
    assert told == ([] if why is None else [text])
