"""Recorded logs, and rigs learnt from logs."""

import os
import random
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from rvsim.devices.registry import settings_models
from rvsim.logs import column_watch
from rvsim.logs.blocks import to_blocks
from rvsim.logs.draft.rig_draft import learn_rig
from rvsim.logs.read import open_log
from rvsim.logs.survey import Surveyor
from rvsim.rig.field_names import check_fields
from rvsim.rig.load import load_rig
from rvsim.rig.model import Rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.watch.watch import Watch
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import is_addressed

SEEDED_S = int(os.environ.get("RVSIM_SEEDED_SECONDS", "240"))
"""The length of the logs into which faults are seeded; 3600 gives the tables for logs of an hour."""
HOUR_S = 3600
MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"


@pytest.fixture
def small_blocks(monkeypatch):
    """Have blocks of any size observed in columns, which is slower for small ones and finds the same."""
    monkeypatch.setattr(column_watch, "MIN_BLOCK_FRAMES", 0)
    monkeypatch.setattr(column_watch, "MIN_FRAMES_PER_TOPIC", 0)


class HandMadeLog:
    """Frames of a log that is made by hand, by seconds and message name."""

    def __init__(self, catalogue):
        self.catalogue = catalogue
        self.frames = []

    def say(self, seconds, message, source, length=8, behind=b"", **raws):
        """Add a frame, with bytes behind those of its message."""
        spec = self.catalogue.by_name(message)
        identifier = spec.identifier(source, 0xFF if is_addressed(spec.dgn) else None)
        self.frames.append(Frame(round(seconds * SECOND_US), identifier, (spec.pack(**raws) + behind)[:length]))

    def claim(self, seconds, source, name="8000000000000001"):
        """Add an address claim."""
        data = int(name, 16).to_bytes(8, "little")
        self.frames.append(Frame(round(seconds * SECOND_US), 0x18EEFF00 | source, data))

    def keep_busy(self, until):
        """Add a device that sends twice a second, with values that change."""
        for step in range(2 * until):
            self.say(step / 2, "DC_SOURCE_STATUS_2", 0x22, instance=9, state_of_charge=100 + step % 7)


@pytest.fixture(scope="session")
def hand_made(catalogue):
    """Return what begins a log that is made by hand."""
    return lambda: HandMadeLog(catalogue)


@pytest.fixture(scope="session")
def survey_both():
    """Survey frames one by one and in blocks of some sizes, which must find the same.

    Returns what is found, and the frames that were examined in the blocks of the first size.
    """

    def survey(log, rig=None, sizes=(65_536, 100)):
        frames = sorted(log.frames, key=lambda frame: frame.time)
        by_frame = Surveyor(log.catalogue, rig, frame_by_frame=True)
        for frame in frames:
            by_frame.observe(frame)
        expected, examined, take_in = by_frame.finish(), [], Watch.take_in
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(column_watch, "MIN_BLOCK_FRAMES", 0)
            patch.setattr(column_watch, "MIN_FRAMES_PER_TOPIC", 0)
            for size in sizes:
                if size == sizes[0]:
                    patch.setattr(Watch, "take_in", lambda watch, one: examined.append(one) or take_in(watch, one))
                in_columns = Surveyor(log.catalogue, rig)
                for _, block in to_blocks((("", frame) for frame in frames), size):
                    in_columns.observe_block(block)
                found = in_columns.finish()
                patch.setattr(Watch, "take_in", take_in)
                assert found.flags == expected.flags
                assert (found.causes, found.sources) == (expected.causes, expected.sources)
                assert found.presence == expected.presence
        return expected, examined

    return survey


class Kept:
    """A sink that keeps frames."""

    def __init__(self):
        self.frames = []

    def frame(self, frame):
        """Keep it."""
        self.frames.append(frame)

    def events(self, events):
        """Not asked."""

    def end(self, time, watch):
        """Not asked."""

    def flush(self):
        """Nothing waits."""


