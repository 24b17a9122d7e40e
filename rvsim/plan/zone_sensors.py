"""Check of thermostats: one for each zone, with a sensor in that zone.

Knows: where a rig says which sensor a thermostat follows: the settings of panels, the needs of other devices. Does not
know temperatures, nor what a sensor feels there.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from pydantic import ValidationError

from rvsim.devices.kinds.panel import PanelSettings
from rvsim.plan.answer import Answer, Check, Judgement, Rule, path_name, unchecked
from rvsim.plan.network_needs import read_topic
from rvsim.rig.climate import zone_names
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.electric import OUTDOORS
from rvsim.rig.model import Rig
from rvsim.rig.panel_parts import PANEL

COMMANDER_RULE = Rule(
    "one controller for what follows commands by itself; a furnace's own thermostat must be possible to disable",
    "an RV-C guide, read as an excerpt",
)
SENSOR_RULE = Rule("the sensor of a thermostat is in its zone", "common practice, no source")
_AMBIENT = "THERMOSTAT_AMBIENT_STATUS"


def thermostat_answers(rig: Rig, told: Sequence[set[str]]) -> Iterator[Answer]:
    """Yield whether each zone has one thermostat.

    Args:
        rig: the rig.
        told: groups of controllers that are told as commanding one thing: a zone with these is not told again.
    """
    zones: dict[str, list[str]] = {}
    for device in rig.devices:
        if "thermostat" not in device.functions:
            continue
        settings = _panel_settings(device)
        own = list(settings.zones) if settings is not None and settings.zones else [device.zone]
        for zone in own:
            if zone is not None:
                zones.setdefault(zone, []).append(device.name)
    for zone, devices in zones.items():
        if any(group.issuperset(devices) for group in told):
            continue
        twice = len(devices) > 1
        yield Answer(
            key=f"zone.{path_name(zone)}.thermostats", check=Check.PROVIDERS, subject=", ".join(devices),
            question="Has the zone one thermostat?", rule=COMMANDER_RULE, value=len(devices), limit="at most 1",
            formula=f"{zone}: {' and '.join(devices)}",
            judgement=Judgement.FLAGGED if twice else Judgement.GOOD,
            text=f"{' and '.join(devices)} are both thermostats of {zone}, and each commands by itself" if twice
            else "",
            advice="disable one of them" if twice else "",
        )  # fmt: skip


def _panel_settings(device: DevicePlan) -> PanelSettings | None:
    if device.kind != PANEL:
        return None
    try:
        return device.settings_as(PanelSettings)
    except ValidationError:
        return None


class _Sensor(NamedTuple):
    """A sensor that a thermostat follows: the key's own part, the zone that it should be in, and its instance."""

    part: str
    zone: str | None
    instance: int
    setting: str


def _followed(device: DevicePlan, zones: Sequence[str]) -> Iterator[_Sensor]:
    settings = _panel_settings(device)
    if settings is None:
        return
    for name, zone in settings.zones.items():
        own = name if name in zones else None
        yield _Sensor(f"sensor.{path_name(name)}", own, zone.sensor, f"zones.{name}.sensor")
    if not settings.zones:
        yield _Sensor("sensor", device.zone, settings.indoor_sensor, "indoor_sensor")
    yield _Sensor("outdoor_sensor", OUTDOORS, settings.outdoor_sensor, "outdoor_sensor")


def sensor_answers(rig: Rig) -> Iterator[Answer]:
    """Yield whether each thermostat follows a sensor of its zone, and a panel a sensor outdoors."""
    zones = zone_names(rig.zones)
    sensors = {one: device for device in rig.devices for one in device.functions.get("ambient_sensor", ())}
    question = "Is the sensor that it follows in its zone?"
    for device in rig.devices:
        if "thermostat" not in device.functions:
            continue
        if device.kind != PANEL:
            yield from _needed_sensor_answer(device, sensors, zones, question)
        for sensor in _followed(device, zones):
            fitted = sensors.get(sensor.instance)
            if fitted is None:  # told as a need that nobody sends
                continue
            key = f"device.{path_name(device.name)}.{sensor.part}"
            missing = [f"zone of device {fitted.name}"] if _is_open(sensor.zone, fitted, zones) else []
            missing += [] if sensor.zone is not None else [f"zone of device {device.name}"]
            if missing:
                yield unchecked(key, Check.PROVIDERS, device.name, question, SENSOR_RULE, missing)
                continue
            yield _sensor_answer(key, device, {sensor.instance: fitted}, str(sensor.zone), question, sensor.setting)


def _needed_sensor_answer(
    device: DevicePlan, sensors: Mapping[int, DevicePlan], zones: Sequence[str], question: str
) -> Iterator[Answer]:
    """Yield whether a thermostat of no simulated kind needs a sensor of its zone."""
    needed = [read_topic(text) for text in device.needs]
    fitted = {
        one.instance: sensors[one.instance]
        for one in needed
        if one.message == _AMBIENT and one.instance is not None and one.instance in sensors
    }
    if not fitted and any(one.message == _AMBIENT and one.instance is not None for one in needed):
        return  # told as a need that nobody sends
    key = f"device.{path_name(device.name)}.sensor"
    missing = [] if device.zone is not None else [f"zone of device {device.name}"]
    missing += [f"zone of device {one.name}" for one in fitted.values() if _is_open(device.zone, one, zones)]
    if not fitted:
        missing.append(f"{_AMBIENT} with its instance under needs of device {device.name}")
    if missing:
        yield unchecked(key, Check.PROVIDERS, device.name, question, SENSOR_RULE, missing)
    else:
        yield _sensor_answer(key, device, fitted, str(device.zone), question, "needs")


def _sensor_answer(
    key: str, device: DevicePlan, fitted: Mapping[int, DevicePlan], zone: str, question: str, setting: str
) -> Answer:
    found = [
        f"sensor {instance} ({one.name}), which is {_place_text(min(_places(one)))}" for instance, one in fitted.items()
    ]
    is_good = any(zone in _places(one) for one in fitted.values())
    return Answer(
        key=key, check=Check.PROVIDERS, subject=device.name, question=question, rule=SENSOR_RULE, limit=zone,
        formula=f"{setting}: {'; '.join(found)}",
        judgement=Judgement.GOOD if is_good else Judgement.FLAGGED,
        text="" if is_good else f"it follows {' and '.join(found)}, and not {_place_text(zone)}",
        advice="" if is_good else f"give it the instance of a sensor {_place_text(zone)}, or move the sensor",
        unproven="that no outlet, lamp or sun warms the sensor: warm it by hand and see which instance moves",
    )  # fmt: skip


def _places(device: DevicePlan) -> set[str]:
    """Return where a device is: the zone that it serves, and the place that its settings measure."""
    place = device.settings.get("place")
    return {name for name in (device.zone, place if isinstance(place, str) else None) if name is not None}


def _is_open(zone: str | None, sensor: DevicePlan, zones: Sequence[str]) -> bool:
    """Tell whether a sensor cannot be compared with a zone.

    A device may serve a part of the vehicle that is no zone of the rig; a place in the settings is always one of those.
    """
    places = _places(sensor)
    if not places:
        return True
    return sensor.zone is None and OUTDOORS not in places and zone not in (None, OUTDOORS, *zones)


def _place_text(place: str | None) -> str:
    return OUTDOORS if place == OUTDOORS else f"in {place}"
