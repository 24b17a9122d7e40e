"""The DC source instance that a rig gives a battery: who measures and charges it goes by it."""

import pytest

from rvsim.devices.registry import kinds_by_name, settings_models
from rvsim.errors import InputError
from rvsim.faces.screen.scene import Scene
from rvsim.rig.electric import BatteryPlan, dc_sources
from rvsim.rig.load import load_rig
from rvsim.sim.bench import Bench
from rvsim.watch.detect.supply_limits import limits_by_source
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

BATTERIES = """
[[battery]]
name = "house"
start_percent = 80.0
[[battery]]
name = "engine"
dc_source = 2
start_percent = 90.0
[[battery]]
name = "thruster"
start_percent = 60.0
%s
[[branch]]
name = "bow"
battery = "thruster"
"""
HEAD = 'schema = 1\nname = "boat"\ntitle = "Three batteries"\n'


def device(name, kind, functions, more="", address=0x45):
    """A table of a device."""
    return f'[[device]]\nname = "{name}"\nkind = "{kind}"\naddress = {address}\nfunctions = {{ {functions} }}\n{more}\n'


def monitor(source, more="", address=0x45):
    """A battery's monitor."""
    return device(
        f"monitor {source}", "battery_monitor", f"battery_monitor = {source}, dc_source = {source}", more, address
    )


@pytest.fixture
def rig_of(tmp_path):
    """Load a rig of three batteries with devices; ``of_thruster`` are keys of the third."""

    def load(*devices, of_thruster="dc_source = 7"):
        path = tmp_path / "boat.toml"
        path.write_text(HEAD + BATTERIES % of_thruster + "".join(devices), encoding="utf-8")
        return load_rig(path, kinds=settings_models())

    return load


@pytest.fixture
def bench(catalogue, rig_of):
    """Put the rig on a bench, and return it with the list of its frames."""

    def put(*devices, **more):
        heard = []
        made = Bench(rig_of(*devices, **more), catalogue, kinds_by_name(), on_frame=heard.append)
        return made, heard

    return put


def reported(heard, catalogue, message, field):
    """What a field said last, by the instance of its message."""
    spec = catalogue.by_name(message)
    frames = [frame for frame in heard if dgn_of(frame.identifier) == spec.dgn]
    return {frame.data[0]: spec.by_name[field].value(spec.by_name[field].raw_in(frame.data)) for frame in frames}


def test_monitors_and_chargers_go_by_the_instance(bench, catalogue):
    """Each reports the charge of its own battery, and is fed by it; a charger charges the one that it speaks for."""
    charger = device("charger", "charger", "charger = 1, dc_source = 7", address=0x4A)
    made, heard = bench(*(monitor(source, address=0x45 + source) for source in (1, 2, 7)), charger)
    made.run_until(30 * SECOND_US)
    charges = reported(heard, catalogue, "DC_SOURCE_STATUS_2", "state_of_charge")
    assert charges == pytest.approx({1: 80.0, 2: 90.0, 7: 60.0}, abs=0.6)
    world = made.world
    assert [world.battery(name).charge_amps("charger") > 1 for name in ("house", "engine", "thruster")] == [0, 0, 1]
    assert [world.battery_of(f"monitor {source}").name for source in (1, 2, 7)] == ["house", "engine", "thruster"]


def test_without_an_instance_of_its_own_a_charger_follows_its_battery(bench, catalogue):
    """By its branch, or by what it charges."""
    alternator = device("alternator", "alternator", "charger = 1", 'branch = "bow"')
    dc_dc = device(
        "dc-dc", "dc_dc_charger", "charger = 2", 'branch = "bow"\nsettings = { to_battery = "engine" }', 0x46
    )
    made, heard = bench(alternator, dc_dc)
    made.run_until(10 * SECOND_US)
    spec = catalogue.by_name("CHARGER_STATUS_2")
    frames = [frame for frame in heard if dgn_of(frame.identifier) == spec.dgn]
    field = spec.by_name["dc_source_instance"]
    assert {frame.data[0]: field.raw_in(frame.data) for frame in frames} == {1: 7, 2: 2}


