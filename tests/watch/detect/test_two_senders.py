"""Tests for two units that send from one address."""

import pytest

FURNACE, TANK, AWNING, AMBIENT = "FURNACE_STATUS", "TANK_STATUS", "AWNING_STATUS", "THERMOSTAT_AMBIENT_STATUS"
RAISED, CLEARED = "raised", "cleared"
NO_FAULT = {"operating_status_1": 1, "spn": 0x7FFFF, "fmi": 0x1F, "yellow_lamp_status": 0, "red_lamp_status": 0}


def beat(made, until, source, first, dsa=94, gap=5.0, off=(), **raws):
    """Heartbeats."""
    return made.frames(until, made.every(gap, "DM_RV", source, first, off, dsa=dsa, **{**NO_FAULT, **raws}))


def status(made, until, source, first, message=FURNACE, off=(), **raws):
    """Status every five seconds."""
    return made.frames(until, made.every(5, message, source, first, off, **{"instance": 1, **raws}))


# Twice as often.


@pytest.mark.parametrize("devices", [(), ("heater",)])
@pytest.mark.parametrize("what", [beat, status])
def test_a_message_that_comes_twice_as_often_shows_a_second_sender(bus, heard, of_kind, devices, what):
    """Its gap was steady for more than a minute; from 100 s to 200 s another unit sends the same in between."""
    made = bus()
    frames = [*what(made, 400, 0x5E, 1), *what(made, 200, 0x5E, 102.5, off=((0, 100),))]
    made = heard(frames, 320, *devices)
    who = devices[0] if devices else "address 5E hex"
    facts = of_kind(made, "shared-address")
    assert [one[1:] for one in facts] == [(RAISED, who), (CLEARED, who)]
    assert 125 < facts[0][0] < 160
    assert 200 < facts[1][0] < 290
    flag = next(one for one in made.watch.all_flags if one.kind == "shared-address")
    assert str(flag.severity) == "fault"
    message = "DM_RV of the furnace" if what is beat else "FURNACE_STATUS, instance 1"
    assert flag.text.startswith(
        f"two units seem to send from address 5E hex: {message} comes twice as often as before, "
    )
    assert "every 2.5 s on average instead of 5 s" in flag.text


@pytest.mark.parametrize(("shift", "flags"), [(2.5, 0), (2.95, 0), (3.05, 1), (4.4, 1)])
def test_one_unit_at_twice_the_rate_is_none(bus, heard, of_kind, shift, flags):
    """Its frames lie in the middle, to a tenth of the gap."""
    made = bus()
    frames = [*status(made, 250, 0x5E, 1), *status(made, 250, 0x5E, 101 + shift)]
    assert len(of_kind(heard(frames, 250), "shared-address")) == flags


