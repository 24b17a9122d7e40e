"""Inputs of a device on a bench: debounce, ladders with a hysteresis, the status on change and on request."""

from functools import partial
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.device import Device, Settings
from rvsim.devices.switching.inputs import InputBank, ladder_switch, line_of
from rvsim.rig.inputs import LadderPlan
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of

from ..conftest import EXACT

STATUS, REQUEST = 0x1FFB8, 0x18EA80F9
LADDER = {"pull_up_ohm": 1000, "rungs": {"a": 0, "b": 200, "c": 510, "d": 1000, "e": 2000, "f": 5100}}


class Read:
    """A bench with one module, of which the inputs are read; what it sends and is told, in order."""

    def __init__(self, catalogue, *inputs, seed=1):
        given = [{"module": "front", "terminal": place + 1, **entry} for place, entry in enumerate(inputs)]
        rig = Rig.model_validate(
            {
                "schema": 1,
                "name": "one",
                "title": "One module",
                "device": [{"name": "centre", "kind": "reader", "address": 0x80, "functions": {}, "timing": EXACT}],
                "module": [{"name": "front", "device": "centre"}],
                "input": given,
            }
        )
        self.sent: list[tuple[float, str]] = []
        self.told: list[tuple[str, bool]] = []
        told = self.told

        class Reader(Device):
            kind = "reader"
            Settings = Settings

            def __init__(self, context):
                super().__init__(context)
                self.inputs = InputBank(
                    self, map(line_of, rig.inputs), lambda switch, on: told.append((switch.name, on))
                )

            def on_start(self):
                self.inputs.start()

            def on_contact(self, name):
                self.inputs.on_contact(name)

            def send_broadcasts(self, dgn, instance):
                return (
                    self.inputs.answer(instance) if dgn == self.inputs.dgn else super().send_broadcasts(dgn, instance)
                )

        self.bench = Bench(rig, catalogue, {"reader": Reader}, on_frame=self._note, seed=seed)
        self.contacts = self.bench.world.contacts

    def _note(self, frame):
        if dgn_of(frame.identifier) == STATUS and frame.identifier & 0xFF == 0x80:
            self.sent.append((frame.time / SECOND_US, frame.data.hex(" ").upper()))

    @property
    def inputs(self) -> InputBank:
        """The inputs of the device that is there now."""
        (device,) = self.bench.devices
        return cast(Any, device).inputs

    def at(self, seconds, act, *args, **kwargs) -> "Read":
        """Plan something that a person does."""
        self.bench.plan(round(seconds * SECOND_US), partial(act, *args, **kwargs))
        return self

    def until(self, seconds) -> "Read":
        """Run to a time."""
        self.bench.run_until(round(seconds * SECOND_US))
        return self

    def since(self, seconds) -> list[str]:
        """Return what was sent from a time on, the first two bytes of each frame."""
        return [data[:5] for time, data in self.sent if time >= seconds]


@pytest.fixture
def read(catalogue):
    """Put inputs on a bench: ``read({"name": "door", "instance": 5})``."""
    return partial(Read, catalogue)


def test_a_press_and_its_release(read):
    """Both are sent once, after the bounce and the debounce, in the published bytes."""
    run = read({"name": "door", "instance": 5}).until(2)
    assert [data for _, data in run.sent] == ["05 00 FD 02 FF FF FF FF"], "once after the start"
    run.at(3, run.contacts.press, "door", 200_000).until(4)
    (on, first), (off, second) = run.sent[1:]
    assert (first, second) == ("05 01 FD 02 FF FF FF FF", "05 00 FD 02 FF FF FF FF")
    assert 3.030 <= on <= 3.040
    assert 3.230 <= off <= 3.240
    assert run.told == [("door", True), ("door", False)]


def test_a_maintained_switch(read):
    """It stays on, and is read as it is at the start; its configuration has no established code: no data."""
    run = read({"name": "bilge", "instance": 6, "switch": "maintained"})
    run.contacts.set("bilge", on=True)
    run.until(100)
    assert [data for _, data in run.sent] == ["06 01 FF 02 FF FF FF FF"]
    assert run.inputs.is_on("bilge")
    assert run.told == []
    run.contacts.set("bilge", on=False)
    assert run.until(101).since(100) == ["06 00"]
    assert not run.inputs.is_on("bilge")


@pytest.mark.parametrize(("hold_ms", "statuses"), [(10, []), (25, []), (45, ["05 01", "05 00"])])
def test_what_is_shorter_than_the_debounce_does_not_count(read, hold_ms, statuses):
    """A press of less than the debounce is none; of more it is one press, whatever it bounces."""
    run = read({"name": "door", "instance": 5, "bounce": "1ms"}).until(2)
    run.at(3, run.contacts.press, "door", hold_ms * 1000)
    assert run.until(4).since(2) == statuses


