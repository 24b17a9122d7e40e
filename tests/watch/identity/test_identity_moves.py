"""Tests for devices that move, come back, take over from one another or share an address."""

from rvsim.wire.frame import Frame

FURNACE, DSA_FURNACE = "FURNACE_STATUS", 94


def test_a_device_that_moved_while_it_was_silent_is_found_again(bus):
    """Its function and instance are heard from another address; its old topics are given up."""
    made = bus("heater").say(0, FURNACE, 0x5E, instance=1, heat_output_level=100)
    made.say(5, FURNACE, 0x5E, instance=1).until(30).say(31, FURNACE, 0x70, instance=1)
    assert made.presence == [
        (0.0, "heater", "present"),
        (20.0, "heater", "silent"),
        (31.0, "heater", "present"),
    ]
    assert [(what, kind) for _, what, kind, _ in made.flags] == [
        ("raised", "no-data"),
        ("raised", "silent-device"),
        ("cleared", "no-data"),
        ("cleared", "silent-device"),
        ("raised", "replaced-device"),
    ]
    assert made.who == {"heater": 0x70}
    made.say(32, FURNACE, 0x5E, instance=1).say(36, FURNACE, 0x70, instance=1)
    assert made.flags[-1] == (36.0, "raised", "shared-instance", "address 5E hex")


def test_a_device_that_takes_another_address_under_its_name_has_moved(bus):
    """The same NAME, and nothing more from the old address: no second device."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1)
    made.claim(2, 0x70, 5).say(3, FURNACE, 0x70, instance=1)
    assert made.flags == []
    assert (made.who, made.others) == ({"heater": 0x70}, {})
    assert made.presence == [(1.0, "heater", "present"), (3.0, "heater", "present")]
    made.run(40, made.every(5, FURNACE, 0x70, 8.0))
    assert made.flags == []


def test_what_stood_open_at_the_old_address_ends_with_the_move(bus):
    """Late messages, strange functions, unknown topics; the same at the new address is told again."""
    made = bus("heater").claim(0, 0x5E, 5).say(0, "WATERHEATER_STATUS", 0x5E, instance=1)
    made.observe(Frame(0, 0x09F8015E, bytes(8)))
    made.run(19, made.every(5, FURNACE, 0x5E, 1.0)).say(19, FURNACE, 0x5E, instance=2)
    assert [kind for _, _, kind, _ in made.flags] == ["unknown-message", "late-message", "unplanned-device"]
    made.forget().claim(20, 0x70, 5).say(21, FURNACE, 0x70, instance=1)
    assert [(time, what, kind) for time, what, kind, _ in made.flags] == [
        (21.0, "cleared", "unplanned-device"),
        (21.0, "cleared", "late-message"),
    ]
    made.forget().say(22, FURNACE, 0x70, instance=2)
    assert [(what, kind) for _, what, kind, _ in made.flags] == [("raised", "unplanned-device")]
    made.forget().run(
        90,
        made.every(5, "WATERHEATER_STATUS", 0x70, 23.0, ((30, 60),)),
        made.every(5, FURNACE, 0x70, 24.0),
        made.every(5, FURNACE, 0x70, 25.0, instance=2),
    )
    assert [fact[2] for fact in made.presence] == ["late", "present"]


def test_two_devices_with_one_name_are_two(bus):
    """The old address goes on speaking: it did not move. Under one NAME it has two seconds for frames that wait."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1)
    made.claim(2, 0x70, 5).say(2.5, FURNACE, 0x5E, instance=1).say(3, FURNACE, 0x70, instance=1)
    made.say(5.5, FURNACE, 0x5E, instance=1).until(7)
    assert made.flags == [
        (5.5, "raised", "shared-instance", "address 70 hex"),
        (6.0, "raised", "shared-name", "address 70 hex"),
    ]
    other = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1)
    other.claim(2, 0x70, 6).say(3, FURNACE, 0x70, instance=1).say(4, FURNACE, 0x5E, instance=1).until(7)
    assert [kind for _, _, kind, _ in other.flags] == ["shared-instance"]


def test_a_second_device_takes_over_when_the_first_is_silent(bus):
    """They shared furnace 1 as long as both spoke; then the second one is told in place of the silence."""
    made = bus("heater")
    made.run(
        40,
        made.every(5, FURNACE, 0x5E, 0.0, ((11, 99),)),
        made.every(5, FURNACE, 0x70, 2.0),
    )
    assert made.flags == [
        (5.0, "raised", "shared-instance", "address 70 hex"),
        (25.0, "raised", "replaced-device", "heater"),
        (25.0, "cleared", "shared-instance", "address 70 hex"),
    ]
    assert made.who == {"heater": 0x70}


def test_a_planned_device_speaking_as_another_is_told_until_that_one_is_silent(bus):
    """The heater at 5F says furnace 1 too; when the first is gone, it is taken for both."""
    made = bus("heater", "heater 2")
    made.run(
        40,
        made.every(5, FURNACE, 0x5E, 0.0, ((11, 99),)),
        made.every(5, FURNACE, 0x5F, 1.0, instance=2),
        made.every(5, FURNACE, 0x5F, 2.0, instance=1),
    )
    assert made.flags == [
        (5.0, "raised", "shared-instance", "heater 2"),
        (25.0, "raised", "replaced-device", "heater"),
        (25.0, "cleared", "shared-instance", "heater 2"),
    ]
    assert made.who == {"heater": 0x5F, "heater 2": 0x5F}
    made.forget().run(80, made.every(5, FURNACE, 0x5F, 42.0, instance=1))
    assert [(device, state) for _, device, state in made.presence] == [("heater 2", "silent")]


