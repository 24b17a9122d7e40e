"""The balance of a simulated vehicle in sentences and in JSON, at the end of a bench."""

import json

import pytest

from rvsim.faces.text.balance_text import amount, amount_of_day, span_words, without_small
from rvsim.wire.frame import SECOND_US
from rvsim.world.balance import Share

MINUTE_US = 60 * SECOND_US


@pytest.fixture
def bench(rvsim):
    """Run a bench in virtual time and return its lines."""

    def go(scenario, *options):
        code, out, err = rvsim("bench", scenario, "--speed", "max", *options)
        assert (code, err) == (0, "")
        return out.splitlines()

    return go


def test_a_bench_ends_with_its_balance(bench):
    """Before the last line, after a minute; who gave is named, and what is left; nothing in a shorter run."""
    lines = bench("winter_evening", "--plain", "--seconds", "90")
    (at,) = [number for number, line in enumerate(lines) if "balance of the last" in line]
    head, cabin, *rest, end = lines[at:]
    assert head == "    90.0 s  balance of the last 1 min, known to the simulation alone, one sample a minute:"
    assert cabin.startswith(
        "             heat of the cabin: taken 0.03 kWh (walls and glass 0.02, fans 0.01); 0.02 kWh"
    )
    assert cabin.endswith(" out of the air and lining; air 14.9 °C, before 15.0 °C")
    assert [line.strip().partition(":")[0] for line in rest] == [
        "heat of the coolant", "heat of the hot water", "fuel", "power of the house battery", "power of the mains",
        "fresh tank", "grey tank", "black tank",
    ]  # fmt: skip
    assert end.startswith("    90.0 s  end: ")
    assert any(line.endswith("amps of shore 4.0 A of 30.0 A") for line in rest)
    us = bench("winter_evening", "--plain", "--seconds", "90", "--units", "us")
    assert us[at + 1].endswith("; air 58.8 °F, before 59.0 °F")
    assert not any("balance" in line for line in bench("winter_evening", "--plain", "--seconds", "20"))


def test_the_balance_in_json(bench):
    """One line, the last but for causes: amounts by who, what is left, the stock with its ends and that of before."""
    found = json.loads(bench("winter_evening", "--json", "--seconds", "90")[-1])
    assert (found["t"], found["type"], found["hours"]) == (90.0, "balance", 0.025)
    accounts = {account["what"]: account for account in found["accounts"]}
    cabin = accounts["heat of the cabin"]
    assert cabin["unit"] == "kWh"
    assert cabin["left"] == pytest.approx(sum(cabin["given"].values()) - sum(cabin["taken"].values()), abs=1e-3)
    assert cabin["stock"] == {
        "title": "air", "value": cabin["stock"]["value"], "unit": "degC", "low": -30.0, "high": 50.0, "before": 15.0,
    }  # fmt: skip
    assert accounts["power of the mains"]["given"].keys() == {"shore"}
    assert accounts["fuel"]["unit"] == "L"
    lines = bench("winter_evening", "--json", "--seconds", "20")
    assert not any(json.loads(line)["type"] == "balance" for line in lines)


def test_figures_and_spans():
    """Decimals by unit, halves to even, never -0; small parts are added up where they are several."""
    assert [amount(value, "W").text for value in (-0.4, 2.4)] == ["0 W", "2 W"]
    assert (amount(-0.04, "degC").text, amount(47.66, "L").text) == ("0.0 °C", "47.7 L")
    assert (amount_of_day(0.333, "L").text, amount_of_day(0.1, "kWh", names_unit=False).text) == ("0.33 L", "0.10")
    assert [span_words(minutes * MINUTE_US) for minutes in (1, 60, 61, 1440)] == ["1 min", "1 h", "1 h 1 min", "24 h"]
    large, small, one, gone = Share("a", 500.0, 1.0), Share("b", 5.0, 0.01), Share("c", 1.0, 0.0), Share("d", 0.0, 0.0)
    assert without_small((large, small, one)) == (large, Share("2 others", 6.0, 0.01))
    assert without_small((large, small)) == (large, small)
    assert without_small((large, gone)) == (large,)
    assert without_small((large, gone, gone)) == (large,)
    assert without_small((gone, gone)) == without_small(()) == ()
    new = Share("new", 400.0, 0.0)
    assert without_small((large, new, small, one)) == (large, new, Share("2 others", 6.0, 0.01))