@pytest.fixture
def shown(capsys):
    """Print a table into the output of the tests, captured or not."""

    def show(text: str) -> None:
        with capsys.disabled():
            print(text)

    return show


@pytest.fixture(scope="session")
def kept():
    """Return the sink that keeps frames, to be made for a run."""
    return Kept


@pytest.fixture(scope="session")
def record(catalogue):
    """Run a shipped scenario: ``record("winter_evening", 240, seed=2)``; (frames, the run's watch)."""

    @cache
    def run_once(scenario, seconds, seed):
        kept = Kept()
        run = VirtualBenchRun(load_scenario(scenario, kinds=settings_models()), catalogue, kept, seed=seed)
        run.until(seconds * SECOND_US)
        return tuple(kept.frames), run.watch

    def go(scenario, seconds=120, seed=1):
        frames, watch = run_once(scenario, seconds, seed)
        return list(frames), watch

    return go


@pytest.fixture(scope="session")
def healthy(record):
    """Return the frames of a healthy evening into which faults are seeded."""
    return tuple(record("winter_evening", SEEDED_S)[0])


@pytest.fixture(scope="session")
def chosen():
    """Return the seeds to be tried: all in logs of an hour, else by chance a third with the rig, a sixth without.

    Always among them, of each kind that must be told and of each of which nothing may be told: the first two with the
    rig, the first one without.
    """

    def choose(seeds, rig):
        chance, times = random.Random(1), Counter()
        for seed in seeds:
            family = seed.kind, seed.subjects == {"nobody"}
            times[family] += 1
            by_chance = chance.random() < (1 / 3 if rig is not None else 1 / 6)
            if SEEDED_S == HOUR_S or by_chance or times[family] <= (2 if rig is not None else 1):
                yield seed

    return choose


_ENERGY_DEVICES: list[dict[str, Any]] = [
    {"name": "monitor", "address": 0x46, "functions": {"dc_source": 1}},
    {"name": "charger", "address": 0x4A, "functions": {"charger": 1}, "amps": {"charger": [0, 30]},
     "branch": "galley"},
    {"name": "heater", "address": 0x5E, "functions": {"furnace": 1, "water_heater": 1}, "amps": {"furnace": [0, 6]},
     "branch": "galley"},
    {"name": "inverter", "address": 0x42, "functions": {"inverter": 1}},
    {"name": "tank", "address": 0x48, "functions": {"tank": 0}},
    {"name": "bay sensor", "address": 0x94, "functions": {"ambient_sensor": 4}, "zone": "bay"},
    {"name": "outdoor sensor", "address": 0x95, "functions": {"ambient_sensor": 5}, "zone": "outdoors"},
    *({"name": f"sensor {one}", "address": 0x90 + one, "functions": {"ambient_sensor": one}, "zone": "cabin"}
      for one in (1, 2, 3)),
]  # fmt: skip
ENERGY_RIG: dict[str, Any] = {
    "schema": 1,
    "name": "energy",
    "title": "A rig for voltages, temperatures and charge",
    "battery": {"chemistry": "lfp"},
    "branch": [{"name": "galley", "wire": {"milliohm": 20.0}}],
    "zone": [{"name": "bay"}],
    "fresh_tank": {"zone": "bay"},
    "fuel": {"grade": "B"},
    "device": _ENERGY_DEVICES,
}  # fmt: skip
"""A rig of which every voltage, temperature and charge of `energy_log` is judged."""