def test_a_short_gap_in_a_long_press_does_not_count(read):
    """The switch was on, and is on again before the debounce is over: nothing is sent."""
    run = read({"name": "door", "instance": 5, "bounce": "0s"}).until(2)
    run.at(3, run.contacts.press, "door").at(4, run.contacts.release, "door").at(4.01, run.contacts.press, "door")
    assert run.until(6).since(2) == ["05 01"]
    assert run.told == [("door", True)]


def test_a_change_that_reads_the_same_restarts_no_debounce(read):
    """A contact whose resistance wanders a little while it is pressed is still the same switch."""
    run = read({"name": "wall", "instance": 21, "ladder": LADDER, "bounce": "0s"}).until(2)
    run.at(3, run.contacts.press, "wall.d", 200_000).at(3.02, run.contacts.age, "test", "wall", 2.0).until(4)
    assert [round(time, 2) for time, _ in run.sent[-2:]] == [3.03, 3.23]


def test_without_debounce_every_bounce_is_sent(read):
    """As a module does that has none: more than one press for one press of a finger."""
    run = read({"name": "door", "instance": 5, "bounce": "20ms", "debounce": "0s"}).until(2)
    run.at(3, run.contacts.press, "door", 500_000).until(4)
    assert run.since(2).count("05 01") > 2
    assert run.since(2)[-1] == "05 00"


def test_a_worn_switch_bounces_through_a_short_debounce(read):
    """The worst switch of the bench test bounced 157 ms: 30 ms are not enough, 250 ms of a careful design are."""
    presses = {}
    for debounce in ("30ms", "250ms"):
        run = read({"name": "door", "instance": 5, "bounce": "157ms", "debounce": debounce}).until(2)
        for second in range(3, 23, 2):
            run.at(second, run.contacts.press, "door", 900_000)
        presses[debounce] = run.until(25).since(2).count("05 01")
    assert presses["250ms"] == 10
    assert presses["30ms"] > 10


def test_an_input_without_an_instance_is_not_on_the_bus(read):
    """The device is told of it, nothing is sent."""
    run = read({"name": "door"})
    run.at(3, run.contacts.press, "door", 200_000).until(5)
    assert run.sent == []
    assert run.told == [("door", True), ("door", False)]


def test_switches_of_a_ladder(read):
    """Each answers with its own instance; from one to the next without release the first goes off before."""
    run = read({"name": "wall", "instance": 21, "ladder": LADDER, "bounce": "0s"}).until(2)
    assert sorted(run.since(0)) == ["15 00", "16 00", "17 00", "18 00", "19 00", "1A 00"]
    for second, name in ((3, "wall.a"), (4, "wall.f")):
        run.at(second, run.contacts.press, name, 300_000)
    assert run.until(5).since(2) == ["15 01", "15 00", "1A 01", "1A 00"]
    run.at(6, run.contacts.press, "wall.c", 300_000).at(6.299_999, run.contacts.press, "wall.d", 300_000)
    run.at(6.3, run.contacts.release, "wall.c")
    assert run.until(7).since(6) == ["17 01", "17 00", "18 01", "18 00"]


@pytest.mark.parametrize(("between", "third"), [("nearest", ["17 01", "17 00"]), ("none", [])])
def test_two_switches_of_a_ladder_together(read, between, third):
    """1 k with 2 k is read as the 510 ohm switch, which nobody presses; or as none by a module with bands."""
    run = read({"name": "wall", "instance": 21, "ladder": {**LADDER, "between": between}, "bounce": "0s"}).until(2)
    run.at(3, run.contacts.press, "wall.d", 400_000).at(3.1, run.contacts.press, "wall.e", 200_000)
    assert run.until(4).since(2) == ["18 01", "18 00", *third, "18 01", "18 00"]


def test_a_chain_reads_the_nearer_of_two(read):
    """In series the switch that is nearer to the input shortens what is behind it."""
    chain = {"pull_up_ohm": 1000, "rungs": {"a": 0, "b": 1000, "c": 1000}, "wired": "in series"}
    run = read({"name": "wall", "instance": 21, "ladder": chain, "bounce": "0s"}).until(2)
    run.at(3, run.contacts.press, "wall.c", 400_000).at(3.1, run.contacts.press, "wall.b", 200_000)
    assert run.until(4).since(2) == ["17 01", "17 00", "16 01", "16 00", "17 01", "17 00"]