@pytest.mark.parametrize(("resolution_us", "flags"), [(1_000_000, 0), (100_000, 1)])
def test_coarse_times_make_no_second_sender(bus, heard, of_kind, resolution_us, flags):
    """A message every half second in a log of whole seconds comes in pairs, every second as far as is known.

    With times of a tenth of a second, a second unit from 100 s on is still found.
    """
    made = bus()
    frames = list(made.frames(250, made.every(0.5, "DC_SOURCE_STATUS_1", 0x45, 0.1, (), instance=1)))
    if flags:
        frames += made.frames(250, made.every(0.5, "DC_SOURCE_STATUS_1", 0x45, 100.2, ((0, 100),), instance=1))
    frames = [one._replace(time=one.time // resolution_us * resolution_us) for one in frames]
    assert len(of_kind(heard(frames, 250), "shared-address")) == flags


@pytest.mark.parametrize(("begins", "flags"), [(191.5, 1), (196.5, 0)])
def test_six_of_each_are_needed(bus, heard, of_kind, begins, flags):
    """Up to the check of the address, every 20 s from its first frame: here at 220.5 s."""
    made = bus()
    frames = [*status(made, 221, 0x5E, 0.5), *status(made, 221, 0x5E, begins)]
    assert of_kind(heard(frames, 221), "shared-address") == [(220.5, RAISED, "address 5E hex")] * flags


def test_messages_that_change_do_not_count(bus, heard, of_kind):
    """Messages on change: each of those in between has other data."""
    made = bus()
    extra = [
        made.frame(102.5 + 5 * number, FURNACE, 0x5E, instance=1, heat_output_level=number % 2) for number in range(30)
    ]
    assert of_kind(heard([*status(made, 260, 0x5E, 1), *extra], 260), "shared-address") == []


def test_a_heartbeat_with_a_lamp_on_does_not_count(bus, heard, of_kind):
    """It may come more often than it did."""
    made = bus()
    extra = beat(made, 250, 0x5E, 102.2, yellow_lamp_status=1, spn=100, fmi=1)
    own = [*beat(made, 100, 0x5E, 1), *beat(made, 250, 0x5E, 101, yellow_lamp_status=1, spn=100, fmi=1)]
    assert of_kind(heard([*own, *extra], 250), "shared-address") == []


def test_the_first_minute_after_a_restart_does_not_count(bus, heard, of_kind):
    """It is reported as a restart; frames after that minute count."""
    made = bus()
    claims = [made.frame(at, "ADDRESS_CLAIM", 0x5E, **made.unit(5)) for at in (0, 101.5)]
    frames = [*claims, *status(made, 300, 0x5E, 1), *status(made, 155, 0x5E, 102.2)]
    assert of_kind(heard(frames, 300), "shared-address") == []
    frames = [*claims, *status(made, 300, 0x5E, 1), *status(made, 300, 0x5E, 102.2)]
    assert len(of_kind(heard(frames, 300), "shared-address")) == 1


def test_two_senders_from_the_start_have_no_own_gap(bus, heard, of_kind):
    """A message with uneven gaps has no own gap; nor has one that had no time to keep a gap."""
    made = bus()
    assert of_kind(heard([*status(made, 200, 0x5E, 1), *status(made, 200, 0x5E, 2.2)], 200), "shared-address") == []


def test_addresses_are_judged_each_by_itself(bus, heard, of_kind):
    """Two are reported, and the third is not."""
    made, frames = bus(), []
    for number, source in enumerate((0x5E, 0x70, 0x80)):
        frames += status(made, 250, source, 1 + number / 10, instance=number + 1)
        frames += status(made, 250, source, 102.5, instance=number + 1) if number < 2 else []
    facts = of_kind(heard(frames, 250), "shared-address")
    assert [one[2] for one in facts] == ["address 5E hex", "address 70 hex"]


def test_where_two_names_claim_the_address_that_is_reported_instead(bus, heard, of_kind):
    """One flag, not two."""
    made = bus()
    claims = [made.frame(at, "ADDRESS_CLAIM", 0x5E, **made.unit(serial)) for at, serial in ((0, 5), (100, 6))]
    frames = [*claims, *status(made, 250, 0x5E, 1), *status(made, 250, 0x5E, 102.5)]
    made = heard(frames, 250)
    assert of_kind(made, "shared-address") == [(102.0, RAISED, "address 5E hex")]


# Another function.


@pytest.mark.parametrize("devices", [(), ("heater",)])
@pytest.mark.parametrize(("first", "flags"), [(60.0, 0), (62.0, 1)])
def test_a_function_that_starts_a_minute_later_shows_a_second_sender(bus, heard, of_kind, devices, first, flags):
    """Status and heartbeat of a tank from the address of a heater, which continues."""
    made = bus()
    frames = [
        *status(made, 200, 0x5E, 1),
        *status(made, 200, 0x5E, first, TANK),
        *beat(made, 200, 0x5E, first + 0.5, 72),
    ]
    made = heard(frames, 200, *devices)
    facts = of_kind(made, "shared-address")
    assert len(facts) == flags
    if flags:
        (flag,) = [one for one in made.watch.flags if one.kind == "shared-address"]
        assert flag.text == (
            "two units seem to send from address 5E hex: it now also sends as tank, at first only as furnace"
        )


@pytest.mark.parametrize("leave_out", ["status", "heartbeat", "the first one"])
def test_status_heartbeat_and_the_first_function_are_all_needed(bus, heard, of_kind, leave_out):
    """A device that was exchanged for another at its address is one sender."""
    made = bus()
    frames = status(made, 80 if leave_out == "the first one" else 200, 0x5E, 1)
    frames += status(made, 200, 0x5E, 100, TANK) if leave_out != "status" else []
    frames += beat(made, 200, 0x5E, 100.5, 72) if leave_out != "heartbeat" else []
    assert of_kind(heard(frames, 200), "shared-address") == []


@pytest.mark.parametrize(("second", "dsa"), [("WATERHEATER_STATUS", 101), (AMBIENT, None)])
def test_functions_that_are_often_combined_are_one_device(bus, heard, of_kind, second, dsa):
    """A furnace with a water heater or a sensor, which starts when it is needed."""
    made = bus()
    frames = [*status(made, 200, 0x5E, 1), *status(made, 200, 0x5E, 100, second)]
    frames += beat(made, 200, 0x5E, 100.5, dsa) if dsa else []
    assert of_kind(heard(frames, 200), "shared-address") == []


def test_another_name_at_the_address_starts_again(bus, heard, of_kind):
    """The unit was exchanged: its functions from then on are its own."""
    made = bus()
    claims = [made.frame(at, "ADDRESS_CLAIM", 0x5E, **made.unit(serial)) for at, serial in ((0, 5), (100, 6))]
    frames = [
        *claims,
        *status(made, 80, 0x5E, 1),
        *status(made, 200, 0x5E, 101, TANK),
        *beat(made, 200, 0x5E, 101.5, 72),
    ]
    frames += status(made, 200, 0x5E, 102)
    assert of_kind(heard(frames, 200), "shared-address") == []


# Two trains of values.


def trains(made, count, one, other, first=10.0, message=AMBIENT, field="ambient_temperature", step=1):
    """Two units in turn, each with its own value that moves by a step now and then."""
    values = [(one if number % 2 == 0 else other) + step * (number // 4) for number in range(count)]
    return [
        made.frame(first + 2.5 * number, message, 0x91, instance=1, **{field: value})
        for number, value in enumerate(values)
    ]


@pytest.mark.parametrize("devices", [(), ("sensor",)])
@pytest.mark.parametrize(("count", "flags"), [(11, 0), (12, 1)])
def test_six_values_of_each_in_turn_show_two_senders(bus, heard, of_kind, devices, count, flags):
    """At the twelfth frame."""
    made = heard(trains(bus(), count, 9000, 9200), 60, *devices)
    who = devices[0] if devices else "address 91 hex"
    assert of_kind(made, "shared-address") == [(37.5, RAISED, who)] * flags
    if flags:
        (flag,) = [one for one in made.watch.flags if one.kind == "shared-address"]
        assert (
            "ambient temperature of THERMOSTAT_AMBIENT_STATUS, instance 1 alternates between two series of values, "
            in flag.text
        )
        assert flag.text.endswith("6 times in turn")


@pytest.mark.parametrize(("apart", "flags"), [(11, 0), (12, 1)])
def test_they_differ_by_more_than_ten_steps(bus, heard, of_kind, apart, flags):
    """Of the step of each train, one raw step at least: a value with smaller changes comes from one unit."""
    made = heard(trains(bus(), 12, 9000, 9000 + apart), 60)
    assert len(of_kind(made, "shared-address")) == flags


def test_a_value_that_is_sent_twice_is_not_in_turn(bus, heard, of_kind):
    """A, A, B, A, B does not alternate; nor does a steady change, or one that comes back only now and then."""
    made = bus()
    twice = [frame._replace(time=frame.time + 1000) for frame in trains(made, 40, 9000, 9200)[5::8]]
    assert of_kind(heard([*trains(made, 40, 9000, 9200), *twice], 120), "shared-address") == []
    steady = trains(made, 40, 9000, 9000, step=400)
    assert of_kind(heard(steady, 120), "shared-address") == []


@pytest.mark.parametrize("source", [0xFE, 0xFF])
def test_messages_without_an_address_are_not_judged(bus, heard, of_kind, source):
    """Any number of units can send from the null address."""
    frames = [frame._replace(identifier=frame.identifier & ~0xFF | source) for frame in trains(bus(), 40, 9000, 9200)]
    assert of_kind(heard(frames, 120), "shared-address") == []


def test_quantities_that_can_jump_are_not_judged(bus, heard, of_kind):
    """Currents; nor a field without a value."""
    made = bus()
    amps = [
        made.frame(
            10 + number / 2, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_current=2_000_000_000 + number % 2 * 50_000
        )
        for number in range(40)
    ]
    assert of_kind(heard(amps, 60), "shared-address") == []
    none = trains(made, 40, 9000, 0xFFFF, step=0)
    assert of_kind(heard(none, 120), "shared-address") == []


def test_it_ends_when_the_values_are_one_train_again(bus, heard, of_kind):
    """A minute after the last sign."""
    made = bus()
    frames = trains(made, 12, 9000, 9200)
    frames += made.frames(120, made.every(5, AMBIENT, 0x91, 40.0, instance=1, ambient_temperature=9003))
    assert of_kind(heard(frames, 120), "shared-address") == [
        (37.5, RAISED, "address 91 hex"),
        (100.0, CLEARED, "address 91 hex"),
    ]
