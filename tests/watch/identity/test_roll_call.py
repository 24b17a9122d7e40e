"""Tests for who is present, late, silent and asleep. No bus here is regular enough to be judged quiet as a whole."""

import pytest


@pytest.fixture
def heater(bus):
    """A planned heater beside nobody else; both statuses and both heartbeats until the seconds given."""

    def make(*off, device="heater", begin=0.0, seconds=100.0):
        made = bus(device)
        return made.run(
            seconds,
            made.every(5, "FURNACE_STATUS", 0x5E, 0.5, off),
            made.every(5, "WATERHEATER_STATUS", 0x5E, 1.0, off),
            begin=begin,
        )

    return make


def test_a_planned_device_is_present_when_it_is_heard(heater):
    """And nothing else happens as long as it keeps its gaps."""
    made = heater()
    assert made.presence == [(0.5, "heater", "present")]
    assert made.flags == []


def test_a_device_that_stops_is_late_and_then_silent(heater):
    """Each message after 15 s, the device 15 s after its last: then its late flags are folded into one fault."""
    made = heater((20, 60))
    assert made.presence == [
        (0.5, "heater", "present"),
        (30.5, "heater", "late"),
        (31.0, "heater", "silent"),
        (60.5, "heater", "present"),
    ]
    assert made.flags == [
        (30.5, "raised", "late-message", "heater"),
        (31.0, "cleared", "late-message", "heater"),
        (31.0, "raised", "silent-device", "heater"),
        (60.5, "cleared", "silent-device", "heater"),
    ]
    assert made.watch.all_flags[1].evidence[1:] == ("FURNACE_STATUS, instance 1: late since 30.500 s",)
    assert made.watch.flags == ()


def test_a_message_that_would_be_late_just_before_the_silence_is_not_reported_apart(bus):
    """The furnace's gap is 5.001 s, the other 5 s: late at 41.000 s, but the device is silent at 71.003 s."""
    made = bus("heater")
    made.run(
        90,
        made.every(5.001, "FURNACE_STATUS", 0x5E, 0.5, ((60, 100),)),
        made.every(5.0, "WATERHEATER_STATUS", 0x5E, 1.0, ((60, 100),)),
    )
    assert [(time, kind) for time, state, kind, _ in made.flags if state == "raised"] == [
        (pytest.approx(70.514), "late-message"),
        (pytest.approx(71.003), "silent-device"),
    ]


def test_the_ages_of_a_devices_messages_restart_with_its_return(bus):
    """Its second message may take its time after the return, but not for ever."""
    made = bus("heater")
    made.run(
        70,
        made.every(5, "FURNACE_STATUS", 0x5E, 0.5, ((20, 40),)),
        made.every(5, "WATERHEATER_STATUS", 0x5E, 1.0, ((20, 100),)),
    )
    assert made.presence[-2:] == [(40.5, "heater", "present"), (55.5, "heater", "late")]
    assert made.flags[-1] == (55.5, "raised", "late-message", "heater")
    assert made.watch.flags[0].text.startswith("WATERHEATER_STATUS, instance 1: not received")


def test_fifteen_seconds_exactly_are_not_too_long(bus):
    """A deadline has passed for the first moment after it."""
    made = bus("sensor").say(0, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1)
    assert made.until(15).flags == []
    made.say(15, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1)
    assert made.until(30).flags == []
    assert made.until(30.000001).flags == [(30.0, "raised", "silent-device", "sensor")]


def test_a_message_that_comes_back_is_late_no_more(bus):
    """The device is present again when the last of its late messages has come."""
    made = bus("heater")
    made.run(
        80,
        made.every(5, "FURNACE_STATUS", 0x5E, 0.5, ((20, 60),)),
        made.every(5, "WATERHEATER_STATUS", 0x5E, 1.0, ((25, 50),)),
        made.every(5, "FURNACE_COMMAND", 0x44, 0.7),
        made.every(1, "DM_RV", 0x5E, 0.1, dsa=94, operating_status_1=1),
    )
    assert [fact for fact in made.presence if fact[1] == "heater"] == [
        (0.1, "heater", "present"),
        (30.5, "heater", "late"),
        (60.5, "heater", "present"),
    ]
    assert [(time, what, number) for time, what, number, _ in made.flags if number == "late-message"] == [
        (30.5, "raised", "late-message"),
        (36.0, "raised", "late-message"),
        (51.0, "cleared", "late-message"),
        (60.5, "cleared", "late-message"),
    ]


