"""The shipped scenarios pass a right thermostat and find three wrong ones, each by what is said of its mistake."""

import importlib.util
from pathlib import Path

import pytest

from rvsim.faces.interface import SimulatedBus
from rvsim.shakedown.verdict import as_text

_spec = importlib.util.spec_from_file_location("wrong", Path(__file__).parent / "wrong.py")
wrong = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(wrong)

OFTEN = "the furnace does not start and stop too often"
ASKED = "the commands do not start and stop it too often, even where it does not follow"
OWN = "the controller uses its own address"
NO_OTHERS = "the controller claims no address of another device"
KEEPS = "the heater keeps its address"


@pytest.fixture
def tried():
    """Let a thermostat be the control panel of a shipped scenario, or of a part of it, and return the verdict."""

    def go(scenario, kind, *given, seconds=None, values=None):
        with SimulatedBus(scenario, except_devices="control panel", values=values) as bus:
            kind(bus, *given).run(seconds or bus.session.prepared.loaded.scenario.lasts / 1e6)
            return bus.verdict()

    return go


def failed(verdict):
    """What was not met, by the words of the scenario; what was not judged is not counted."""
    return [outcome.expected.partition(":")[0] for outcome in verdict.failed if outcome.judged]


ALL_JUDGED = {"lasts": "41min"}
"""A minute of the last expectation's part of `warm_cabin`, in which all is as before."""


@pytest.mark.parametrize(("scenario", "values"), [("warm_cabin", ALL_JUDGED), ("silent_sensor", {})])
def test_a_right_one_passes(scenario, values, tried):
    """It asks for as much heat as is missing, and for none when it hears no sensor."""
    verdict = tried(scenario, wrong.Right, values=values)
    assert verdict.passed, "\n".join(as_text(verdict))


def test_so_does_one_with_a_dead_band(tried):
    """It switches the furnace on and off, but seldom: switching as such is no mistake."""
    verdict = tried("warm_cabin", wrong.Banded, values=ALL_JUDGED)
    assert verdict.passed, "\n".join(as_text(verdict))


def test_one_that_short_cycles_is_found(tried):
    """Everything else is as it should be: the cabin is warm, and not too warm."""
    verdict = tried("warm_cabin", wrong.ShortCycling, values=ALL_JUDGED)
    assert all(outcome.judged for outcome in verdict.outcomes)
    assert failed(verdict) == [OFTEN, ASKED]
    assert verdict.failed[0].found.startswith(("absent for ", "lasted "))


def test_one_that_talks_from_an_occupied_address_is_found(tried):
    """It claims none, so nothing else on the bus tells."""
    verdict = tried("warm_cabin", wrong.FromAnothersAddress, values=ALL_JUDGED)
    assert all(outcome.judged for outcome in verdict.outcomes)
    assert failed(verdict) == [OWN]
    assert verdict.failed[0].found.endswith("its address is held by heater")


def test_the_holder_of_an_address_is_named(tried):
    """Another device's, of which two minutes tell as much."""
    verdict = tried("warm_cabin", wrong.FromTheChargersAddress, seconds=120)
    (found,) = (outcome.found for outcome in verdict.failed if outcome.expected.startswith(OWN))
    assert found.endswith("its address is held by charger")


def test_one_that_does_not_yield_is_found(tried):
    """It claims the heater's address, loses, and goes on to talk from it."""
    assert {OWN, NO_OTHERS} <= set(failed(tried("warm_cabin", wrong.NeverYields, seconds=120)))


def test_one_that_puts_the_heater_out_of_its_address_is_found(tried):
    """By the rules of claiming it wins; the heater is gone from the bus all the same."""
    assert KEEPS in failed(tried("warm_cabin", wrong.TakesAnothers, seconds=120))


def test_one_that_ignores_a_silent_sensor_is_found(tried):
    """It goes on heating by the last reading; with all sensors heard nobody notices."""
    mistake = wrong.Mistake.KEEPS_OLD_READINGS
    assert tried("warm_cabin", wrong.Right, mistake, values=ALL_JUDGED).passed
    verdict = tried("silent_sensor", wrong.Right, mistake)
    assert failed(verdict)[:2] == ["no heat is given half a minute after its last reading", "no heat is commanded then"]
