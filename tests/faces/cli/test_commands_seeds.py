"""A seed is checked alike wherever it is given: one range, the same words."""

import can
import pytest

from rvsim.errors import InputError
from rvsim.faces.cli.options import seed as seed_of_option
from rvsim.rig.quantity import MAX_SEED

NONE = f"is not a seed; write a whole number from 0 to {MAX_SEED}"
COMMANDS = [
    ("bench", "winter_evening", "--speed", "max", "--seconds", "1"),
    ("shakedown", "winter_evening"),
    ("vary", "winter_evening", "lasts=2s"),
    ("vary", "winter_evening", "weather.outdoor_c=-20..10", "--draw", "2"),
]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command[0])
@pytest.mark.parametrize(
    ("given", "said"), [("-1", "-1"), (str(1 << 63), str(1 << 63)), ("x", '"x"'), ("1.0", '"1.0"'), ("+1", '"+1"')]
)
def test_options(command, given, said, rvsim):
    """Of every command that has one; exit code 2, and nothing on stdout."""
    assert rvsim(*command, "--seed", given) == (2, "", f"rvsim: --seed: {said} {NONE}\n")


@pytest.mark.parametrize("seed", [-1, 1 << 63, True, 1.5, "x"])
def test_buses_and_fixtures(seed, rvsim_bench, rvsim_scenario, rvsim_bus):
    """A python-can bus and the fixtures of the pytest plugin."""
    with pytest.raises(can.CanInitializationError, match=NONE):
        can.Bus(interface="rvsim", channel="winter_evening", seed=seed)
    with pytest.raises(can.CanInitializationError, match=NONE):
        rvsim_bus("winter_evening", seed=seed)
    with pytest.raises(InputError, match=NONE):
        rvsim_bench("winter_evening", seed=seed)
    with pytest.raises(InputError, match=NONE):
        rvsim_scenario("winter_evening", seed=seed)


@pytest.mark.parametrize("value", ["-1", str(1 << 63), "1.5", "x", "true"])
def test_values_to_vary(value, rvsim):
    """With the line of the scenario's own."""
    code, out, err = rvsim("vary", "winter_evening", f"seed={value}")
    assert (code, out) == (2, "")
    assert NONE in err


def test_the_limits_are_seeds(rvsim):
    """Lowest and highest, and no run of a row above."""
    assert seed_of_option("0") == 0
    assert seed_of_option(str(MAX_SEED)) == MAX_SEED
    assert seed_of_option(str(MAX_SEED - 4), 5) == MAX_SEED - 4
    assert seed_of_option(None, 5) is None
    with pytest.raises(InputError, match=f"--seed: {MAX_SEED + 1} is not a seed"):
        seed_of_option(str(MAX_SEED - 3), 5)
    assert rvsim("bench", "winter_evening", "--speed", "max", "--seconds", "1", "--seed", str(MAX_SEED))[0] == 0