def test_a_message_can_be_late_again(bus):
    """Each time is a flag of its own, and the device is late and present in turn; also after it was silent."""
    made = bus("heater")
    made.run(
        200,
        made.every(1, "DM_RV", 0x5E, 0.1, ((100, 120),), dsa=94, operating_status_1=1),
        made.every(5, "FURNACE_STATUS", 0x5E, 0.5, ((11, 40), (51, 80), (91, 160))),
        made.every(5, "WATERHEATER_STATUS", 0x5E, 0.6, ((91, 180),)),
    )
    assert made.presence == [
        (0.1, "heater", "present"),
        (25.5, "heater", "late"),
        (40.5, "heater", "present"),
        (65.5, "heater", "late"),
        (80.5, "heater", "present"),
        (105.5, "heater", "late"),
        (114.1, "heater", "silent"),
        (120.1, "heater", "present"),
        (135.1, "heater", "late"),
        (180.6, "heater", "present"),
    ]
    assert [(time, what) for time, what, kind, _ in made.flags if kind == "late-message"] == [
        (25.5, "raised"),
        (40.5, "cleared"),
        (65.5, "raised"),
        (80.5, "cleared"),
        (105.5, "raised"),
        (105.6, "raised"),
        (114.1, "cleared"),
        (114.1, "cleared"),
        (135.1, "raised"),
        (135.1, "raised"),
        (160.5, "cleared"),
        (180.6, "cleared"),
    ]


def test_a_message_that_says_something_new_each_time_can_be_late_again(bus):
    """What it says has nothing to do with when it comes."""
    made = bus("sensor")
    temperatures = iter(range(9000, 9100))
    for second in range(90):
        made.heartbeat(second, 0x91, 255)
        if second % 5 == 0 and not 10 < second < 40 and not 60 < second < 80:
            made.say(
                second + 0.5, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1, ambient_temperature=next(temperatures)
            )
    assert made.presence == [
        (0.5, "sensor", "present"),
        (25.5, "sensor", "late"),
        (40.5, "sensor", "present"),
        (75.5, "sensor", "late"),
        (80.5, "sensor", "present"),
    ]


def test_the_heartbeat_of_one_function_can_be_late(bus):
    """While that of the other goes on."""
    made = bus("heater")
    made.run(
        40,
        made.every(5, "DM_RV", 0x5E, 0.0, dsa=94, operating_status_1=1),
        made.every(5, "DM_RV", 0x5E, 1.0, ((11, 99),), dsa=101, operating_status_1=1),
    )
    assert made.flags == [(21.0, "raised", "late-message", "heater")]
    assert made.watch.flags[0].text.startswith("DM_RV of the water heater: not received")


def test_a_second_furnace_1_does_not_speak_for_the_first(bus):
    """Only functions that are shared by design let another speak: this one is late, whoever else says furnace 1."""
    made = bus("heater")
    made.run(
        40,
        made.every(5, "WATERHEATER_STATUS", 0x5E, 0.0),
        made.every(5, "FURNACE_STATUS", 0x5E, 1.0, ((11, 99),)),
        made.every(5, "FURNACE_STATUS", 0x70, 2.0),
    )
    assert ((21.0, "raised", "late-message", "heater")) in made.flags


