"""Makes the changes of steps in the vehicle of a bench.

Knows: which input of the physics a change sets, and that water takes its time. Does not know how a change is written
(`vehicle_change`), nor when it is due.
"""

from functools import partial

from rvsim.shakedown.vehicle_change import DrawPlan, LevelPlan, LoadPlan, VehicleChangePlan, as_level, as_load
from rvsim.shakedown.vehicle_names import FUEL
from rvsim.sim.bench import Bench
from rvsim.wire.frame import SECOND_US

OWNER = "a step of the scenario"
"""The owner of what steps open and fill."""
_MIN_LITRES = 1e-6
"""Less than this of water is not moved: the physics counts whole microlitres."""


class VehicleEffects:
    """The changes of one run. A change counts for the whole second in which it is made."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._batteries: dict[str, str] = {}
        """The battery of each load; "" is the house battery, or that of the branch of the load."""
        self._on_branch: set[str] = set()
        """The loads that are drawn at the end of a branch."""
        self._levels: dict[str, LevelPlan] = {}
        self._draws = 0

    def apply(self, change: VehicleChangePlan) -> None:
        """Make a change now."""
        bench = self._bench
        world, site = bench.world, bench.site
        world.advance(bench.now)
        if change.shore_power is not None:
            site.shore_power = change.shore_power
            world.set_shore(connected=change.shore_power)
        for name, given in change.load.items():
            self._set_load(name, as_load(given))
        for name, state in change.branch.items():
            if state == "open":
                world.open_branch(OWNER, name)
            else:
                world.close_branch(OWNER, name)
                world.close_fuse(name)
        if change.draw is not None:
            self._draws += 1
            self._draw(f"{OWNER} {self._draws}", change.draw, change.draw.litres)
        for tank, to in change.tank.items():
            is_moving, self._levels[tank] = tank in self._levels, self._wanted_level(tank, as_level(to))
            if not is_moving:
                self._fill(tank)
        for zone, m2 in change.opening.items():
            world.set_opening(OWNER, m2, zone)
        for zone, count in change.people.items():
            world.set_people(count, zone)
        if change.weather is not None:
            world.set_weather(**change.weather.figures)
            if change.weather.rain is not None:
                site.rain = change.weather.rain
        if change.engine_rpm is not None:
            site.engine_rpm = change.engine_rpm

    def _set_load(self, name: str, load: LoadPlan) -> None:
        """Draw a load from the battery or branch that is named, or the one of before; from no other."""
        world, before = self._bench.world, self._batteries.get(name, "")
        battery = before if load.battery is None else load.battery
        if load.battery is not None or load.branch is not None:
            world.set_load(name, 0.0, before)
            if load.branch is not None or name in self._on_branch:
                world.place(name, load.branch)
            (self._on_branch.discard if load.branch is None else self._on_branch.add)(name)
            battery = load.battery or ""
        world.set_load(name, load.amps, battery)
        self._batteries[name] = battery

    def _wanted_level(self, tank: str, level: LevelPlan) -> LevelPlan:
        """Return the level that a tank is to have; where litres are given, that with so much more than now."""
        if level.litres is None:
            return level
        size, held = self._size_and_content(tank)
        percent = 100 * min(size, max(0.0, held + level.litres)) / size
        return LevelPlan(percent=percent, litres_per_min=level.litres_per_min)

    def _size_and_content(self, tank: str) -> tuple[float, float]:
        """Return how many litres a tank can have, and has."""
        world = self._bench.world
        if tank == FUEL:
            return world.fuel_size_litres, world.fuel_litres
        return world.tank_size_litres(tank), world.tank_litres(tank)

    def _draw(self, owner: str, draw: DrawPlan, litres: float) -> None:
        """Draw what is left of some water for the second that begins, and go on in the next."""
        bench = self._bench
        bench.world.advance(bench.now)
        now = min(litres, draw.litres_per_min / 60) if litres >= _MIN_LITRES else 0.0
        bench.world.set_draw(owner, now * 60, draw.hot_percent, draw.tank)
        if now:
            bench.plan(bench.now + SECOND_US, partial(self._draw, owner, draw, litres - now))

    def _fill(self, tank: str, reached: LevelPlan | None = None) -> None:
        """Fill or drain a tank towards its level for the second that begins, and go on in the next.

        ``reached`` is a level that the last second was enough for.
        """
        bench, level = self._bench, self._levels[tank]
        world = bench.world
        world.advance(bench.now)
        size, held = self._size_and_content(tank)
        missing = size * (level.percent or 0.0) / 100 - held
        flow = min(level.litres_per_min, abs(missing) * 60)
        if level is reached or abs(missing) < _MIN_LITRES:
            flow = 0.0
        if tank == FUEL:
            world.set_fuel_fill(flow if missing > 0 else -flow)
        else:
            world.set_fill(OWNER, flow if missing > 0 else 0.0, tank)
            world.set_drain(OWNER, flow if missing < 0 else 0.0, tank)
        if flow:
            bench.plan(bench.now + SECOND_US, partial(self._fill, tank, level if flow < level.litres_per_min else None))
        else:
            del self._levels[tank]
