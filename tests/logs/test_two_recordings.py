"""Tests for two vehicles in one log."""

import pytest

from rvsim.logs import column_watch
from rvsim.logs.blocks import to_blocks
from rvsim.logs.survey import Surveyor
from rvsim.rig.load import load_rig
from rvsim.shipped import scenario_folder
from rvsim.watch.cause import CauseKind
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of

CLAIM, PACKETS = 0xEE00, (0xEB00, 0xEC00)
MOMENT = 60 * SECOND_US


def another_vehicle(frames, addresses=range(254)):
    """The same frames from units with other serial numbers, at all addresses or at some."""
    return [
        frame._replace(data=bytes([frame.data[0] ^ 0x5A]) + frame.data[1:])
        if dgn_of(frame.identifier) == CLAIM and frame.identifier & 0xFF in addresses
        else frame
        for frame in frames
    ]


def after(frames, more, gap):
    """One recording behind the other, after a gap in seconds."""
    by = frames[-1].time + round(gap * SECOND_US) - more[0].time
    return [*frames, *(frame._replace(time=frame.time + by) for frame in more)]


@pytest.fixture
def minute(healthy):
    """The first minute of a healthy evening."""
    return [frame for frame in healthy if frame.time < MOMENT]


@pytest.fixture
def joined(catalogue, monkeypatch):
    """Survey frames one by one and in columns, with the same causes; return that of two vehicles."""
    monkeypatch.setattr(column_watch, "MIN_BLOCK_FRAMES", 0)
    monkeypatch.setattr(column_watch, "MIN_FRAMES_PER_TOPIC", 0)

    def go(frames, rig=None):
        surveys = []
        for by_frame in (True, False):
            surveyor = Surveyor(catalogue, rig, frame_by_frame=by_frame)
            for _, block in to_blocks((("", frame) for frame in frames), 300):
                surveyor.observe_block(block)
            surveys.append(surveyor.finish())
        assert surveys[0].causes == surveys[1].causes
        found = [cause for cause in surveys[0].causes if cause.kind is CauseKind.JOINED_RECORDINGS]
        assert found == list(surveys[0].causes[:1]) or not found
        return found[0] if found else None

    return go


@pytest.mark.parametrize("rig", [None, "ottersby"])
@pytest.mark.parametrize("gap", [0.1, 5, 3600])
def test_another_vehicle_of_the_same_type_is_told_by_its_names(joined, minute, gap, rig):
    """Without a gap, with one, and after an hour: the moment, what tells it, and how to cut the log there."""
    plan = rig and load_rig(scenario_folder() / "rigs" / f"{rig}.toml")
    frames = after(minute, another_vehicle(minute), gap)
    second = frames[len(minute)].time
    cause = joined(frames, plan)
    assert cause.since == second
    assert "11 addresses claim other NAMEs" in cause.text
    assert "serial number" in cause.evidence[0]
    cut = round(float(cause.advice.partition("--to ")[2].partition(" ")[0]) * SECOND_US)
    assert frames[len(minute) - 1].time <= cut < second


def test_what_the_mixture_looks_like_is_explained_and_no_more(joined, minute, catalogue):
    """No conflict, silence or replacement is left beside it; the one flag of before is."""
    spec = catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
    bad = Frame(30 * SECOND_US, spec.identifier(0x92), spec.pack(instance=2, ambient_temperature=37536))
    frames = sorted([*minute, bad], key=lambda frame: frame.time)
    cause = joined(after(frames, another_vehicle(minute), 5))
    assert {flag.kind for flag in cause.flags} >= {"shared-address", "bus-quiet"}
    assert all(flag.kind != "bad-value" or flag.since > MOMENT for flag in cause.flags)


def test_devices_that_end_and_begin_tell_it_where_no_name_is_known(joined, minute):
    """Claims and texts of products are cut away; the second vehicle has its devices at other addresses."""
    early = [frame for frame in minute if dgn_of(frame.identifier) not in (CLAIM, *PACKETS)]
    late = [frame._replace(identifier=frame.identifier & ~0xFF | frame.identifier & 0xFF ^ 0x20) for frame in early]
    cause = joined(after(early, late, 0.1))
    assert "11 addresses send nothing more" in cause.text
    assert "the last frame of address" in cause.evidence[0]


def test_products_tell_it_where_no_name_is_known(joined, minute):
    """The texts by which the devices identify themselves have other serial numbers."""
    early = [frame for frame in minute if dgn_of(frame.identifier) != CLAIM]
    late = [
        frame._replace(data=frame.data[:1] + frame.data[1:].translate(bytes.maketrans(b"123456789", b"912345678")))
        if dgn_of(frame.identifier) == PACKETS[0]
        else frame
        for frame in early
    ]
    cause = joined(after(early, late, 0.1))
    assert "other products" in cause.text
    assert "rvsim bench" in cause.evidence[0]


def healthy_cases():
    """Yield a name and what becomes of one healthy minute, in which no second vehicle is."""
    yield "switched off and on", lambda frames: after(frames, frames, 20)
    yield "one unit replaced meanwhile", lambda frames: after(frames, another_vehicle(frames, {0x5E}), 20)
    yield (
        "four units of eleven replaced",
        lambda frames: after(frames, another_vehicle(frames, {0x5E, 0x48, 0x93, 0x90}), 20),
    )
    yield "two exchanged", lambda frames: after(frames, exchanged(frames, 0x48, 0x93), 20)
    yield (
        "half of it switched off",
        lambda frames: after(frames, [frame for frame in frames if frame.identifier & 0xFF < 0x60], 20),
    )
    yield "nothing", lambda frames: frames


def exchanged(frames, one, other):
    """The same with two addresses exchanged."""
    to = {one: other, other: one}
    return [
        frame._replace(identifier=frame.identifier & ~0xFF | to.get(frame.identifier & 0xFF, frame.identifier & 0xFF))
        for frame in frames
    ]


@pytest.mark.parametrize("change", [pytest.param(change, id=name) for name, change in healthy_cases()])
def test_one_vehicle_is_never_called_two(joined, minute, change):
    """Most units go on, or have their NAMEs at another address."""
    assert joined(change(minute)) is None
