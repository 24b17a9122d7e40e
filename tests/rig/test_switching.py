"""Modules, outputs, inputs and relays of a rig: what is read, and what is refused."""

import pytest

from rvsim.rig.model import Rig

from .test_model import device, problems, rig

MODULE = {"name": "front module", "device": "device 1", "limit_amps": 30}


def output(name="galley light", terminal=1, **given):
    """Return an output as a file would give it."""
    return {"name": name, "module": "front module", "terminal": terminal, **given}


def switched(**tables):
    """Return a rig with one device, one module and these tables."""
    return rig(device(), module=[MODULE], **tables)


def test_a_module_with_outputs_inputs_and_a_relay():
    """Each by its name; what is left out is unknown and not zero."""
    ladder = {"pull_up_ohm": 1000, "rungs": {"galley": 470, "bed": 1000}}
    read = Rig.model_validate(
        switched(
            output=[output(load="lamp", amps=2, relay="lamp relay"), output("pump", 2)],
            input=[{"name": "switches", "module": "front module", "terminal": 1, "ladder": ladder}],
            relay=[{"name": "lamp relay", "contact": "changeover"}],
        )
    )
    assert (read.modules[0].limit_amps, read.modules[0].branch) == (30.0, None)
    assert [(one.name, one.amps, one.load) for one in read.outputs] == [
        ("galley light", 2.0, "lamp"),
        ("pump", None, None),
    ]
    assert read.inputs[0].ladder is not None
    assert read.inputs[0].ladder.rungs == {"galley": 470.0, "bed": 1000.0}
    assert (read.inputs[0].debounce, read.inputs[0].switch) == (30_000, "momentary")
    assert (read.relays[0].contact, read.relays[0].contact_amps) == ("changeover", None)


def test_a_rig_without_them_is_read_as_before():
    """They are optional, each of them."""
    read = Rig.model_validate(rig(device()))
    assert (read.modules, read.outputs, read.inputs, read.relays, read.taps) == ((), (), (), (), ())


def test_every_name_belongs_to_an_entry():
    """All wrong ones are told at once, with the names that there are."""
    assert problems(
        rig(
            device(),
            module=[MODULE, {"name": "rear module", "device": "devise 1", "branch": "rear"}],
        )
    ) == [
        (("module", 1, "device"), '"devise 1" is not in the rig (did you mean "device 1"?); its devices are device 1'),
        (("module", 1, "branch"), '"rear" is not in the rig, which has no branches; add it, or remove the name'),
    ]
    assert problems(
        switched(
            output=[output(module="front modul"), output("pump", 2, relay="pump relay")],
            input=[{"name": "door", "module": "x", "terminal": 1}],
        )
    ) == [
        (
            ("output", 0, "module"),
            '"front modul" is not in the rig (did you mean "front module"?); its modules are front module',
        ),
        (
            ("output", 1, "relay"),
            '"pump relay" is not in the rig, which has no relays; add it, or remove the name',
        ),
        (("input", 0, "module"), '"x" is not in the rig; its modules are front module'),
    ]


@pytest.mark.parametrize("table", ["output", "input"])
def test_a_terminal_has_one_entry(table):
    """Two outputs on one terminal are refused, and two of one name; on two modules both may have terminal 1."""
    two = [output("one"), output("two")]
    assert problems(switched(**{table: two})) == [
        ((table, 1, "terminal"), 'terminal 1 of "front module" is already that of "one"; give each its own terminal')
    ]
    assert problems(switched(**{table: [output("one"), output("one", 2)]})) == [
        ((table, 1, "name"), f'"one" is already the name of {table} 1; give each its own name')
    ]
    rear = {"name": "rear module"}
    whole = rig(device(), module=[MODULE, rear], **{table: [output("one"), output("two", module="rear module")]})
    assert Rig.model_validate(whole).modules[1].device is None


