"""The powered door under commands written by hand; layouts as the tables have them."""

import pytest

LOCK_STATUS, LOCK_COMMAND = 0x1FEE5, 0x19FEE444
IDLE = 0.02


def percent(one):
    """How far it is open."""
    return one.world.motions.percent("entry", one.bench.now)


def test_a_powered_door_opens_closes_and_is_locked_while_it_is_closed(alone):
    """By the published byte; the bits that are unsure are not obeyed."""
    door = alone("lock", vehicle={"motion": [{"name": "entry", "what": "lock", "device": "lock", "amps": 4,
                                              "travel": "3s"}]}, lock=1).until(2)  # fmt: skip
    assert door.last(LOCK_STATUS) == "01 FD FF FF FF FF FF FF"
    door.put(LOCK_COMMAND, "01 00 FF FF FF FF FF FF")
    door.put(LOCK_COMMAND, "02 FF 01 FF FF FF FF FF")
    assert percent(door) == 0
    door.put(LOCK_COMMAND, "01 FF 01 FF FF FF FF FF")
    assert door.last(LOCK_STATUS) == "01 FC FF FF FF FF FF FF"
    assert door.world.battery_amps == pytest.approx(4 + IDLE)
    door.until(6)
    assert percent(door) == 100
    door.put(LOCK_COMMAND, "01 FF 02 FF FF FF FF FF").until(8)
    assert door.last(LOCK_STATUS) == "01 FC FF FF FF FF FF FF"
    door.until(10)
    assert door.last(LOCK_STATUS) == "01 FD FF FF FF FF FF FF"
