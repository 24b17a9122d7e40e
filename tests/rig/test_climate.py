"""Zones, tanks, people and weather of a rig: what excludes each other, and what is named wrongly."""

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from rvsim.errors import InputError
from rvsim.rig.climate import CabinPlan, GlassPlan, WallPlan, WeatherPlan, ZonePlan
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.rig.weather_table import read_weather_table

RIG = """schema = 1
name = "van"
title = "A van"
[[device]]
name = "sensor"
address = 0x90
"""


def problems(folder: Path, text: str) -> list[str]:
    """Load a rig with this text below its device, and return what is wrong, without the file's name."""
    path = folder / "van.toml"
    path.write_text(RIG + text, encoding="utf-8")
    with pytest.raises(InputError) as refusal:
        load_rig(path)
    return [problem.removeprefix(f"{path}, ") for problem in refusal.value.problems]


def test_a_rig_with_zones_and_tanks(tmp_path: Path) -> None:
    """Everything by name; the vehicle has them beside its cabin and its three tanks."""
    path = tmp_path / "van.toml"
    path.write_text(
        RIG
        + """
[cabin]
walls = [{ area_m2 = 20.0, u_w_per_m2_k = 0.8 }, { area_m2 = 10.0 }]
ribs_m = 25.0
glass = [{ area_m2 = 0.8 }, { area_m2 = 0.4, u_w_per_m2_k = 2.8, g = 0.7, tilt_deg = 0.0 }]
inlet_m2 = 0.04
[[zone]]
name = "garage"
volume_m3 = 3.0
exchange = { cabin = 20 }
exchanger_w_per_k = 30.0
[[zone]]
name = "loft"
exchange = { cabin = 150, garage = 5 }
[people]
count = 3
zone = "loft"
[fuel]
grade = "2"
[fresh_tank]
zone = "outdoors"
[[tank]]
name = "second fresh"
content = "fresh"
zone = "garage"
litres = 30
""",
        encoding="utf-8",
    )
    vehicle = load_rig(path).vehicle
    assert [zone.name for zone in vehicle.zones] == ["garage", "loft"]
    assert vehicle.zones[0].exchange == {"cabin": 20}
    assert (vehicle.people.count, vehicle.people.zone, vehicle.fuel.grade) == (3, "loft", "2")
    assert (vehicle.tanks[0].name, vehicle.tanks[0].zone, vehicle.fresh_tank.zone) == (
        "second fresh",
        "garage",
        "outdoors",
    )
    assert vehicle.cabin.walls_w_per_k == pytest.approx(20 * 0.8 + 10 * 1.2 + 2.5)
    assert vehicle.cabin.glass_w_per_k == pytest.approx(0.8 * 5.4 + 0.4 * 2.8)


def test_all_mistakes_with_their_lines(tmp_path: Path) -> None:
    """Names that do not exist, with the near ones; names taken twice; figures that exclude each other."""
    found = problems(
        tmp_path,
        """[cabin]
walls = [{ area_m2 = 20.0 }]
heat_loss_w_per_k = 30.0
[[zone]]
name = "cabin"
[[zone]]
name = "garage"
exchange = { cabn = 20, garage = 1 }
[[zone]]
name = "outdoors"
[[zone]]
name = "loft"
exchange = { attic = 4 }
""",
    )
    assert found == [
        "line 7, cabin: heat_loss_w_per_k and walls say the same; write one of them",
        'line 11, zone 1 "cabin", name: "cabin" is the table [cabin] already; give it another name',
        'line 14, zone 2 "garage", exchange.cabn: "cabn" is not a zone (did you mean "cabin"?); the zones are '
        "cabin, garage, outdoors, loft",
        'line 14, zone 2 "garage", exchange.garage: a zone exchanges no air with itself; name another zone',
        'line 16, zone 3 "outdoors", name: "outdoors" is the air outside; give the zone another name',
        'line 19, zone 4 "loft", exchange.attic: "attic" is not a zone; the zones are cabin, garage, outdoors, loft',
    ]


def test_places_that_do_not_exist(tmp_path: Path) -> None:
    """Of people and tanks, and a name that a tank has already."""
    found = problems(
        tmp_path,
        """[people]
zone = "garge"
[grey_tank]
zone = "outdoor"
[[zone]]
name = "garage"
[[tank]]
name = "black"
content = "black"
[[tank]]
name = "spare"
content = "fresh"
zone = "roof"
""",
    )
    places = "the zones are cabin, garage, outdoors"
    assert found == [
        'line 8, people.zone: "garge" is not a zone (did you mean "garage"?); the zones are cabin, garage',
        f'line 10, grey_tank.zone: "outdoor" is not a zone (did you mean "outdoors"?); {places}',
        'line 14, tank 1 "black", name: another tank is "black"; give it another name',
        f'line 19, tank 2 "spare", zone: "roof" is not a zone; {places}',
    ]


def test_an_exchange_is_written_once(tmp_path: Path) -> None:
    """By one of its two zones."""
    found = problems(
        tmp_path,
        """[[zone]]
name = "garage"
exchange = { loft = 5 }
[[zone]]
name = "loft"
exchange = { garage = 5 }
""",
    )
    assert found == ['line 12, zone 2 "loft", exchange.garage: "garage" has this exchange already; write it once']


@pytest.mark.parametrize(
    ("figures", "said"),
    [
        ({"ribs_m": 10.0}, "ribs_m counts with walls only"),
        ({"glass": [{"area_m2": 8.0}]}, "the glass alone loses 43.2 W/K, more than heat_loss_w_per_k, 35"),
    ],
)
def test_figures_that_exclude_each_other(figures: dict[str, Any], said: str) -> None:
    """Refused with the reason."""
    with pytest.raises(ValidationError, match=said):
        CabinPlan.model_validate(figures)