def test_a_relay_has_one_output():
    """Two outputs without a relay are no clash."""
    relay = {"name": "lamp relay"}
    two = [output("one", relay="lamp relay"), output("two", 2, relay="lamp relay")]
    assert problems(switched(relay=[relay], output=two)) == [
        (("output", 1, "relay"), '"lamp relay" is already the relay of output 1; give each its own relay')
    ]
    assert problems(switched(relay=[relay, relay])) == [
        (("relay", 1, "name"), '"lamp relay" is already the name of relay 1; give each its own name')
    ]


@pytest.mark.parametrize(
    ("given", "place", "text"),
    [
        ({"terminal": 0}, "terminal", "Input should be greater than or equal to 1"),
        ({"amps": -1}, "amps", "Input should be greater than or equal to 0"),
        ({"duty_percent": 101}, "duty_percent", "Input should be less than or equal to 100"),
        ({"fuse_amps": 0}, "fuse_amps", "Input should be greater than 0"),
        ({"priority": 0}, "priority", "Input should be greater than or equal to 1"),
    ],
)
def test_figures_have_limits(given, place, text):
    """Those that exclude typing mistakes."""
    assert problems(switched(output=[{**output(), **given}])) == [(("output", 0, place), text)]


def test_a_module_that_can_carry_nothing_is_a_mistake():
    """All of its outputs would be switched off at once."""
    none = rig(device(), module=[{**MODULE, "limit_amps": 0}])
    assert problems(none) == [(("module", 0, "limit_amps"), "Input should be greater than 0")]


def test_a_ladder_needs_a_rung():
    """One switch at least, and no negative resistance."""
    ladder = {"pull_up_ohm": 1000, "rungs": {}}
    entry = {"name": "switches", "module": "front module", "terminal": 1, "ladder": ladder}
    assert [place for place, _ in problems(switched(input=[entry]))] == [("input", 0, "ladder", "rungs")]
    ladder["rungs"] = {"galley": -1}
    assert [place for place, _ in problems(switched(input=[entry]))] == [("input", 0, "ladder", "rungs", "galley")]


def test_what_an_output_is_on_the_network():
    """A lamp and an LED are dimmers, all else is a load, but for what the rig says."""
    read = Rig.model_validate(
        switched(
            output=[
                output("a", 1, load="lamp"),
                output("b", 2, load="led", message="load"),
                output("c", 3, load="pump"),
                output("d", 4, groups=[1, 3], ramp="4s", at_power="last"),
            ]
        )
    )
    assert [one.function for one in read.outputs] == ["dc_dimmer", "dc_load", "dc_load", "dc_load"]
    assert (read.outputs[3].groups, read.outputs[3].ramp, read.outputs[0].groups) == ((1, 3), 4_000_000, ())
    for key, value in (("groups", [8]), ("at_power", "maybe"), ("message", "lamp"), ("ramp", "0s")):
        assert [place[:3] for place, _ in problems(switched(output=[output(**{key: value})]))] == [("output", 0, key)]


def test_an_instance_is_used_once_for_each_kind_of_message():
    """A dimmer and a load may have the same; a group is the way to command two together."""
    two = [output("one", 1, instance=21, load="lamp"), output("two", 2, instance=21, load="led", groups=[1])]
    assert problems(switched(output=two)) == [
        (
            ("output", 1, "instance"),
            'dimmer 21 is already "one"; give each its own instance, and both a group to command them together',
        )
    ]
    Rig.model_validate(switched(output=[two[0], {**two[1], "load": "pump"}]))


def test_a_load_above_its_output_needs_a_relay():
    """One line with both figures; at the limit it is good, and so is what is not known."""
    assert problems(switched(output=[output(amps=12, limit_amps=10)])) == [
        (
            ("output", 0, "amps"),
            "its load of 12 A is above its limit of 10 A; give it a relay, or another output",
        )
    ]
    for given in ({"amps": 10, "limit_amps": 10}, {"amps": 12}, {"limit_amps": 10}):
        Rig.model_validate(switched(output=[output(**given)]))
    relay = {"name": "relay", "contact_amps": 20}
    Rig.model_validate(switched(relay=[relay], output=[output(amps=12, limit_amps=10, relay="relay")]))