@pytest.fixture(scope="session")
def energy_log(catalogue):
    """Return frames in which voltages, temperatures, levels and charge wander through all of their limits."""

    def build(seed, seconds=1500):
        chance, frames = random.Random(seed), []
        state = {"volts": 12.0, "amps": 3.0, "cell": 2.0, "charge": 100.0, "water": 4.0, "level": 3.0, "own": 11.5}
        limits = {"volts": (8, 15), "amps": (-12, 12), "cell": (-6, 6), "charge": (0, 200), "water": (-5, 8),
                  "level": (0, 6), "own": (9, 13)}  # fmt: skip
        state |= {f"place {number}": 3.0 for number in range(1, 6)}
        limits |= {f"place {number}": (-12, 40) for number in range(1, 6)}
        steps = dict.fromkeys(state, 0.0)

        def say(second, message, source, **raws):
            spec = catalogue.by_name(message)
            frames.append(Frame(round(second * SECOND_US), spec.identifier(source), spec.pack(**raws)))

        for second in range(seconds):
            for name in state:
                low, high = limits[name]
                if second % 40 == 0:  # it drifts one way, or rests
                    steps[name] = chance.choice((0, 1, -1, 3, -3)) * (high - low) / 300
                state[name] = min(high, max(low, state[name] + steps[name]))
            raw_c = {name: round((value + 273) * 32) for name, value in state.items()}
            if second % 97 < 90:
                volts, amps = round(state["volts"] * 20), round(state["amps"] * 1000) + 2_000_000_000
                say(
                    second,
                    "DC_SOURCE_STATUS_1",
                    0x46,
                    instance=1,
                    device_priority=120,
                    dc_voltage=volts,
                    dc_current=amps,
                )
            say(second + 0.1, "DC_SOURCE_STATUS_2", 0x46, instance=1, source_temperature=raw_c["cell"],
                state_of_charge=round(state["charge"] / 2))  # fmt: skip
            if second % 50 == 7:
                say(second + 0.15, "DC_SOURCE_STATUS_4", 0x46, instance=1, battery_type=chance.choice((3, 3, 3, 2)))
            say(second + 0.2, "CHARGER_STATUS_2", 0x4A, charger_instance=1, dc_source_instance=1,
                charging_voltage=round(state["volts"] * 20 + 4 * state["cell"]), charging_current=32_200)  # fmt: skip
            say(second + 0.3, "INVERTER_DC_STATUS", 0x42, instance=1, dc_voltage=round(state["own"] * 20))
            if second % 5 == 0:
                say(second + 0.4, "TANK_STATUS", 0x48, instance=0, relative_level=int(state["level"]), resolution=100)
                say(second + 0.5, "WATERHEATER_STATUS", 0x5E, instance=1, water_temperature=raw_c["water"])
                for number in range(1, 6):
                    say(second + 0.5 + number / 20, "THERMOSTAT_AMBIENT_STATUS", 0x90 + number, instance=number,
                        ambient_temperature=raw_c[f"place {number}"])  # fmt: skip
        return frames

    return build


@pytest.fixture(scope="session")
def energy_rig():
    """Return the rig of `energy_log`."""
    return Rig.model_validate(ENERGY_RIG)


DRIVEN_RIG = ENERGY_RIG | {
    "battery": {"capacity_ah": 60.0},
    "device": [
        *_ENERGY_DEVICES[:5],
        {"name": "pump", "address": 0x49, "functions": {"water_pump": 1}},
        *({"name": f"sensor {one}", "address": 0x90 + one, "functions": {"ambient_sensor": one}, "zone": place}
          for one, place in enumerate(("cabin", "cabin", "bay", "outdoors"), 1)),
    ],
}  # fmt: skip


@pytest.fixture(scope="session")
def driven_rig():
    """Return the rig of `driven_log`."""
    return Rig.model_validate(DRIVEN_RIG)


