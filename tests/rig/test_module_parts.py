"""What belongs to a module: its parts, its functions, and the branch of each of its currents."""

import pytest

from rvsim.rig.model import Rig
from rvsim.rig.module_parts import contact_owner, module_parts, outputs_owner

from .test_model import device, problems, rig

CENTRE = {"name": "front", "kind": "load_centre", "address": 0x90}
REAR = {"name": "rear", "kind": "load_centre", "address": 0x91}
MODULES = [{"name": "front module", "device": "front"}, {"name": "rear module", "device": "rear"}]


def output(name, terminal, module="front module", **given):
    """An output as a file would give it."""
    return {"name": name, "module": module, "terminal": terminal, **given}


def read(*outputs, centre=CENTRE, modules=MODULES, **tables):
    """A rig with two load centres."""
    return Rig.model_validate(rig(device(), centre, REAR, module=modules, output=list(outputs), **tables))


def functions(given, name):
    """The functions of a device of a rig."""
    return next(dict(plan.functions) for plan in given.devices if plan.name == name)


def test_a_load_centre_has_the_functions_of_its_outputs():
    """In their order, each once, behind those that it is given; other devices keep theirs."""
    outputs = (
        output("a", 1, instance=22, load="lamp"),
        output("b", 2, instance=21, load="led"),
        output("c", 3, instance=21, load="pump"),
        output("d", 4),
        output("e", 1, "rear module", instance=30, message="dimmer"),
    )
    given = read(*outputs)
    assert functions(given, "front") == {"dc_dimmer": (22, 21), "dc_load": (21,)}
    assert functions(given, "rear") == {"dc_dimmer": (30,)}
    own = read(*outputs, centre={**CENTRE, "functions": {"dc_dimmer": 21, "control_panel": 1}})
    assert functions(own, "front") == {"dc_dimmer": (21, 22), "control_panel": (1,), "dc_load": (21,)}
    assert functions(read(), "front") == {}


def test_a_module_of_another_kind_has_the_functions_that_it_is_given():
    """What it is on the network is its own affair: a rig of a stranger's module is read as before."""
    stranger = {"name": "front", "address": 0x90, "functions": {"dc_load": 1}}
    given = read(output("a", 1, instance=22, load="lamp"), centre=stranger)
    assert functions(given, "front") == {"dc_load": (1,)}


@pytest.mark.parametrize(
    "wrong",
    [
        {"output": 5},
        {"output": [5, {"module": ["x"], "instance": 3}, {"module": "front module", "instance": True}]},
        {"output": [output("a", 1, instance=999, load=["lamp"], message=3)]},
        {"module": [{"name": 3, "device": "front"}], "output": [output("a", 1, instance=1)]},
        {"module": "front"},
    ],
)
def test_what_is_wrong_is_left_to_be_told(wrong):
    """No traceback, and no mistake that is not there."""
    given = {"module": MODULES, "output": [], **wrong}
    found = problems(rig(device(), CENTRE, REAR, **given))
    assert {place[0] for place, _ in found} <= {"module", "output"}
    assert found


def test_an_instance_that_two_modules_use_is_told_once():
    """At the second output."""
    outputs = [output("a", 1, instance=21), output("b", 1, "rear module", instance=21)]
    assert [place for place, _ in problems(rig(device(), CENTRE, REAR, module=MODULES, output=outputs))] == [
        ("output", 1, "instance")
    ]


def test_a_load_centre_is_one_module():
    """Two modules on one device are refused there; a stranger's may be as it is."""
    two = [MODULES[0], {"name": "second", "device": "front"}]
    assert problems(rig(device(), CENTRE, module=two)) == [
        (("module", 1, "device"), '"front" is already the module "front module"; give each its own device')
    ]
    Rig.model_validate(rig(device(), module=[{**one, "device": "device 1"} for one in two]))


def test_the_parts_of_a_module():
    """Its outputs, its inputs and the relays of its outputs."""
    given = read(
        output("a", 1, relay="r1"),
        output("b", 1, "rear module", relay="r2"),
        relay=[{"name": "r1"}, {"name": "r2"}, {"name": "spare"}],
        input=[{"name": "door", "module": "front module", "terminal": 1}],
    )
    parts = module_parts(given.vehicle, "front")
    assert parts is not None
    assert (parts.module.name, [one.name for one in parts.outputs]) == ("front module", ["a"])
    assert ([one.name for one in parts.inputs], list(parts.relays)) == (["door"], ["r1"])
    assert module_parts(given.vehicle, "device 1") is None


def test_the_branches_of_its_currents():
    """Those of its module, or of its device; outputs that another branch feeds have a name of their own."""
    branches = [{"name": "loads"}, {"name": "electronics"}]
    outputs = (output("a", 1, relay="r1"), output("b", 1, "rear module"))
    modules = [{**MODULES[0], "branch": "loads"}, MODULES[1]]
    tables = {"relay": [{"name": "r1"}], "branch": branches}
    given = read(*outputs, modules=modules, **tables)
    assert given.vehicle.branch_by_device == {"front": "loads", "r1 contact": "loads"}
    assert contact_owner("r1") == "r1 contact"
    both = read(*outputs, centre={**CENTRE, "branch": "electronics"}, modules=modules, **tables)
    assert both.vehicle.branch_by_device == {
        "front": "electronics",
        "front module outputs": "loads",
        "r1 contact": "loads",
    }
    assert outputs_owner(both.modules[0], "electronics") == "front module outputs"
    assert outputs_owner(both.modules[0], "loads") == outputs_owner(both.modules[0], None) == "front"
    only = read(*outputs, centre={**CENTRE, "branch": "electronics"}, **tables)
    assert only.vehicle.branch_by_device == {"front": "electronics", "r1 contact": "electronics"}