@pytest.mark.parametrize(
    ("load", "most", "figures"),
    [  # a switch maker's load page: resistive, a tenth for lamps, a sixth for motors; the maker's own figure wins
        ("heater mat", 30.0, {"contact_amps": 30}),
        ("led", 30.0, {"contact_amps": 30}),
        ("lamp", 3.0, {"contact_amps": 30}),
        ("motor", 5.0, {"contact_amps": 30}),
        ("pump", 5.0, {"contact_amps": 30}),
        ("lamp", 17.0, {"contact_amps": 30, "lamp_amps": 17}),  # one automotive life test
        ("motor", 17.0, {"contact_amps": 30, "motor_amps": 17}),
    ],
)
def test_a_load_is_within_the_class_of_its_contact(load, most, figures):
    """At the figure it is good, above it is refused with the figure."""
    relay = {"name": "relay", **figures}
    Rig.model_validate(switched(relay=[relay], output=[output(amps=most, load=load, relay="relay")]))
    ((place, text),) = problems(switched(relay=[relay], output=[output(amps=most + 0.5, load=load, relay="relay")]))
    assert place == ("output", 0, "amps")
    assert text.startswith(f"its load of {most + 0.5:g} A is above the {most:g} A of a {load} that the relay ")
    assert ("of its maker" in text) == (load in ("lamp", "motor", "pump") and len(figures) == 1)


def test_a_coil_is_a_load_too():
    """It must not be more than its output can carry."""
    relay = {"name": "relay", "coil_amps": 0.5}
    assert problems(switched(relay=[relay], output=[output(limit_amps=0.2, relay="relay")])) == [
        (
            ("output", 0, "relay"),
            "the coil of its relay takes 0.5 A, and its limit is 0.2 A; give another relay or output",
        )
    ]


def test_an_interlock_names_an_output_or_an_input_of_its_module():
    """Another output, not itself; an input; not one of another module."""
    rear = {"name": "rear module"}
    door = {"name": "door", "module": "front module", "terminal": 1}

    def found(interlock):
        outputs = [output("up", 1, interlock=interlock), output("down", 2), output("far", 1, module="rear module")]
        return problems(rig(device(), module=[MODULE, rear], output=outputs, input=[door]))

    for known in ("down", "door"):
        outputs = [output("up", 1, interlock=known), output("down", 2)]
        Rig.model_validate(rig(device(), module=[MODULE], output=outputs, input=[door]))
    assert found("dwn") == [
        (
            ("output", 0, "interlock"),
            '"dwn" is neither another output nor an input of "front module" (did you mean "down"?); those are down, '
            "door",
        )
    ]
    assert found("far")[0][1].startswith('"far" is neither')
    assert found("up")[0][1].startswith('"up" is neither')


@pytest.mark.parametrize(
    ("module", "of_device", "parent"), [("loads", "front", "loads"), (None, "front", "front"), (None, None, None)]
)
def test_a_fuse_of_an_output_is_behind_the_branch_of_its_module(module, of_device, parent):
    """The module's own branch, else that of its device; the current of the output flows through it."""
    first = device() if of_device is None else device(branch=of_device)
    table = MODULE if module is None else {**MODULE, "branch": module}
    branches = [{"name": "loads"}, {"name": "front"}]
    outputs = [output(fuse_amps=5), output("mat", 2, fuse_amps=9, relay="big")]
    loaded = Rig.model_validate(rig(first, module=[table], branch=branches, output=outputs, relay=[{"name": "big"}]))
    assert {one.name: one.parent for one in loaded.all_branches[2:]} == {"galley light": parent, "mat": parent}
    placed = loaded.vehicle.branch_by_device
    assert (placed["galley light output"], placed["big contact"]) == ("galley light", "mat")
