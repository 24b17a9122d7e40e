"""Motions of a rig: what drives them, what must hold, and what cannot both be."""

import pytest

from rvsim.rig.model import Rig
from rvsim.rig.motions import motion_notices

from .test_model import device, problems, rig


def output(name, terminal, **given):
    """Return an output as a file would give it."""
    return {"name": name, "module": "front module", "terminal": terminal, "load": "motor", "amps": 5, **given}


AWNING = {"name": "patio", "what": "awning", "extend": "out", "retract": "in", "must_hold": {"ignition": "off"}}


def with_motions(*motions, **tables):
    """Return a rig with these motions, two inputs, one of them a ladder, and five outputs."""
    given = {
        "module": [{"name": "front module", "device": "device 1"}],
        "relay": [{"name": "reverser", "contact": "changeover"}, {"name": "plain"}],
        "output": [
            output("out", 1),
            output("in", 2),
            output("lamp", 3, load="lamp"),
            output("both", 4, relay="reverser"),
            output("one way", 5, relay="plain"),
        ],
        "input": [
            {"name": "ignition", "module": "front module", "terminal": 1},
            {
                "name": "cab",
                "module": "front module",
                "terminal": 2,
                "ladder": {"pull_up_ohm": 1000, "rungs": {"brake": 470, "door": 1500}},
            },
        ],
        **tables,
    }
    return rig(device(), motion=list(motions), **given)


def test_a_motion_by_two_outputs_by_a_relay_and_by_a_device():
    """Each is taken as it is; times are microseconds."""
    step = {"name": "step", "what": "step", "extend": "both", "must_hold": {"cab.brake": "on"}, "starts": 30}
    door = {"name": "door", "what": "lock", "device": "device 1", "travel": "3s", "travel_back": "4s", "starts": "out"}
    motions = Rig.model_validate(with_motions(AWNING, step, door)).motions
    assert [motion.outputs for motion in motions] == [{"extend": "out", "retract": "in"}, {"extend": "both"}, {}]
    assert [motion.start_percent for motion in motions] == [0, 30, 100]
    assert [motions[2].travel_us(way) for way in ("extend", "retract")] == [3_000_000, 4_000_000]
    assert [motions[0].travel_us(way) for way in ("extend", "retract")] == [20_000_000, 20_000_000]


@pytest.mark.parametrize(
    ("given", "place", "text"),
    [
        ({"extend": "aut"}, "extend", '"aut" is not in the rig (did you mean "out"?); its outputs are'),
        ({"retract": "out"}, "retract", '"out" is already its extend; give each way its own output'),
        ({"extend": None}, "retract", "there is no extend; name the output that moves it out as well"),
        ({"extend": None, "retract": None}, "name", "nothing moves it; name its outputs, like extend and retract"),
        ({"retract": None}, "extend", "nothing moves it back: add retract"),
        ({"extend": "one way", "retract": None}, "extend", "nothing moves it back: add retract"),
        ({"retract": "lamp"}, "retract", 'what hangs on "lamp" is a lamp, which moves nothing; give it load = "motor"'),
        ({"must_hold": {"ignitoin": "off"}}, "must_hold", '"ignitoin" is no input of the rig'),
        (
            {"must_hold": {"cab": "on"}},
            "must_hold",
            '"cab" has several switches; name one of them: cab.brake, cab.door',
        ),
        ({"device": "device 2", "what": "slide"}, "device", "its outputs move it already; remove the device"),
        ({"device": "device 2"}, "device", '"device 2" is not in the rig'),
        ({"device": "device 1", "extend": None, "retract": None}, "device", "no message that moves it is established"),
    ],
)
def test_what_cannot_be(given, place, text):
    """One line each, with its place."""
    (found,) = problems(with_motions({key: value for key, value in {**AWNING, **given}.items() if value is not None}))
    assert found[0][:3] == ("motion", 0, place)
    assert text in found[1]


def test_an_output_of_two_motions_and_a_name_that_is_given_twice():
    """Both are told of the second one."""
    step = {"name": "patio", "what": "vent", "extend": "in", "retract": "both"}
    assert problems(with_motions(AWNING, step)) == [
        (("motion", 1, "name"), '"patio" is already the name of motion 1; give each its own name')
    ]
    found = problems(with_motions(AWNING, {**step, "name": "step"}))
    assert found == [(("motion", 1, "extend"), '"in" moves "patio" already; give each motion its own outputs')]


def test_what_should_have_an_interlock_gets_a_notice():
    """Awning, step and slide; a vent needs none."""
    bare = [{**AWNING, "name": "bare", "must_hold": {}, "what": what} for what in ("awning", "vent")]
    motions = Rig.model_validate(with_motions(bare[0])).motions + Rig.model_validate(with_motions(bare[1])).motions
    (notice,) = motion_notices(motions)
    assert notice.startswith('the awning "bare" has no must_hold, so nobody is told')
    assert not list(motion_notices(Rig.model_validate(with_motions(AWNING)).motions))
