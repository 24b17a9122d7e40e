"""The simulated night of a plan, with the real checks."""

import json


def test_the_simulated_night_is_asked_for(rvsim):
    """Its two answers come with the option alone, and agree with the night by hand within their bound."""
    without = json.loads(rvsim("plan", "pebbleford", "--check", "endurance", "--json")[1])
    code, out, _ = rvsim("plan", "pebbleford", "--check", "endurance", "--simulate-night", "--json")
    plain, simulated = ({one["key"]: one for one in told["answers"]} for told in (without, json.loads(out)))
    assert set(simulated) - set(plain) == {"night.simulated_fuel", "night.simulated_ah"}
    assert code == 0
    assert all(simulated[key]["value"] <= 10 for key in set(simulated) - set(plain))
