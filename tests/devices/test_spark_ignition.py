"""The sequence of a gas burner that a spark lights, second by second."""

import pytest

from rvsim.devices.spark_ignition import SparkFigures, SparkIgnition, SparkState, micros

FIGURES = SparkFigures(3, micros(7), micros(15), (micros(1), micros(4)))


@pytest.fixture
def burner():
    """Return a burner whose flame takes as long as it may."""
    return SparkIgnition(FIGURES, lambda limit: limit - 1)


def states(burner, seconds, start=0, wanted=True, gas=True):
    """Run it and return its state after each second."""
    found = []
    for second in range(start, start + seconds):
        burner.step(micros(second), is_wanted=wanted, has_gas=gas)
        found.append(burner.state)
    return found


def test_a_healthy_start(burner):
    """It sparks, has its flame within four seconds, and is off at once when nobody wants heat."""
    found = states(burner, 10)
    assert found[:4] == [SparkState.SPARKING] * 4
    assert found[4:] == [SparkState.LIT] * 6
    assert burner.is_valve_open
    assert states(burner, 1, 10, wanted=False) == [SparkState.OFF]
    assert not burner.is_valve_open


def test_three_tries_and_out(burner):
    """Without gas each try lasts 7 s and the next comes 15 s later; after the third it stays locked."""
    found = states(burner, 200, gas=False)
    changes = [second for second in range(1, 200) if found[second] != found[second - 1]]
    assert changes == [7, 22, 29, 44, 51]
    assert found[51:] == [SparkState.LOCKED] * 149
    assert burner.failed_tries == 3
    assert states(burner, 10, 200) == [SparkState.LOCKED] * 10
    assert states(burner, 10, 210, wanted=False) == [SparkState.LOCKED] * 10
    burner.switch_off()
    assert states(burner, 6, 220)[-1] is SparkState.LIT


def test_tries_that_fail(burner):
    """One failing try: the second lights, and the count begins anew."""
    burner.failing_tries = 1
    found = states(burner, 40)
    assert found.index(SparkState.LIT) == 26
    assert burner.failed_tries == 0


def test_a_lost_flame_is_lit_again(burner):
    """Gas that comes back within the try gives a flame again."""
    states(burner, 10)
    assert states(burner, 2, 10, gas=False) == [SparkState.SPARKING] * 2
    assert states(burner, 6, 12)[-1] is SparkState.LIT