@pytest.mark.parametrize(
    ("plan", "given", "field", "low", "high"),
    [
        (WallPlan, {}, "area_m2", 0.001, 200),
        (WallPlan, {"area_m2": 1}, "u_w_per_m2_k", 0.1, 10),
        (GlassPlan, {"area_m2": 1}, "u_w_per_m2_k", 0.5, 7),
        (GlassPlan, {"area_m2": 1}, "g", 0, 1),
        (GlassPlan, {"area_m2": 1}, "tilt_deg", 0, 180),
        (ZonePlan, {"name": "loft"}, "exchanger_w_per_k", 0, 1000),
        (CabinPlan, {}, "air_capacity_percent", 0.1, 90),
        (CabinPlan, {}, "absorptance", 0, 1),
        (CabinPlan, {}, "air_changes_by_wind", 0, 5),
        (CabinPlan, {}, "inlet_m2", 0, 5),
        (CabinPlan, {}, "inside_m2", 1, 500),
        (CabinPlan, {}, "start_humidity_percent", 0, 100),
        (WeatherPlan, {}, "humidity_percent", 0, 100),
        (WeatherPlan, {}, "wind_m_per_s", 0, 60),
        (WeatherPlan, {}, "altitude_m", -430, 6000),
        (WeatherPlan, {}, "latitude_deg", -90, 90),
        (WeatherPlan, {}, "cloud_percent", 0, 100),
        (WeatherPlan, {}, "day_of_year", 1, 365),
    ],
)
def test_bounds(plan: Any, given: dict[str, Any], field: str, low: float, high: float) -> None:
    """Each figure is accepted at its bounds and refused outside them."""
    step = 1 if field == "day_of_year" else 0.01
    for value in (low, high):
        assert getattr(plan.model_validate({**given, field: value}), field) == value
    for value in (low - step, high + step):
        with pytest.raises(ValidationError):
            plan.model_validate({**given, field: value})


# The weather table

GOOD = """# hours since the start
hours,outdoor_c,wind_m_per_s
0, 4.0, 0
0.5, 5.0, 2
1.0, 3.0, 4
"""


def write(folder: Path, text: str) -> Path:
    """Write a table."""
    path = folder / "weather.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_weather_table(tmp_path: Path) -> None:
    """Columns by name, in any order; comments and an empty end do not count."""
    table = read_weather_table(write(tmp_path, GOOD + "\n\n"))
    assert table.step_s == 1800
    assert table.columns == {"outdoor_c": (4.0, 5.0, 3.0), "wind_m_per_s": (0.0, 2.0, 4.0)}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the table is empty; write a row of names, hours,outdoor_c,"),
        ("hours,outdoor\n0,1\n1,1\n", 'line 1: "outdoor" is not a column; the columns are hours, outdoor_c,'),
        ("hours,outdoor_c,outdoor_c\n0,1,1\n1,1,1\n", "line 1: the column outdoor_c is there twice; remove one"),
        ("outdoor_c\n0\n1\n", "line 1: write the column hours and at least one of outdoor_c,"),
        ("hours,outdoor_c\n0,1\n", "line 2: a table needs at least two rows below the names; add rows"),
        (GOOD.replace("0.5, 5.0, 2", "0.5, 5.0"), "line 4: 2 values in a table of 3 columns; write one for each"),
        (GOOD.replace("0.5, 5.0, 2", "0.5, warm, 2"), 'line 4: "warm" in column outdoor_c is not a number; write one'),
        (GOOD.replace("0.5, 5.0, 2", "0.5, 5.0, nan"), "line 4: wind_m_per_s cannot be nan; write 0 to 60"),
        (GOOD.replace("0.5, 5.0, 2", "0.5, 99, 2"), "line 4: outdoor_c cannot be 99; write -60 to 60"),
        (GOOD.replace("0.5, 5.0, 2\n", "\n"), "line 4: a row is missing here; write its 3 values, or remove"),
        (GOOD.replace("0, 4.0", "0.1, 4.0", 1), "line 3: the first row is not at 0 hours; add one with"),
        (GOOD + "0.5, 1, 1\n", "line 6: 0.5 hours are not after the 1 of the row before; correct them"),
        (
            GOOD + "2.0, 1, 1\n",
            "line 6: the row of 1.5 hours is missing before that of 2; the rows are 0.5 h apart, like the first two",
        ),
    ],
)
def test_mistakes_of_a_weather_table(tmp_path: Path, text: str, said: str) -> None:
    """One line, with the file and the line of the row that is missing or wrong."""
    path = write(tmp_path, text)
    with pytest.raises(InputError) as refusal:
        read_weather_table(path)
    (problem,) = refusal.value.problems
    assert problem.startswith(f"{path}")
    assert said in problem


def test_a_table_that_is_not_there(tmp_path: Path) -> None:
    """A file that does not exist, a folder, and one that is not text."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(InputError, match="there is no file"):
            read_weather_table(path)
    path = tmp_path / "weather.csv"
    path.write_bytes(b"hours,outdoor_c\n0,\xff\n")
    with pytest.raises(InputError, match="line 2: this is not UTF-8 text"):
        read_weather_table(path)


def test_the_rig_is_checked_as_a_model_too() -> None:
    """Without a file: the vehicle of a rig made in code."""
    device = {"name": "sensor", "address": 0x90}
    rig = Rig.model_validate({"schema": 1, "name": "a", "title": "a", "device": [device], "zone": [{"name": "loft"}]})
    assert rig.vehicle.zones[0].name == "loft"
