"""Low voltage, frost and a reversed shunt seeded into copies of a healthy log: hits and false alarms.

Beside each seed that must be told there is one just inside its limit, of which nothing may be told. The table of both
is printed whenever the tests run.
"""

import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from rvsim.logs.survey import survey
from rvsim.rig.model import Rig
from rvsim.shipped import scenario_folder
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of

FROM = 60 * SECOND_US
SOURCE, CHARGE, AMBIENT, HEATER = (
    "DC_SOURCE_STATUS_1", "DC_SOURCE_STATUS_2", "THERMOSTAT_AMBIENT_STATUS", "WATERHEATER_STATUS",
)  # fmt: skip
MONITOR = 0x45


def celsius(value: float) -> int:
    """Steps of 1/32 degree from -273."""
    return round((value + 273) * 32)


def amps(value: float) -> int:
    """Steps of a milliampere, out of the battery."""
    return 2_000_000_000 + round(1000 * value)


def rig_with(**tables: Any) -> Rig:
    """Return the shipped rig with a wire of 20 mOhm to a heater of 6 A, the indoor sensor in a bay, and more."""
    given = tomllib.loads((scenario_folder() / "rigs" / "ottersby.toml").read_text(encoding="utf-8"))
    for device in given["device"]:
        if device["name"] == "heater":
            device |= {"branch": "galley", "amps": {"furnace": [0.1, 6.0]}}
        if device["name"] == "indoor sensor":
            device["zone"] = "bay"
    given |= {"branch": [{"name": "galley", "wire": {"milliohm": 20.0}}], "zone": [{"name": "bay"}]}
    given["fresh_tank"]["zone"] = "bay"
    return Rig.model_validate(given | tables)


def changed(frames, catalogue, message: str, field: str, raw: Callable[[int], int] | int, instance: int = 1):
    """Replace a field of a message from some moment on; ``raw`` may make it from the value that was sent."""
    spec = catalogue.by_name(message)
    made = []
    for frame in frames:
        if dgn_of(frame.identifier) == spec.dgn and frame.data[0] == instance and frame.time >= FROM:
            old = spec.by_name[field].raw_in(frame.data)
            raws = {one.name: one.raw_in(frame.data) for one in spec.fields}
            new = spec.encode({**raws, field: raw(old) if callable(raw) else raw})
            frame = frame._replace(data=new[: len(frame.data)])
        made.append(frame)
    return made


def seeds(frames, catalogue, *, told: bool) -> Iterator[tuple[str, list[Frame], dict[str, Any], bool]]:
    """Yield seeds: kind and name, frames, tables of the rig, whether it can be told without a rig."""

    def volts(value):
        return changed(frames, catalogue, SOURCE, "dc_voltage", round(20 * value))

    def lithium(degrees, current):
        log = changed(frames, catalogue, CHARGE, "source_temperature", celsius(degrees))
        log = changed(log, catalogue, SOURCE, "dc_current", amps(current))
        spec = catalogue.by_name("DC_SOURCE_STATUS_4")
        says = [Frame(n * 10 * SECOND_US, spec.identifier(MONITOR), spec.pack(instance=1, battery_type=3))
                for n in range(1, 24)]  # fmt: skip
        return sorted([*log, *says], key=lambda frame: frame.time)

    def bay(degrees):
        return changed(frames, catalogue, AMBIENT, "ambient_temperature", celsius(degrees))

    def water(degrees):
        return changed(frames, catalogue, HEATER, "water_temperature", celsius(degrees))

    lfp = {"battery": {"chemistry": "lfp"}}
    if told:
        yield "low-voltage", volts(10.8), {}, True
        yield "low-voltage", volts(9.9), {}, True
        yield "freeze-risk", bay(-8), {}, False
        yield "freeze-risk", bay(1.5), {}, False
        yield "freeze-risk", water(1), {}, True
        yield "freeze-risk", frames, {"fuel": {"grade": "B"}}, False  # it is -5 C outdoors: 5 K below its limit
        yield "freeze-risk", lithium(-3, -8), lfp, True
        absorption = volts(14.4)
        yield (
            "bad-value",
            changed(absorption, catalogue, SOURCE, "dc_current", lambda raw: 4_000_000_000 - raw),
            {},
            True,
        )
    else:
        yield "low-voltage", volts(11.15), {}, True
        yield "freeze-risk", bay(2.2), {}, True
        yield "freeze-risk", water(2.2), {}, True
        yield "freeze-risk", frames, {"fuel": {"grade": "C"}}, True
        yield "freeze-risk", lithium(0.2, -8), lfp, True
        yield "freeze-risk", lithium(-3, 8), lfp, True
        yield "freeze-risk", lithium(-3, -0.4), lfp, True
        yield "bad-value", changed(frames, catalogue, SOURCE, "dc_current", amps(1.9)), {}, True


@pytest.mark.parametrize("with_rig", [True, False], ids=["with a rig", "without a rig"])
@pytest.mark.parametrize("told", [True, False], ids=["beyond a limit", "inside"])
def test_what_is_seeded_is_told(catalogue, healthy, shown, with_rig, told):
    """Each seed beyond a limit raises its kind of flag and no other new one; those inside raise none of these."""
    seeded: Counter[str] = Counter()
    hits: Counter[str] = Counter()
    wrong = []
    for kind, log, tables, without in seeds(list(healthy), catalogue, told=told):
        if not with_rig and not without:
            continue
        seeded[kind] += 1
        found = survey(log, catalogue, rig_with(**tables) if with_rig else None).flags
        named = [flag for flag in found if flag.kind == kind and "charger" not in flag.subject]
        hits[kind] += bool(named)
        # a voltage that was changed contradicts that of the charger as well
        wrong += [str(flag) for flag in found if flag.kind not in (kind, "bad-value")]
    shown(f"\nEnergy, {'with a rig' if with_rig else 'no rig'}, {'seeded' if told else 'inside'}: "
          + ", ".join(f"{kind} {hits[kind]} of {count}" for kind, count in seeded.items()))  # fmt: skip
    assert wrong == []
    assert +hits == (seeded if told else Counter())
