"""Inputs of a rig: ladders that cannot be read, instances, what an input switches, and what can be pressed."""

import tomllib

import pytest
from pydantic import ValidationError

from rvsim.rig.contact_plans import contact_plans, unknown_contact_text
from rvsim.rig.model import Rig

from .test_model import device, problems, rig

MODULE = {"name": "front module", "device": "device 1"}


def entry(name="switches", terminal=1, **given):
    """Return an input as a file would give it."""
    return {"name": name, "module": "front module", "terminal": terminal, **given}


def ladder(**given):
    """Return a ladder of two switches on 1 k, or others."""
    return {"pull_up_ohm": 1000, "rungs": {"galley": 470, "bed": 1500}, **given}


def with_inputs(*inputs, **tables):
    """Return a rig with one module and these inputs."""
    return rig(device(), module=[MODULE], input=list(inputs), **tables)


def ladder_problems(**given):
    """Return the mistakes of a rig with one ladder, without the place above its table."""
    whole = with_inputs(entry(ladder=ladder(**given)))
    try:
        Rig.model_validate(whole)
    except ValidationError:
        return [(place[3:], text) for place, text in problems(whole)]
    return []


def test_two_switches_of_one_resistance():
    """It names both, and values that could be told apart."""
    assert ladder_problems(rungs={"galley": 470, "bed": 470}) == [
        (
            ("rungs", "bed"),
            '"bed" has the same resistance to ground as "galley", 470 ohm; write for example rungs = '
            "{ galley = 0, bed = 1000 }, or use parts of a smaller tolerance, or two inputs",
        )
    ]
    assert "same resistance to ground" in ladder_problems(rungs={"galley": 470, "bed": 0}, wired="in series")[0][1]


def test_bands_that_overlap():
    """In whole counts of the converter; the values that are suggested pass, also as a chain."""
    ((place, text),) = ladder_problems(rungs={"the bed": 1100, "galley": 1000})
    assert place == ("rungs", "the bed")
    assert text.startswith(
        '"the bed" cannot be told from "galley": with parts of 5 % they are read as 510 to 561 and 486 to 537 of 1024 '
        'counts; write for example rungs = { "the bed" = 1000, galley = 0 }, or use'
    )
    assert ladder_problems(rungs={"galley": 0, "bed": 1000}) == []
    assert ladder_problems(rungs={"galley": 1000, "bed": 1100}, tolerance_percent=1) == []
    exact = {"tolerance_percent": 0, "contact_ohm": 0}
    assert len(ladder_problems(rungs={"galley": 1000, "bed": 1001}, **exact)) == 1, "one count for both"
    assert ladder_problems(rungs={"galley": 1000, "bed": 1001}, adc_bits=14, **exact) == []
    (last,) = ladder_problems(rungs={**dict.fromkeys("abcde", 1000), "f": 500}, wired="in series")
    assert last[0] == ("rungs", "f")
    suggested = tomllib.loads(last[1].partition("write for example ")[2].partition(", or")[0])["rungs"]
    assert list(suggested) == list("abcdef")
    assert ladder_problems(rungs=suggested, wired="in series") == []


def test_a_switch_that_reads_as_none():
    """Too high a resistance is the open input; too many switches have no values to suggest."""
    ((place, text),) = ladder_problems(rungs={"galley": 470, "bed": 990_000})
    assert place == ("rungs", "bed")
    assert text.startswith('"bed" cannot be told from no switch: it reads 1022 to 1023 of 1024 counts; write')
    many = {str(number): 1000.0 + number for number in range(30)}
    assert all(
        text.endswith("; use parts of a smaller tolerance, or two inputs") for _, text in ladder_problems(rungs=many)
    )


def test_each_switch_of_a_ladder_has_an_instance():
    """They count up from that of the input, up to 250."""
    read = Rig.model_validate(with_inputs(entry(instance=21, ladder=ladder())))
    assert [(one.name, one.instance) for one in read.inputs[0].positions] == [
        ("switches.galley", 21),
        ("switches.bed", 22),
    ]
    assert problems(with_inputs(entry(instance=250, ladder=ladder()))) == [
        (
            ("input", 0, "instance"),
            "the 2 switches of its ladder would have the instances 250 to 251; write at most 249, so that the last one "
            "has 250",
        )
    ]


def test_instances_of_digital_inputs_are_unique():
    """Among inputs, and beside keypads; the device of the module itself may name them too."""
    clash = "is already that of"
    assert problems(with_inputs(entry(instance=21, ladder=ladder()), entry("door", 2, instance=22))) == [
        (("input", 1, "instance"), f'digital input 22 (door) {clash} "switches.bed"; give each its own instance')
    ]
    both = rig(
        device(functions={"keypad": [22]}),
        device(2, functions={"dc_input": [23]}),
        module=[MODULE],
        input=[entry(instance=22), entry("door", 2, instance=23)],
    )
    assert problems(both) == [
        (("input", 1, "instance"), f'digital input 23 (door) {clash} device "device 2"; give each its own instance')
    ]