def test_who_is_not_planned_is_never_late(bus):
    """It stays unplanned, whatever it leaves out."""
    made = bus("sensor")
    made.run(
        40,
        made.every(5, "THERMOSTAT_AMBIENT_STATUS", 0x91, 0.0),
        made.every(5, "FURNACE_STATUS", 0x70, 2.0, ((11, 99),)),
        made.every(5, "WATERHEATER_STATUS", 0x70, 3.0),
    )
    assert {kind for _, _, kind, _ in made.flags} == {"unplanned-device"}
    assert made.presence[-1] == (2.0, "address 70 hex", "unplanned")


def test_who_turned_out_to_be_a_planned_device_is_not_missed_as_somebody_else(bus):
    """What was an address is the device from then on."""
    made = bus("panel").say(0, "FURNACE_COMMAND", 0x44, instance=1)
    made.run(60, made.every(5, "DM_RV", 0x44, 1.0, dsa=68, operating_status_1=1))
    assert made.presence == [(1.0, "panel", "present")]


def test_a_message_that_is_slower_than_it_promises_is_learnt(bus):
    """Status every 16 s instead of 5 s: late until ten of its gaps are known, then not any more."""
    made = bus("heater").run(400, *_beside(bus, ("FURNACE_STATUS", 16.0)))
    late = [(time, what) for time, what, kind, _ in made.flags if kind == "late-message"]
    assert late == [(16.0 * n + 15 + step, what) for n in range(10) for step, what in ((0, "raised"), (1, "cleared"))]


def _beside(bus, *messages):
    made = bus("heater")
    return (
        made.every(1, "DM_RV", 0x5E, 0.0, dsa=94, operating_status_1=1),
        *(made.every(gap, message, 0x5E, 0.0) for message, gap in messages),
    )


def test_a_fast_message_may_stay_away_for_two_seconds(bus):
    """DC source status has a gap of 500 ms: three of them would be 1.5 s, two seconds are the least."""
    made = bus("charger").say(0, "CHARGER_STATUS", 0x4A, charger_instance=1)
    made.say(0, "DC_SOURCE_STATUS_1", 0x4A, instance=1).until(2)
    assert made.flags == []
    assert made.until(2.1).flags == [(2.0, "raised", "late-message", "charger")]


def test_a_slow_device_may_be_silent_for_three_of_its_gaps(bus):
    """Every 20 s for ten gaps, then silence: 60 s and not 15 s."""
    made = bus()
    made.run(300, made.every(20, "FURNACE_STATUS", 0x5E, 0.0, ((201, 300),)))
    assert made.presence[-1] == (260.0, "address 5E hex", "silent")


def test_a_planned_device_that_is_never_heard_is_silent(bus):
    """Once its limit has passed since the start of the watch."""
    made = bus("sensor", start=100).until(115)
    assert (made.presence, made.flags) == ([], [])
    assert [(record.device, record.state, record.source) for record in made.watch.roll_call] == [("sensor", None, None)]
    made.until(116)
    assert made.presence == [(115.0, "sensor", "silent")]
    assert made.flags == [(115.0, "raised", "silent-device", "sensor")]
    assert made.watch.flags[0].text == "not heard since the start, for 16.0 s (limit 15.0 s), due every 5 s"
    assert "ambient sensor 1" in made.watch.flags[0].advice
    made.say(120, "THERMOSTAT_AMBIENT_STATUS", 0x91, instance=1)
    assert made.presence[1:] == [(120.0, "sensor", "present")]
    assert made.flags[1:] == [(120.0, "cleared", "silent-device", "sensor")]


def test_a_device_that_is_planned_to_sleep_falls_asleep(heater, planned):
    """Without a flag, neither for itself nor for its messages, and it wakes as it went."""
    made = heater((20, 60), device=planned("heater", sleeps=True))
    assert made.presence == [
        (0.5, "heater", "present"),
        (31.0, "heater", "asleep"),
        (60.5, "heater", "present"),
    ]
    assert made.flags == []


def test_a_sleeper_that_is_never_heard_is_asleep(bus, planned):
    """It may have slept from the start."""
    made = bus(planned("sensor", sleeps=True)).until(20)
    assert (made.presence, made.flags) == ([(15.0, "sensor", "asleep")], [])


