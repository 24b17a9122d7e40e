"""The kinds of simulated device and what a rig may set for them."""

import importlib.util
import re
import sys
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from pydantic import ValidationError

from rvsim.devices.device import Device
from rvsim.devices.registry import (
    BUILT_IN,
    ENTRY_POINT_GROUP,
    all_kinds,
    check_rig,
    idle_pumps,
    kinds_by_name,
    settings_models,
    unknown_instances,
)
from rvsim.errors import InputError
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def test_each_kind_stands_under_its_own_name():
    """The name in the table is the kind's own, and its settings have defaults for everything."""
    for name, kind in kinds_by_name().items():
        assert kind.kind == name
        settings_models()[name]()


def test_a_setting_with_an_unknown_instance_is_reported():
    """A panel set to furnace 7 of a rig without one is reported; the shipped rig has all devices."""
    shipped = load_rig("ottersby", kinds=settings_models())
    assert list(unknown_instances(shipped)) == []
    panel = shipped.devices[0].model_copy(update={"settings": {**shipped.devices[0].settings, "furnace": 7}})
    rig = shipped.model_copy(update={"devices": (panel, *shipped.devices[1:])})
    assert list(unknown_instances(rig)) == ["control panel is set to furnace 7, but no device of the rig is furnace 7"]
    switching = load_rig("brackenlow", kinds=settings_models())
    assert list(unknown_instances(switching)) == [], "a panel without a thermostat goes by none of its settings"


@pytest.mark.parametrize("name", ["ottersby", "quillhaven", "brackenlow", "wrenhollow"])
def test_a_pump_that_a_panel_commands_is_not_idle(name):
    """No shipped rig has a pump that stands still for ever."""
    assert list(idle_pumps(load_rig(name, kinds=settings_models()))) == []


def test_a_pump_that_no_panel_commands_is_told():
    """The heater then burns for a cold cabin; a panel that is absent or real may be another one that commands it."""
    shipped = load_rig("ottersby", kinds=settings_models())
    settings = {key: value for key, value in shipped.devices[0].settings.items() if key != "circulation_pump"}
    panel = shipped.devices[0].model_copy(update={"settings": settings})
    rig = shipped.model_copy(update={"devices": (panel, *shipped.devices[1:])})
    (line,) = idle_pumps(rig)
    assert line.startswith("no panel is set to command circulation pump, ")
    assert line.endswith("give control panel the setting circulation_pump = 1")
    assert list(idle_pumps(rig, ["control panel"])) == []


def rig_of(*devices):
    """A rig of these devices, their kinds not looked at."""
    return Rig.model_validate({"schema": 1, "name": "t", "title": "T", "device": list(devices)})


def test_mistakes_of_a_rig_against_the_definitions_are_reported_together(catalogue):
    """A limit of an undefined field, and two user-defined devices with undefined messages: a line each."""
    shipped = load_rig("ottersby", kinds=settings_models())
    fridge = {"name": "fridge", "kind": "own", "address": 0xA0, "settings": {"message": [{"message": "FRIDGE"}]}}
    lamp = {"name": "lamp", "kind": "own", "address": 0xA1, "limits": {"DM_RV.glow": [0, 1]}}
    lamp["settings"] = {"answer": [{"command": "FURNACE_COMMAND", "sets": {"instance": "LAMP.on"}}]}
    own = rig_of(fridge, lamp)
    rig = shipped.model_copy(update={"devices": (*shipped.devices, *own.devices)})
    check_rig(shipped, catalogue)
    with pytest.raises(InputError) as told:
        check_rig(rig, catalogue)
    glow, message, answer = told.value.problems
    assert glow.startswith('rig "ottersby", device "lamp", limits: DM_RV has no field glow')
    assert message.startswith('rig "ottersby", device "fridge", settings, message 1, message: ')
    assert answer.startswith('rig "ottersby", device "lamp", settings, answer 1, sets.instance: it does not send')


class Breaks(Device):
    """A kind that cannot be created."""

    kind = "breaks"

    def on_start(self):
        """Never reached."""

    def receives(self):
        """Break, as a slip of the pen would."""
        return {}[self.name]  # type: ignore[index]