@pytest.mark.parametrize(
    ("table", "of_thruster", "said"),
    [
        (
            device("alternator", "alternator", "charger = 1", 'branch = "bow"'),
            "",
            'device "alternator": the rig does not say which DC source battery thruster is; write dc_source =',
        ),
        (
            device("alternator", "alternator", "charger = 1", 'branch = "bow"\nsettings = { dc_source = 2 }'),
            "",
            'device "alternator": DC source 2 is battery engine in the rig, and it is on battery thruster; correct',
        ),
        (
            monitor(7, 'branch = "bow"'),
            "dc_source = 5",
            'device "monitor 7": it is on battery thruster, which is DC source 5 of the rig, and not 7; write',
        ),
        (
            monitor(3),
            "",
            'device "monitor 3": it is on battery house, which is DC source 1 of the rig, and not 3; write',
        ),
    ],
)
def test_what_is_not_clear_is_refused(bench, table, of_thruster, said):
    """In one line with what to write."""
    with pytest.raises(InputError) as refused:
        bench(table, of_thruster=of_thruster)
    (problem,) = refused.value.problems
    assert said in problem


def test_of_two_batteries_the_other_is_dc_source_2(tmp_path, catalogue):
    """A monitor of it that is on no branch of it would report the house battery; on its branch it does not."""
    batteries = '[[battery]]\nname = "house"\n[[battery]]\nname = "engine"\nstart_percent = 90.0\n'
    branch = '[[branch]]\nname = "front"\nbattery = "engine"\n'

    def put(more):
        path = tmp_path / "van.toml"
        path.write_text(HEAD + batteries + branch + monitor(1) + monitor(2, more, 0x46), encoding="utf-8")
        heard = []
        rig = load_rig(path, kinds=settings_models())
        return Bench(rig, catalogue, kinds_by_name(), on_frame=heard.append), heard

    with pytest.raises(InputError) as refused:
        put("")
    assert 'device "monitor 2": DC source 2 is battery engine where' in str(refused.value)
    made, heard = put('branch = "front"')
    made.run_until(5 * SECOND_US)
    charges = reported(heard, catalogue, "DC_SOURCE_STATUS_2", "state_of_charge")
    assert charges == pytest.approx({1: 80.0, 2: 90.0}, abs=0.6)


def test_a_monitor_on_a_branch_makes_it_clear(bench, catalogue):
    """Also where the rig gives its battery no instance."""
    made, heard = bench(monitor(9, 'branch = "bow"'), of_thruster="")
    made.run_until(5 * SECOND_US)
    assert reported(heard, catalogue, "DC_SOURCE_STATUS_2", "state_of_charge") == pytest.approx({9: 60.0}, abs=0.6)


def test_two_batteries_cannot_be_one_dc_source(rig_of):
    """Told with the line."""
    with pytest.raises(InputError, match="2 is already the dc_source of battery 2; give each its own dc_source"):
        rig_of(monitor(1), of_thruster="dc_source = 2")


@pytest.mark.parametrize(
    ("given", "found"),
    [
        ({"house": None}, {"house": 1}),
        ({"house": None, "engine": None}, {"house": 1, "engine": 2}),
        ({"engine": None, "house": None, "bow": None}, {"house": 1}),
        ({"house": 4, "engine": None}, {"house": 4, "engine": 2}),
        ({"house": 2, "engine": None}, {"house": 2}),
        ({"house": None, "engine": 1}, {"engine": 1}),
        ({"house": None, "engine": 8, "bow": 9}, {"house": 1, "engine": 8, "bow": 9}),
    ],
)
def test_which_instance_is_certain(given, found):
    """As given, or as usual where no other battery has it."""
    assert dc_sources([BatteryPlan(name=name, dc_source=source) for name, source in given.items()]) == found


def test_the_watch_and_the_screen_go_by_it_too(rig_of, catalogue):
    """The cut-off of a heater on the third battery counts for its instance; what is on another battery is known."""
    heater = device("heater", "heater", "furnace = 1, water_heater = 1", 'branch = "bow"', 0x5E)
    rig = rig_of(heater, monitor(7), monitor(1, address=0x46))
    assert {source: [limit.device for limit in limits] for source, limits in limits_by_source(rig).items()} == {
        7: ["heater"]
    }
    assert Scene("t", Watch(catalogue, rig), rig).on_other_batteries == {"heater", "monitor 7"}