def test_a_contact_that_ages_is_read_as_its_neighbour(read):
    """Above the resistance that the arithmetic names, and not below it; the last one as none."""
    run = read({"name": "wall", "instance": 21, "ladder": LADDER, "bounce": "0s"}).until(2)
    flip = LadderPlan.model_validate(LADDER).ladder.flip_ohm("c")
    for second, added in ((3, flip - 10), (5, flip + 10)):
        run.at(second, run.contacts.age, "test", "wall", added)
        run.at(second + 1, run.contacts.press, "wall.c", 200_000)
    assert run.until(8).since(2) == ["17 01", "17 00", "18 01", "18 00"]
    run.at(8, run.contacts.age, "test", "wall.f", 20_000).at(9, run.contacts.press, "wall.f", 200_000)
    assert run.until(10).since(8) == []


def test_a_plain_input_with_an_aged_contact(read):
    """Below 1 k it is on, above it is not."""
    run = read({"name": "door", "instance": 5, "bounce": "0s"}).until(2)
    run.at(3, run.contacts.age, "test", "door", 900.0).at(4, run.contacts.press, "door", 200_000)
    run.at(5, run.contacts.age, "test", "door", 1100.0).at(6, run.contacts.press, "door", 200_000)
    assert run.until(7).since(2) == ["05 01", "05 00"]


def test_a_request_is_answered(read):
    """All instances, or the one that is asked for; one that is not there is refused."""
    run = read({"name": "wall", "instance": 21, "ladder": LADDER}, {"name": "door"}).until(2)
    run.bench.send(REQUEST, bytes.fromhex("B8FF0116FFFFFFFF"))
    assert run.until(3).since(2) == ["16 00"]
    run.bench.send(REQUEST, bytes.fromhex("B8FF01FFFFFFFFFF"))
    assert run.until(4).since(3) == ["15 00", "16 00", "17 00", "18 00", "19 00", "1A 00"]
    run.bench.send(REQUEST, bytes.fromhex("B8FF0199FFFFFFFF"))
    assert run.until(5).since(4) == []


def test_power_that_comes_back(read):
    """What was pressed without power is not told; a switch that is on then is sent as on."""
    run = read({"name": "bilge", "instance": 6, "switch": "maintained"}, {"name": "door", "instance": 7}).until(2)
    run.bench.switch_off("centre")
    run.contacts.set("bilge", on=True)
    run.contacts.press("door", 200_000)
    run.until(5).bench.switch_on("centre")
    assert run.until(8).since(2) == ["06 01", "07 00"]


def test_an_input_at_rest_costs_nothing(read):
    """Forty of them: one status each after the start, and then nothing is planned for them in an hour."""
    run = read(*({"name": f"switch {place}", "instance": place + 1} for place in range(40))).until(3600)
    assert len(run.sent) == 40
    assert run.bench.peek() is None
    run.contacts.press("switch 7", 200_000)
    assert run.until(3601).since(3600) == ["08 01", "08 00"]


def test_what_an_input_reads(read):
    """Ohms, counts and the switch, for whoever shows them."""
    run = read({"name": "wall", "ladder": LADDER, "bounce": "0s"}, {"name": "door", "bounce": "0s"}).until(2)
    run.contacts.press("wall.d")
    wall, door = run.inputs.readings().values()
    assert (round(wall.ohm, 1), wall.counts, wall.switch.name) == (1000.1, 512, "wall.d")
    assert (door.name, door.counts, door.switch) == ("door", None, None)


def test_hysteresis():
    """At a threshold the switch that was read stays, up to the counts of the hysteresis on both sides."""
    plan = LadderPlan.model_validate({**LADDER, "hysteresis_counts": 4})
    middle = round(plan.ladder.thresholds[2] * 1024)
    assert [ladder_switch(plan, middle + step, "c") for step in (-5, 2, 6)] == ["c", "c", "d"]
    assert [ladder_switch(plan, middle + step, "d") for step in (5, -2, -6)] == ["d", "d", "c"]
    assert ladder_switch(plan, middle - 2, "a") == "c", "no hysteresis towards another one"
    plain = LadderPlan.model_validate({**LADDER, "hysteresis_counts": 0})
    assert [ladder_switch(plain, middle + step, "c") for step in (-2, 2)] == ["c", "d"]


@given(st.integers(0, 1023), st.sampled_from([*"abcdef", None]), st.floats(0, 30), st.sampled_from(["nearest", "none"]))
def test_what_was_read_stays_only_near_it(counts, before, margin, between):
    """Without a hysteresis nothing of before counts; with one the reading is that of now or that of before."""
    plan = LadderPlan.model_validate({**LADDER, "hysteresis_counts": margin, "between": between})
    plain = LadderPlan.model_validate({**LADDER, "hysteresis_counts": 0, "between": between})
    now = ladder_switch(plain, counts, before)
    assert ladder_switch(plan, counts, before) in (now, before)
    assert ladder_switch(plan, counts, now) == now