@pytest.fixture(scope="session")
def driven_log(catalogue):
    """Return frames in which something moves values that follow, rest, or rest for some time."""

    def build(seed, hours=1):
        chance, frames = random.Random(seed), []
        choices = {
            "amps": (-90, -45, 0, 12, 25, 45, 90), "runs": (0, 1, 1), "hookup": (0, 0, 0, 1), "demand": (0, 1, 1, 1),
            "burner": (0, 1, 1, 1), "heat": (0, 192, 200, 200), "outdoors": (-2, 2),
            **dict.fromkeys(("volts", "charge", "level", "water", "place 1", "place 2", "place 3"), (0, 0, 0, 1, -1)),
        }  # fmt: skip
        state, until = dict.fromkeys(choices, 0), dict.fromkeys(choices, 0)
        values = {"volts": 256, "charge": 120, "level": 60, "water": 10000, "place 1": 9300, "place 2": 9350,
                  "place 3": 9000, "outdoors": 8700}  # fmt: skip
        often = chance.choice((0.05, 0.2))

        def say(second, message, source, **raws):
            spec = catalogue.by_name(message)
            frames.append(Frame(round(second * SECOND_US), spec.identifier(source), spec.pack(**raws)))

        for second in range(0, round(hours * HOUR_S), 14):
            for name, some in choices.items():
                if second >= until[name]:
                    until[name] = second + chance.choice((60, 1200, 3600))
                    state[name] = chance.choice(some)
            for name in values:
                if chance.random() < often:
                    values[name] += round(state[name] * chance.choice((1, 1, 30)))
            for name, (low, high) in {"volts": (210, 300), "level": (2, 100), "charge": (6, 200),
                                      "water": (9000, 10_600)}.items():  # fmt: skip
                values[name] = max(low, min(high, values[name]))
            current = 2_000_000_000 + round(1000 * (state["amps"] + chance.random()))
            late = chance.random() < 0.002
            if not late:
                say(second, "DC_SOURCE_STATUS_1", 0x46, instance=1, dc_voltage=values["volts"], dc_current=current)
            for line in (0, 1):
                if not line or state["hookup"] == 0:
                    say(second + 0.4 + line / 2, "CHARGER_AC_STATUS_1", 0x4A, instance=1, ac_line=line, input_output=0)
            say(second + 1.3, "DC_SOURCE_STATUS_2", 0x46, instance=1, state_of_charge=values["charge"])
            say(second + 2.6, "TANK_STATUS", 0x48, instance=0, relative_level=values["level"], resolution=100,
                tank_size=70)  # fmt: skip
            say(second + 3.9, "WATER_PUMP_STATUS", 0x49, operating_status=1, pump_status=state["runs"],
                water_hookup_detected=state["hookup"])  # fmt: skip
            say(second + 5.2, "WATERHEATER_STATUS", 0x5E, instance=1, operating_mode=1, set_point_temperature=10500,
                water_temperature=values["water"], thermostat_status=state["demand"],
                burner_status=state["burner"], high_temperature_limit_switch=0)  # fmt: skip
            say(second + 6.5, "FURNACE_STATUS", 0x5E, instance=1, heat_output_level=state["heat"])
            for number, place in enumerate(("place 1", "place 2", "place 3", "outdoors"), 1):
                say(second + 7.0 + 1.4 * number, "THERMOSTAT_AMBIENT_STATUS", 0x90 + number, instance=number,
                    ambient_temperature=values[place])  # fmt: skip
        return frames

    return build


@pytest.fixture(scope="session")
def recorded(record):
    """Return the frames of two minutes of a shipped scenario."""
    made = {scenario: record(scenario)[0] for scenario in ("winter_evening", "heater_goes_quiet")}
    made["marine"] = list(open_log(MARINE).frames())
    return made


@pytest.fixture(scope="session")
def learn(catalogue, tmp_path_factory):
    """Draft a rig from frames, twice to see that it is the same, and read it as a file; returns text and rig."""

    def go(frames, name="drive.log"):
        text = learn_rig(lambda: frames, catalogue, name).text
        assert learn_rig(lambda: iter(frames), catalogue, name).text == text
        path = tmp_path_factory.getbasetemp() / "learnt.toml"
        path.write_text(text, encoding="utf-8")
        rig = load_rig(path)
        check_fields(rig, catalogue)
        return text, rig

    return go


@pytest.fixture
def say(catalogue):
    """Return a frame by seconds, message, source and raw values."""

    def build(seconds, message, source, **raws):
        spec = catalogue.by_name(message)
        to = 0xFF if is_addressed(spec.dgn) else None
        return Frame(round(seconds * SECOND_US), spec.identifier(source, to), spec.pack(**raws))

    return build