def test_a_kind_that_raises_when_it_is_created(catalogue):
    """The device, its class and what it raised; no traceback."""
    plan = {"name": "lamp", "kind": "breaks", "address": 0xA1}
    rig = rig_of(plan)
    with pytest.raises(InputError, match=r"Breaks, cannot be created .KeyError: 'lamp'.; correct that class") as told:
        Bench(rig, catalogue, {"breaks": Breaks})
    assert told.value.problems[0].startswith('device "lamp": its kind "breaks", ')


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        ("panel", {"set_point_c": 99999.0}),
        ("panel", {"set_point_c": float("nan")}),
        ("panel", {"water_c": 200.0}),
        ("panel", {"furnace": 251}),
        ("heater", {"fan_amps": -1.0}),
        ("charger", {"full_amps": 0.0}),
        ("charger", {"float_volts": 60.0}),
        ("roof_fan", {"full_flow_litres_per_s": float("inf")}),
    ],
)
def test_what_no_device_can_be_set_to_is_refused(kind, settings):
    """A slip of the pen is refused when the rig is read, not met by the device while it runs."""
    with pytest.raises(ValidationError):
        settings_models()[kind](**settings)


# Kinds of other packages.

LAMP = re.search(r"```python\n# van_lamp\.py\n(.*?)```", DEVELOPERS.read_text(encoding="utf-8"), re.DOTALL)[1]
BROKEN = """\
import sys

from pydantic import BaseModel

from rvsim.devices.device import Device


class Nameless(Device):
    pass


class Spaced(Device):
    kind = "table lamp"


class Heater(Device):
    kind = "heater"


class Odd(Device):
    kind = "odd"
    Settings = dict


class Lamp(Device):
    kind = "lamp"


thing = 3
"""


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Install a package with entry points, as pip would: ``package("van_lamp", text, lamp="van_lamp:Lamp")``."""
    monkeypatch.syspath_prepend(tmp_path)
    modules = set(sys.modules)

    def install(name, text, **points):
        (tmp_path / f"{name}.py").write_text(text, encoding="utf-8")
        info = tmp_path / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
        lines = [f"[{ENTRY_POINT_GROUP}]", *(f"{point} = {value}" for point, value in points.items())]
        (info / "entry_points.txt").write_text("\n".join(lines), encoding="utf-8")
        importlib.invalidate_caches()
        return entry_points(group=ENTRY_POINT_GROUP)

    yield install
    for name in set(sys.modules) - modules:
        del sys.modules[name]


def test_a_kind_of_another_package(package, catalogue):
    """It is listed with the built-in kinds, has settings, and works on a bench."""
    kinds, problems = all_kinds(package("van_lamp", LAMP, lamp="van_lamp:Lamp"))
    assert problems == ()
    assert list(kinds) == [*(kind.kind for kind in BUILT_IN), "lamp"]
    lamp = {"name": "lamp", "kind": "lamp", "address": 0x96, "functions": {"dc_load": 4}, "settings": {"full_amps": 2}}
    rig = Rig.model_validate({"schema": 1, "name": "one", "title": "One lamp", "device": [lamp]})
    said = []
    bench = Bench(rig, catalogue, kinds, on_frame=lambda frame: said.append((frame.identifier, frame.data.hex())))
    bench.run_until(3_000_000)
    amps = bench.world.battery_amps
    bench.send(0x19FFBC44, bytes.fromhex("04FFC8FFFFFFFFFF"))  # 100 %: 200 half percents
    bench.run_until(3_010_000)
    assert [data for identifier, data in said if identifier == 0x19FFBD96] == ["04ff00ffffffffff", "04ffc8ffffffffff"]
    bench.run_until(5_000_000)
    assert abs(bench.world.battery_amps - amps) == pytest.approx(2, abs=0.1)


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("broken:Heater", 'the kind "heater" exists already; give its class another kind'),
        ("broken:thing", "it is not a subclass of rvsim.devices.device.Device; name one, such as van_lamp:Lamp"),
        ("broken:BaseModel", "it is not a subclass of rvsim.devices.device.Device; name one, such as van_lamp:Lamp"),
        ("broken:Nameless", 'Nameless has no kind that a rig can name; give it one, such as kind = "lamp"'),
        ("broken:Spaced", 'Spaced has no kind that a rig can name; give it one, such as kind = "lamp"'),
        ("broken:Odd", "the Settings of Odd are not a subclass of rvsim.devices.device.Settings"),
        (
            "broken:Lmap",
            "it cannot be loaded (AttributeError: module 'broken' has no attribute 'Lmap'); "
            "repair or remove its package",
        ),
        (
            "brokn:Lamp",
            "it cannot be loaded (ModuleNotFoundError: No module named 'brokn'); repair or remove its package",
        ),
    ],
)
def test_a_kind_that_cannot_be_used(package, what, said):
    """One line that names the entry point, and the others are there all the same."""
    kinds, problems = all_kinds(package("broken", BROKEN, bad=what, lamp="broken:Lamp"))
    assert problems == (f'entry point "bad" of rvsim.devices, "{what}": {said}',)
    assert list(kinds) == [*(kind.kind for kind in BUILT_IN), "lamp"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("raise ValueError('two\\n  lines')", "ValueError: two lines"),
        ("raise SystemExit", "SystemExit"),
        ("def lamp(:", "SyntaxError: invalid syntax (broken.py, line 1)"),
    ],
)
def test_a_package_that_breaks_while_it_is_loaded(package, text, said):
    """Whatever it raises is one line."""
    _, (line,) = all_kinds(package("broken", text, bad="broken:Lamp"))
    assert line.endswith(f"it cannot be loaded ({said}); repair or remove its package")


def test_two_packages_with_one_kind(package):
    """The first by name is taken, on every machine."""
    points = package("broken", BROKEN, second="broken:Lamp", first="broken:Lamp")
    for given in (list(points), list(points)[::-1]):
        kinds, problems = all_kinds(given)
        assert "lamp" in kinds
        assert [line[:20] for line in problems] == ['entry point "second"']


def test_rigs_can_name_what_is_installed(package):
    """What the program itself finds when it starts, and the settings that rigs are held against."""
    package("van_lamp", LAMP, lamp="van_lamp:Lamp", bad="van_lamp:Lump")
    fresh = importlib.util.find_spec("rvsim.devices.registry")
    registry = importlib.util.module_from_spec(fresh)
    fresh.loader.exec_module(registry)
    assert set(registry.kinds_by_name()) == {*kinds_by_name(), "lamp"}
    assert set(registry.settings_models()["lamp"].model_fields) == {"full_amps"}
    assert [line[:17] for line in registry.kind_problems()] == ['entry point "bad"']


def test_a_panel_names_only_what_it_uses():
    """Without a thermostat none of its instances, with zones theirs, with loads to shed the battery."""
    plan = {"name": "panel", "kind": "panel", "address": 0x44, "functions": {"control_panel": 1}}
    zone = {"instance": 1, "sensor": 4, "frost_sensor": 5}

    def told(functions=None, **settings):
        device = {**plan, "functions": {"control_panel": 1, **(functions or {})}, "settings": settings}
        output = {"name": "x", "module": "front", "terminal": 1, "instance": 1}
        tables = {"device": [device], "module": [{"name": "front"}], "output": [output]}
        rig = Rig.model_validate({"schema": 1, "name": "van", "title": "A van", **tables})
        return [line.partition("set to ")[2].partition(",")[0] for line in unknown_instances(rig)]

    assert told() == []
    assert told(shed={"outputs": ["x"]}, generator={"charger": 2}) == ["dc_source 1", "generator.charger 2"]
    assert told({"thermostat": 1}, zones={"cabin": zone}) == [
        "outdoor_sensor 2",
        "water_heater 1",
        "dc_source 1",
        "zones.cabin.sensor 4",
        "zones.cabin.frost_sensor 5",
    ]