def test_a_keypad_is_a_digital_input():
    """Both names of the function mean one; it is written once, and no two devices have one instance of it."""
    read = Rig.model_validate(rig(device(functions={"keypad": [1, 2]}, amps={"keypad": [0.0, 0.1]})))
    assert dict(read.devices[0].functions) == {"dc_input": (1, 2)}
    assert problems(rig(device(functions={"keypad": 1, "dc_input": 2}))) == [
        (
            ("device", 0, "functions", "keypad"),
            "it is another name for dc_input, which is there as well; write one of them",
        )
    ]
    two = rig(device(functions={"keypad": 1}), device(2, functions={"dc_input": 1}))
    assert [place for place, _ in problems(two)] == [("device", 1, "functions", "dc_input")]


OUTPUTS = [
    {"name": "galley light", "module": "front module", "terminal": 1},
    {"name": "rear light", "module": "rear module", "terminal": 1},
]


@pytest.mark.parametrize(
    ("given", "place", "text"),
    [
        (
            entry(switches="galley lite"),
            ("switches",),
            '"galley lite" is not in the rig (did you mean "galley light"?); its outputs are galley light, rear light',
        ),
        (
            entry(switches="rear light"),
            ("switches",),
            '"rear light" is on "rear module" and the input on "front module"; a module switches its own outputs only, '
            "so let a panel command this one",
        ),
        (
            entry(switches={"galley": "galley light"}),
            ("switches",),
            'it has no ladder, so it switches one output; write its name, like switches = "galley light"',
        ),
        (
            entry(switches="galley light", ladder=ladder()),
            ("switches",),
            'it has a ladder; name the switch as well, like switches = { galley = "galley light" }',
        ),
        (
            entry(switches={"gally": "galley light"}, ladder=ladder()),
            ("switches", "gally"),
            '"gally" is not in the rig (did you mean "galley"?); its switches are galley, bed',
        ),
        (
            entry(switches={"bed": "x"}, ladder=ladder()),
            ("switches", "bed"),
            '"x" is not in the rig; its outputs are galley light, rear light',
        ),
    ],
    ids=["no output", "another module", "no ladder", "a ladder", "no switch", "no output of a switch"],
)
def test_what_an_input_switches_is_there(given, place, text):
    """An output of the same module, by the switch where it has a ladder."""
    whole = rig(device(), module=[MODULE, {"name": "rear module"}], input=[given], output=OUTPUTS)
    assert problems(whole) == [(("input", 0, *place), text)]


def test_what_can_be_pressed():
    """Inputs, switches of ladders and keys, with what each is wired to and who reads it."""
    keys = {"galley": {"instance": 31, "switch": "maintained", "bounce_s": 0.005}, "night": {}, "odd": 7}
    read = Rig.model_validate(
        rig(
            device(functions={"keypad": [31, 32]}, settings={"keys": keys}),
            device(2),
            module=[{**MODULE, "device": "device 2"}],
            input=[entry("door", 2, instance=5, switch="maintained"), entry(ladder=ladder(), instance=21)],
        )
    )
    found = {
        name: (plan.input, plan.device, plan.instance, plan.is_maintained, plan.bounce_us)
        for name, plan in contact_plans(read).items()
    }
    assert found == {
        "door": ("door", "device 2", 5, True, 1600),
        "switches.galley": ("switches", "device 2", 21, False, 1600),
        "switches.bed": ("switches", "device 2", 22, False, 1600),
        "device 1.galley": ("device 1.galley", "device 1", 31, True, 5000),
        "device 1.night": ("device 1.night", "device 1", 32, False, 1600),
    }
    plans = contact_plans(read)
    assert unknown_contact_text("switches", plans) == (
        '"switches" has several switches; name one of them: switches.galley, switches.bed'
    )
    assert unknown_contact_text("dor", plans).startswith('"dor" cannot be pressed (did you mean "door"?); what can be')
    assert unknown_contact_text("dor", {}).endswith("the rig has no inputs and no keys; add it, or remove the name")


def test_a_mistake_of_a_module_is_told_alone():
    """Its inputs are those of its device; while it is not known which that is, nothing is said of their instances."""
    centre = {**device(), "kind": "load_centre"}
    one = rig(centre, module=[{**MODULE, "branch": "lods"}], input=[entry(instance=5)], branch=[{"name": "loads"}])
    assert [place for place, _ in problems(one)] == [("module", 0, "branch")]