def test_another_name_at_an_address_is_another_node(bus):
    """What the one before said of its instance does not count against it."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=2).heartbeat(2, 0x5E, DSA_FURNACE)
    assert made.who == {"heater": None}
    assert made.claim(3, 0x5E, 6).heartbeat(4, 0x5E, DSA_FURNACE).who == {"heater": 0x5E}


def test_another_name_at_one_address_says_nothing_of_the_others(bus):
    """The heater that is silent elsewhere is still back with anything it had said."""
    made = bus("heater", "roof fan").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1)
    made.say(1, "FURNACE_COMMAND", 0x5E, instance=1)
    made.claim(2, 0x90, 7).say(3, "ROOF_FAN_STATUS_1", 0x90, instance=1).until(30)
    made.claim(31, 0x90, 8).say(32, "FURNACE_COMMAND", 0x5E, instance=1)
    assert [(record.device, record.state) for record in made.watch.roll_call] == [
        ("heater", "present"),
        ("roof fan", "silent"),
        ("address 90 hex", None),
    ]


def test_a_device_that_is_back_with_its_heartbeat_is_as_sure_as_before(bus):
    """Its status had told who it is; nobody else takes its place."""
    made = bus("heater").say(0, FURNACE, 0x5E, instance=1).heartbeat(1, 0x5E, DSA_FURNACE).until(20)
    made.heartbeat(21, 0x5E, DSA_FURNACE).say(22, FURNACE, 0x70, instance=1)
    assert made.who == {"heater": 0x5E}
    made.say(23, FURNACE, 0x5E, instance=1).say(27, FURNACE, 0x70, instance=1)
    assert made.flags[-1] == (27.0, "raised", "shared-instance", "address 70 hex")


def test_the_first_name_of_a_silent_device_says_nothing_against_it(bus):
    """It may have claimed its address before anybody listened."""
    made = bus("heater").say(0, FURNACE, 0x5E, instance=1).say(0, "FURNACE_COMMAND", 0x5E, instance=1).until(20)
    made.claim(21, 0x5E, 5).say(22, "FURNACE_COMMAND", 0x5E, instance=1)
    assert made.watch.roll_call[0].state == "present"
    assert made.others == {}


def test_another_node_at_a_silent_devices_address_is_not_the_device(bus):
    """Its NAME is another one, so what it says from there counts for an unknown source."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1)
    made.say(1, "FURNACE_COMMAND", 0x5E, instance=1).until(30)
    made.claim(31, 0x5E, 6).say(32, "FURNACE_COMMAND", 0x5E, instance=1)
    assert made.others == {"address 5E hex": None}
    assert made.watch.roll_call[0].state == "silent"
    assert made.say(33, FURNACE, 0x5E, instance=1).watch.roll_call[0].state == "present"
    assert made.others == {}


def test_a_silent_device_is_back_with_anything_it_had_said_before(bus):
    """Its claim under the same NAME, a command of its own; something new from its address waits for a sign."""
    for back in ("claim", "command"):
        made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1)
        made.say(1, "FURNACE_COMMAND", 0x5E, instance=1).until(30)
        made.say(30.5, "REQUEST_FOR_DGN", 0x5E, desired_dgn=0xEE00)
        assert made.watch.roll_call[0].state == "silent"
        assert made.others == {"address 5E hex": None}
        if back == "claim":
            made.claim(31, 0x5E, 5)
        else:
            made.say(31, "FURNACE_COMMAND", 0x5E, instance=1)
        assert made.watch.roll_call[0].state == "present"
        assert made.others == {}


def test_a_claim_under_another_name_does_not_unseat_who_is_present(bus):
    """Two may contest an address; who holds it goes on speaking."""
    made = bus("heater").claim(0, 0x5E, 5).say(1, FURNACE, 0x5E, instance=1).claim(2, 0x5E, 6)
    assert (made.who, made.others) == ({"heater": 0x5E}, {})
    assert made.watch.roll_call[0].name.serial_number == 6


def test_when_one_of_two_devices_at_an_address_leaves_the_other_still_speaks_there(bus):
    """What says nothing of its sender is counted to who is there, not to an unknown source."""
    made = bus("heater", "roof fan").say(0, FURNACE, 0x5E, instance=1).say(1, "ROOF_FAN_STATUS_1", 0x5E, instance=1)
    made.claim(2, 0x70, 5)
    for second in range(5, 21, 5):
        made.say(second, "ROOF_FAN_STATUS_1", 0x5E, instance=1)
    assert made.watch.roll_call[0].state == "silent"
    made.say(21, "REQUEST_FOR_DGN", 0x5E, desired_dgn=0xEE00)
    assert made.others == {"address 70 hex": "silent"}
    assert made.readings[-1][0] == "roof fan"