def test_a_sleeper_that_is_awake_has_to_keep_its_gaps(bus, planned):
    """A message stays away while the device goes on speaking: it is late, found with the heartbeat limit."""
    made = bus(planned("heater", sleeps=True))
    made.run(
        60,
        made.every(5, "FURNACE_STATUS", 0x5E, 0.5, ((20, 90),)),
        made.every(5, "WATERHEATER_STATUS", 0x5E, 1.0),
    )
    assert made.flags == [(41.0, "raised", "late-message", "heater")]


def test_without_a_rig_those_who_were_heard_are_missed(bus):
    """By their address, with the functions they spoke for."""
    made = bus().run(40, bus().every(5, "FURNACE_STATUS", 0x5E, 0.0, ((11, 99),)))
    assert made.presence == [(0.0, "address 5E hex", "present"), (25.0, "address 5E hex", "silent")]
    assert made.flags == [(25.0, "raised", "silent-device", "address 5E hex")]
    record = made.watch.roll_call[0]
    assert (record.device, record.planned, record.functions) == ("address 5E hex", False, {"furnace": (1,)})


def test_without_a_rig_who_sends_nothing_periodic_is_not_missed(bus):
    """A service tool asks and is gone; should it begin to send its heartbeat, it can be missed."""
    made = (
        bus().say(0, "REQUEST_FOR_DGN", 0xF9, desired_dgn=0xEE00).say(50, "REQUEST_FOR_DGN", 0xF9, desired_dgn=0xEE00)
    )
    assert made.until(100).presence == [(0.0, "address F9 hex", "present")]
    made.heartbeat(101, 0xF9, 255).until(200)
    assert made.presence[1:] == [(116.0, "address F9 hex", "silent")]


def test_without_a_rig_unknown_messages_show_a_rhythm(bus, catalogue):
    """Ten gaps of one second: the source is missed 15 s after its last frame, wherever its bytes went."""
    made = bus()
    frame = made.frame(0, "DM_RV", 0x02)
    for second in range(12):
        made.observe(frame._replace(time=second * 1_000_000, identifier=0x09F80102, data=bytes([second] * 8)))
    assert made.until(60).presence == [(0.0, "address 02 hex", "present"), (26.0, "address 02 hex", "silent")]
    made.observe(frame._replace(time=70_000_000, identifier=0x09F80102, data=bytes(8)))
    assert made.presence[2:] == [(70.0, "address 02 hex", "present")]


def steady(made, until, gap=1.0, first=0.0):
    """Let an unknown message come from address 02, its bytes ever changing."""
    frame, count = made.frame(0, "DM_RV", 0x02), round((until - first) / gap)
    for n in range(count):
        time = round((first + n * gap) * 1_000_000)
        made.observe(frame._replace(time=time, identifier=0x09F80102, data=n.to_bytes(8, "big")))
    return made


def test_a_message_without_a_definition_that_kept_its_rhythm_for_a_minute_can_be_late(bus):
    """A second apart for 70 s, then no more while the source goes on: late after three seconds, until it comes."""
    made = bus()
    steady(made, 70)
    frame = made.frame(0, "DM_RV", 0x02)
    for second in range(70, 90):
        made.observe(frame._replace(time=second * 1_000_000 + 1, identifier=0x09F81402))
    late = [(time, state) for time, _, state in made.presence]
    assert late == [(0.0, "present"), (72.0, "late")]
    made.observe(frame._replace(time=90_500_000, identifier=0x09F80102))
    assert made.presence[-1][2] == "present"


def test_what_kept_its_rhythm_for_less_than_a_minute_is_not_waited_for(bus):
    """A held button sends for some seconds, and then no more."""
    made = bus()
    steady(made, 58)
    frame = made.frame(0, "DM_RV", 0x02)
    for second in range(58, 80):
        made.observe(frame._replace(time=second * 1_000_000, identifier=0x09F81402))
    assert [state for _, _, state in made.presence] == ["present"]


