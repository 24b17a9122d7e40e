"""Where sensors and tanks are, by a rig.

Knows: which instance of a sensor or tank belongs to which zone. Does not know any reading.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

OUTDOORS = "outdoors"
_CONTENTS = ("fresh", "black", "grey")
"""Of tanks with the instances 0, 1 and 2; a second tank has 16 more, and so on."""
_NEXT_TANK = 16


def ambient_places(rig: "Rig | None") -> dict[int, str]:
    """Return the zone of each planned ambient sensor by its instance, where the rig says it."""
    places = {}
    for device in rig.devices if rig is not None else ():
        place = device.zone or device.settings.get("place")
        if isinstance(place, str):
            places.update(dict.fromkeys(device.functions.get("ambient_sensor", ()), place))
    return places


def tank_places(rig: "Rig | None") -> dict[int, tuple[str, str]]:
    """Return name and zone of each water tank by its instance."""
    if rig is None:
        return {}
    first = {"fresh": rig.fresh_tank, "black": rig.black_tank, "grey": rig.grey_tank}
    places = {}
    for number, content in enumerate(_CONTENTS):
        places[number] = content, first[content].zone
        more = (tank for tank in rig.tanks if tank.content == content)
        for count, tank in enumerate(more, 1):
            places[number + count * _NEXT_TANK] = tank.name, tank.zone
    return places
