"""What every simulated device does, shown on the simplest one with hand-written frames."""

import itertools
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.device import Broadcast, Silence
from rvsim.devices.node_timing import NodeTiming
from rvsim.errors import InputError
from rvsim.rig.timing import TimingPlan

CLAIM, REQUEST, HEARTBEAT, AMBIENT = 0x0EE00, 0x0EA00, 0x1FECA, 0x1FF9C


@pytest.fixture
def sensor(alone):
    """A temperature sensor at address 80 hex, instance 1."""
    return alone("ambient", ambient_sensor=1)


def test_it_claims_its_address_first_and_waits(sensor):
    """The claim goes out at once; nothing else does for the 250 ms in which others may object."""
    sensor.until(0.25)
    assert [dgn for _, dgn, _ in sensor.sent] == [CLAIM]
    sensor.until(2)
    assert {dgn for _, dgn, _ in sensor.sent} == {CLAIM, HEARTBEAT, AMBIENT}


def test_its_name_is_static_and_its_own(sensor, alone):
    """Two devices of one seed have different NAMEs, neither of which is arbitrary address capable."""
    other = alone("roof_fan", roof_fan=1).until(0.1)
    names = [bytes.fromhex(one.until(0.1).last(CLAIM)) for one in (sensor, other)]
    assert names[0] != names[1]
    assert all(name[7] & 0x80 == 0 for name in names)


@pytest.mark.parametrize("to", ["FF", "80"])
def test_it_answers_a_request_for_its_claim(sensor, to):
    """A request for EE00 (bytes 00 EE 00), to all or to it alone, is answered with the claim."""
    sensor.until(3).put(int(f"18EA{to}F9", 16), "00 EE 00")
    assert len(sensor.of(CLAIM)) == 2


def test_it_does_not_answer_for_another(sensor):
    """A request to another address, or for another DGN, brings no claim."""
    sensor.until(3).put(0x18EA81F9, "00 EE 00").put(0x18EAFFF9, "EB FE 00")
    assert len(sensor.of(CLAIM)) == 1


def test_it_defends_its_address_against_a_higher_name(sensor):
    """A claim of its address by a higher NAME is answered with its own claim, and it keeps the address."""
    sensor.until(3).put(0x18EEFF80, "FF FF FF FF FF FF FF FF").until(20)
    own, theirs, again = (data for _, data in sensor.of(CLAIM))
    assert (theirs, again) == ("FF FF FF FF FF FF FF FF", own)
    assert sensor.of(AMBIENT)[-1][0] > 15


def test_it_gives_way_to_a_lower_name(sensor):
    """A claim of its address by a lower NAME silences it, but for "cannot claim" from the null address."""
    heard = []
    sensor.bench.on_frame = lambda frame: heard.append(f"{frame.identifier:08X}")
    sensor.until(3)
    heard.clear()
    sensor.put(0x18EEFF80, "00 00 00 00 00 00 00 00").until(30)
    assert heard == ["18EEFF80", "18EEFFFE"]


def test_a_dynamic_one_takes_the_next_lower_address(alone):
    """By a lower NAME driven from 85 hex, it claims 84 hex, waits 250 ms, and goes on from there."""
    heard = []
    device = alone("ambient", address=0x85, plan={"dynamic": True}, ambient_sensor=1)
    device.bench.on_frame = lambda frame: heard.append((frame.time / 1e6, f"{frame.identifier:08X}"))
    device.until(3)
    heard.clear()
    device.put(0x18EEFF85, "00 00 00 00 00 00 00 00").until(30)
    assert [identifier for _, identifier in heard[:2]] == ["18EEFF85", "18EEFF84"]
    later = [(time, identifier) for time, identifier in heard[2:]]
    assert {identifier[-2:] for _, identifier in later} == {"84"}
    assert later[0][0] - heard[1][0] >= 0.25


def test_a_planned_name_is_the_one_it_claims(alone):
    """The rig gives the NAME of the unit: the eight bytes of its claim, least significant first."""
    device = alone("ambient", plan={"claimed_name": "C0A0C800DDC1E240"}, ambient_sensor=1).until(0.1)
    assert device.last(CLAIM) == "40 E2 C1 DD 00 C8 A0 C0"


def test_its_heartbeat_reports_no_fault(sensor):
    """DM_RV: on, active, lamps off, no established DSA (FF), SPN 7FFFF and FMI 1F (rv-c.com/node/522)."""
    sensor.until(30)
    times = [time for time, data in sensor.of(HEARTBEAT) if data == "05 FF FF FF FF FF FF FF"]
    assert len(times) == len(sensor.of(HEARTBEAT)) == 6
    # at least every 5 s (rv-c.com/node/82)
    assert all(later - earlier <= 5.001 for earlier, later in itertools.pairwise(times))


def test_it_sends_at_its_gap(sensor):
    """A status without a change comes every 5 s, exactly."""
    times = [time for time, _ in sensor.until(60).of(AMBIENT)]
    assert [round(b - a, 3) for a, b in itertools.pairwise(times)] == [5.0] * (len(times) - 1)
    assert len(times) >= 11


@given(
    now=st.integers(0, 99),
    late=st.integers(-99, 99),
    gap=st.integers(1, 20),
    until=st.integers(0, 200) | st.none(),
)
def test_a_message_is_due_at_the_next_time_of_its_grid(catalogue, now, late, gap, until):
    """The first that is neither past nor in a silence, found by trying one after the other; it is never sooner."""
    timing = NodeTiming(TimingPlan(), 1, "one", lambda: 20.0)
    silence = None if until is None else Silence(until)
    expected = due = now + late
    while expected <= now or (until is not None and expected < until):
        expected += gap
    assert Broadcast(catalogue.by_dgn(AMBIENT), bytes, gap, timing, silence).due_after(now, due, gap) == expected


def test_a_gap_that_the_users_definition_leaves_out_is_five_seconds(alone, catalogue, monkeypatch):
    """With a user's definition without a gap the device sends every 5 s."""
    spec = catalogue.by_name("THERMOSTAT_AMBIENT_STATUS")
    monkeypatch.setitem(catalogue._specs, spec.dgn, replace(spec, gap_us=None))
    times = [time for time, _ in alone("ambient", ambient_sensor=1).until(30).of(AMBIENT)]
    assert [round(b - a, 3) for a, b in pairwise(times)] == [5.0] * (len(times) - 1)
    assert len(times) >= 5


def test_a_kind_needs_its_function(alone):
    """The error for a rig without the function of a kind names the function to add."""
    with pytest.raises(InputError, match=r'device "ambient": .* needs the function ambient_sensor: add'):
        alone("ambient", control_panel=1)