def test_what_comes_in_fits_and_starts_is_not_waited_for(bus):
    """Sixteen frames in a row, again and again with pauses of many seconds: no rhythm that could be missed."""
    made = bus()
    frame = made.frame(0, "DM_RV", 0x02)
    for quarter in range(1200):
        time = quarter * 250_000
        made.observe(frame._replace(time=time, identifier=0x09F81402))
        if quarter < 800 and quarter % 80 < 16:
            made.observe(frame._replace(time=time + 1, identifier=0x09F80102))
    assert [state for _, _, state in made.presence] == ["present"]


def test_who_yields_a_shared_function_is_not_late(bus):
    """Of several that can speak for a battery, the one of the highest priority does."""
    made = bus("charger", "monitor")
    made.run(
        60,
        made.every(5, "CHARGER_STATUS", 0x4A, 0.0, charger_instance=1),
        made.every(0.5, "DC_SOURCE_STATUS_1", 0x4A, 0.1, ((20, 40),)),
        made.every(0.5, "DC_SOURCE_STATUS_1", 0x46, 20.2, ((50, 60),)),
    )
    assert [fact for fact in made.flags if fact[3] == "charger"] == []
    alone = bus("charger")
    alone.run(
        30,
        alone.every(5, "CHARGER_STATUS", 0x4A, 0.0, charger_instance=1),
        alone.every(0.5, "DC_SOURCE_STATUS_1", 0x4A, 0.1, ((20, 40),)),
        alone.every(0.5, "DC_SOURCE_STATUS_1", 0x46, 20.2, instance=2),
    )
    assert [kind for _, _, kind, who in alone.flags if who == "charger"] == ["late-message"]


def test_who_yielded_and_speaks_again_is_judged_again(bus):
    """When the other is gone and it stops too, nobody speaks for the battery: that is late."""
    made = bus("charger", "monitor")
    made.run(
        70,
        made.every(5, "CHARGER_STATUS", 0x4A, 0.0, charger_instance=1),
        made.every(0.5, "DC_SOURCE_STATUS_1", 0x4A, 0.1, ((20, 40), (50, 90))),
        made.every(0.5, "DC_SOURCE_STATUS_1", 0x46, 20.2, ((40, 90),)),
    )
    late = [(time, what) for time, what, kind, who in made.flags if (kind, who) == ("late-message", "charger")]
    assert [what for _, what in late] == ["raised"]
    assert 51 < late[0][0] < 53


def test_the_roll_call_lists_planned_devices_first(bus):
    """In the rig's order, then all others in the order of hearing, with NAME and time."""
    made = bus("sensor", "heater").claim(1, 0x9C, 77)
    made.say(2, "FURNACE_STATUS", 0x5E, instance=1).heartbeat(3, 0x5E, 101)
    records = made.watch.roll_call
    assert [(r.device, r.planned, r.source, r.state) for r in records] == [
        ("sensor", True, None, None),
        ("heater", True, 0x5E, "present"),
        ("address 9C hex", False, 0x9C, None),
    ]
    assert records[1].functions == {"furnace": (1,), "water_heater": ()}
    assert (records[1].name, records[1].last_heard) == (None, 3_000_000)
    assert (records[2].name.serial_number, records[2].last_heard) == (77, 1_000_000)
    assert records[0].last_heard is None


def test_a_device_that_returned_is_not_replaced_by_a_source_that_starts_later(bus, planned):
    """The silence ended with the return: a second panel with another NAME is unplanned, not a replacement."""
    made = bus(planned("panel", claimed_name=f"{5:016X}")).claim(0, 0x44, 5)
    for second in range(4, 100, 4):
        if not 12 < second < 40:
            made.heartbeat(second, 0x44, 68)
        if second == 52:
            made.claim(second + 1, 0x50, 77)
        if second >= 52:
            made.heartbeat(second + 2, 0x50, 68)
    assert made.flags == [
        (27.0, "raised", "silent-device", "panel"),
        (40.0, "cleared", "silent-device", "panel"),
        (68.0, "raised", "unplanned-device", "address 50 hex"),
    ]
