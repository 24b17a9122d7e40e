"""The harness of a rig: what is read, what is refused, and which devices a single break takes away."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.harness import HarnessPlan, TapPlan
from rvsim.rig.harness_graph import breaks, breaks_that_explain
from rvsim.rig.model import Rig

from .test_model import device, problems, rig


def tap(name, *devices, **given):
    """Return a tap as a file would give it."""
    return {"name": name, "drops": [{"device": one, "length_m": 0.5} for one in devices], **given}


def taps(*given):
    """Return taps as they are read."""
    return [TapPlan.model_validate(one) for one in given]


THREE = taps(tap("front", "panel"), tap("middle", "fan", "heater"), tap("rear", "charger"))


def test_a_harness_is_read():
    """Taps in their order; a chained tap, terminators, lengths and the recorder's place."""
    read = Rig.model_validate(
        rig(
            device(),
            device(2),
            harness={"recorder": "front", "loop_ohm_per_m": 0.07},
            tap=[
                tap("front", "device 1", terminator=True, ports=4),
                tap("rear", length_m=3.5, terminator=True),
                tap("galley", "device 2", on="rear", length_m=0.3),
            ],
        )
    )
    assert [one.on for one in read.taps] == [None, None, "rear"]
    assert read.taps[0].drops[0].length_m == 0.5
    assert (read.harness.recorder, read.taps[1].length_m, read.taps[0].ports) == ("front", 3.5, 4)


def test_what_cannot_be_is_told_at_once():
    """A device at two places, an unknown one, a tap that is chained to itself, two of one name."""
    given = [
        tap("front", "device 1"),
        tap("rear", "device 1", "devise 2", on="front"),
        tap("rear", on="galley"),
        tap("own", on="own"),
    ]
    assert problems(rig(device(), device(2), tap=given)) == [
        (("tap", 2, "name"), '"rear" is already the name of tap 2; give each its own name'),
        (("tap", 1, "drops", 0, "device"), '"device 1" is already connected to "front"; connect it once'),
        (
            ("tap", 1, "drops", 1, "device"),
            '"devise 2" is not in the rig (did you mean "device 2"?); its devices are device 1, device 2',
        ),
        (("tap", 2, "on"), '"galley" is not in the rig; its taps are front, rear, own'),
        (("tap", 3, "on"), '"own" is in turn chained to "own"; one of them must be on the trunk'),
    ]
    ring = [tap("front", on="rear"), tap("rear", on="front"), tap("galley", on="front")]
    assert [place for place, _ in problems(rig(device(), tap=ring))] == [("tap", 0, "on"), ("tap", 1, "on")]


def test_the_recorder_is_at_a_tap():
    """A name that is no tap is refused."""
    assert problems(rig(device(), tap=[tap("front")], harness={"recorder": "frnt"})) == [
        (("harness", "recorder"), '"frnt" is not in the rig (did you mean "front"?); its taps are front')
    ]
    assert problems(rig(device(), harness={"recorder": "front"})) == [
        (("harness", "recorder"), '"front" is not in the rig, which has no taps; add it, or remove the name')
    ]


@pytest.mark.parametrize(
    ("silent", "recorder", "places"),
    [
        ({"charger"}, "front", ["the trunk between middle and rear", "the drop from rear to charger"]),
        ({"charger"}, "rear", ["the drop from rear to charger"]),
        ({"fan"}, None, ["the drop from middle to fan"]),
        ({"fan", "heater", "charger"}, "front", ["the trunk between front and middle"]),
        ({"fan", "heater", "charger"}, None, ["the trunk between front and middle"]),
        ({"panel"}, None, ["the trunk between front and middle", "the drop from front to panel"]),
        ({"panel", "charger"}, None, []),
    ],
)
def test_which_single_break_takes_away_these_and_no_others(silent, recorder, places):
    """Where the rig says at which tap the recorder is, only what is on the other side of the break is away."""
    present = {"panel", "fan", "heater", "charger"} - silent
    found = breaks_that_explain(silent, present, HarnessPlan(recorder=recorder), THREE)
    assert [one.place for one in found] == places


def test_a_chained_tap_takes_its_devices_with_it():
    """Its cable is a place of its own, and the tap that it hangs on takes it along."""
    chained = [*THREE, *taps(tap("galley", "lamp", on="rear"), tap("bed", "sensor", on="galley"))]
    everything = {"panel", "fan", "heater", "charger", "lamp", "sensor"}

    def places(*silent, recorder="front"):
        found = breaks_that_explain(silent, everything - set(silent), HarnessPlan(recorder=recorder), chained)
        return [one.place for one in found]

    assert places("lamp", "sensor") == ["the cable from rear to galley"]
    assert places("sensor") == ["the cable from galley to bed", "the drop from bed to sensor"]
    assert places("charger", "lamp", "sensor") == ["the trunk between middle and rear"]
    assert places("panel", "fan", "heater", "charger", recorder="bed") == ["the cable from rear to galley"]
    assert places("lamp", "sensor", recorder="bed") == []


def test_a_device_that_was_never_heard_decides_nothing():
    """It is neither silent nor present: the break may be on either side of it."""
    found = breaks_that_explain({"charger"}, {"panel"}, HarnessPlan(recorder="front"), THREE)
    assert [one.place for one in found] == [
        "the trunk between front and middle",
        "the trunk between middle and rear",
        "the drop from rear to charger",
    ]


@given(st.lists(st.integers(0, 3), min_size=1, max_size=6), st.integers(0, 5))
def test_each_piece_of_cable_divides_the_devices_in_two(devices_at, recorder):
    """Without a recorder both sides of a piece are told, and with one the side that it is not on."""
    given_taps = taps(*(tap(f"t{n}", *(f"d{n}.{one}" for one in range(count))) for n, count in enumerate(devices_at)))
    everything = {drop.device for one in given_taps for drop in one.drops}
    both = list(breaks(HarnessPlan(), given_taps))
    for found in both:
        assert found.devices
        assert found.devices <= everything
        if found.place.startswith("the trunk"):
            other = everything - found.devices
            assert not other or (found.place, other) in both
    place = f"t{recorder % len(devices_at)}"
    at_recorder = {drop.device for one in given_taps if one.name == place for drop in one.drops}
    for found in breaks(HarnessPlan(recorder=place), given_taps):
        assert found.place.startswith("the drop") or not found.devices & at_recorder
