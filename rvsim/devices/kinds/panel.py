"""A control panel: the thermostat of one zone, and the switches and scenes of a rig with outputs.

Knows: only what it receives from the bus. Does not know the physics: it has no `world`. It commands only what it
receives from: a sensor, heater, pump, fan, tank, charger or battery that has been silent for three heartbeats counts
as lost, and the panel does without it. Gains and limits are invented, for a small cabin. Outputs are commanded by
`devices/switching/panel_switches.py`; a panel without the function thermostat does nothing else.

A heater that reports a fault with its red lamp, or that it failed to ignite, is asked for nothing more until someone
commands the thermostat. Off ends many an error of a heater, so a panel that asked again by itself would start it again
and again, up to its lockout, and unburnt fuel may stand in it. While it waits, its heartbeat says that its thermostat
is not active.
"""

from collections.abc import Callable, Iterator, Mapping
from functools import cached_property, partial
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from rvsim.devices.control.day_clock import DayClock, TimeOfDay, minutes_of
from rvsim.devices.control.generator_start import GeneratorStart, GeneratorStartSettings
from rvsim.devices.control.load_shedding import LoadShedding, ShedSettings
from rvsim.devices.control.panel_zones import PanelZones
from rvsim.devices.control.received import LOST_AFTER_US, LastStatus, Received
from rvsim.devices.control.zone_thermostat import ZoneSettings
from rvsim.devices.device import PERCENT_STEP, Device, DeviceContext, Instance, Settings, commanded
from rvsim.devices.switching.panel_switches import STATUS as SWITCH_STATUS
from rvsim.devices.switching.panel_switches import PanelSwitches
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.panel_parts import SWITCH_SETTINGS, PanelParts
from rvsim.rig.quantity import shown
from rvsim.rig.table import Mistake
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM, REQUEST_FOR_DGN, ClaimState
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec
from rvsim.wire.texts import PRODUCT_IDENTIFICATION

MAX_HEARTBEATS = 256
"""So many heartbeats are known without being read again. Our choice, to bound the memory: a vehicle has some dozen."""
DECISION_PERIOD_US = 5 * SECOND_US
REQUEST_AFTER_US = 3 * SECOND_US
"""Time from the claim to the request for product identifications: by then every node has an address. Our choice."""
COMMAND_REPEAT_US = 10 * SECOND_US
"""A command that the status does not follow is sent again after this time. Invented."""
DATE_TIME = "DATE_TIME_STATUS"
SUPPLY_STATUSES = ("DC_SOURCE_STATUS_1", "CHARGER_AC_STATUS_1", "GENERATOR_STATUS_1")
"""What loads and the generator are switched by."""
REFRESH_US = 2 * SECOND_US
"""How long a panel that is back waits for answers until it commands anything. Our choice."""
REQUEST_PACE_US = 50_000
"""The time between two requests of a panel that is back: each may be answered by every node. Our choice."""
GAIN_PERCENT_PER_K = 20.0
FORWARD_PERCENT_PER_K = 1.5
"""Heat for each kelvin that the set point is above the cabin air, and above the air outside. Invented."""
TRIM_PERCENT_PER_K, MAX_TRIM_PERCENT = 0.05, 30.0
"""What each decision adds for each kelvin below the set point, and the limit of the sum. Invented."""
HEAT_STEP_PERCENT = 5.0
MIN_FAN_PERCENT = 30.0
LOW_BATTERY_FAN_LIMIT_PERCENT = 50.0
ON_BATTERY_FAN_LIMIT_PERCENT = 80.0
"""Highest fan speed while no charger charges: half the power, by the third power of speed. Invented."""
_CANNOT_CLAIM = ClaimState.CANNOT_CLAIM
LOW_BATTERY_VOLTS = 11.8
"""Below this, or without a battery voltage, fan speeds are limited. Common practice, no source: AGM at a quarter."""
FRESH_AIR_PERCENT, COOLING_PERCENT, MIN_COOLING_DIFFERENCE_K = 10.0, 80.0, 2.0
MODE_OFF, MODE_HEAT, MODE_AUTO = 0, 2, 3
"""Operating modes of the thermostat (numbers from memory)."""
WATER_OFF, WATER_COMBUSTION = 0, 1
PUMP_OFF, PUMP_ON = 0, 1
MIN_CHARGING_STATE = 2
"""Operating state of a charger from which it charges: 2 is bulk (numbers from memory)."""


_SENSORS = ("indoor_sensor", "outdoor_sensor")
RECEIVED_STATUSES = {
    "THERMOSTAT_AMBIENT_STATUS": _SENSORS,
    "FURNACE_STATUS": ("furnace",),
    "CIRCULATION_PUMP_STATUS": ("circulation_pump",),
    "WATERHEATER_STATUS": ("water_heater",),
    "TANK_STATUS": ("fresh_tank",),
    "ROOF_FAN_STATUS_1": ("roof_fan",),
    "CHARGER_STATUS": ("charger",),
    "DC_SOURCE_STATUS_1": ("dc_source",),
}
"""What a thermostat of one zone receives, and the settings that say of which instances."""


_HEATING = ("furnace", "water_heater")
_HEATING_DSAS = frozenset(dsa for name in _HEATING for dsa in FUNCTIONS[name].dsas)
"""The DSAs under which a heater reports its faults."""


ZONE_DEVICES = {
    "sensor": "ambient_sensor",
    "frost_sensor": "ambient_sensor",
    "furnace": "furnace",
    "air_conditioner": "air_conditioner",
    "roof_fan": "roof_fan",
}
"""The settings of a zone that name an instance of another device's function."""


class PanelSettings(Settings):
    """The instances that the panel receives from and commands, and its set points."""

    zone: Instance = 1
    """The instance of its thermostat."""
    set_point_c: Annotated[float, Field(ge=5, le=35)] = 21.0
    """Cabin temperature that it heats to. Invented."""
    cool_above_c: Annotated[float, Field(ge=5, le=45)] = 25.0
    """Cabin temperature above which it runs the roof fan. Invented."""
    water_c: Annotated[float, Field(ge=30, le=80)] = 60.0
    """Hot-water temperature that it asks for. Invented."""
    indoor_sensor: Instance = 1
    """Instance of the ambient sensor in the cabin."""
    outdoor_sensor: Instance = 2
    """Instance of the ambient sensor outdoors."""
    furnace: Instance = 1
    """Instance of the furnace that it commands."""
    water_heater: Instance = 1
    """Instance of the water heater that it commands."""
    roof_fan: Instance = 1
    """Instance of the roof fan that it commands."""
    dc_source: Instance = 1
    """Instance of the battery whose voltage it looks at."""
    circulation_pump: Instance | None = None
    """Instance of the circulation pump that it commands; if omitted, the heater circulates the coolant by
    itself."""
    fresh_tank: Instance | None = None
    """Instance of the fresh-water tank that it looks at; if omitted, water is heated whether or not there is
    any."""
    on_heater_fault: Literal["stop", "resume", "ignore"] = "stop"
    """What it does when the heater reports a fault: ask for nothing until the thermostat is commanded ("stop"), until
    the fault is gone ("resume"), or ask on ("ignore"). Common practice, no source: a person finds the cause first."""
    charger: Instance | None = None
    """Instance of the charger that it looks at; if omitted, the heater's fan may run at full speed on battery
    alone."""
    scenes: tuple[str, ...] | None = None
    """The scenes of the rig that it owns; if omitted, the first panel without them owns all that no other one names."""
    calls: Mapping[str, str] = Field(default_factory=dict)
    """The scenes that switches call, by the switch, like { "hall switch" = "night" }; keys of a keypad name theirs."""
    switches: Mapping[str, str] = Field(default_factory=dict)
    """What each switch or key switches, an output or a group, like { "galley switch" = "galley light" }: a press
    toggles, a long press dims, a switch that stays as it is set is followed."""
    switches_on: Mapping[str, str] = Field(default_factory=dict)
    """What each switch or key switches on."""
    switches_off: Mapping[str, str] = Field(default_factory=dict)
    """What each switch or key switches off."""
    blocks: Mapping[str, tuple[str, ...]] = Field(default_factory=dict)
    """Outputs and groups that it does not switch on while a switch is on or not known, like { "ignition" = ["awning"]
    }."""
    restore: bool = False
    """Whether it repeats what it had commanded of outputs once, after their module has started anew."""
    mobile: bool = False
    """Whether it can be carried away: after 15 s without a frame it knows nothing any more, and when it is back it asks
    for every status before it commands anything."""
    zones: Mapping[str, ZoneSettings] = Field(default_factory=dict)
    """Thermostats of several zones by name, instead of the one above: then set points, sensor, furnace and roof fan are
    theirs."""
    clock: TimeOfDay = "12:00"
    """The time of day when it starts; DATE_TIME_STATUS sets it where somebody sends that."""
    shed: ShedSettings | None = None
    """Loads that are switched off while the battery is low; none if omitted."""
    generator: GeneratorStartSettings | None = None
    """When it starts the generator by itself; never if omitted."""


class Panel(Device):
    """Sends THERMOSTAT_STATUS_1 and commands to heater, pump and fan; obeys THERMOSTAT_COMMAND_1; switches outputs."""

    kind = "panel"
    Settings = PanelSettings
    settings: PanelSettings
    uses_world = False
    instance_settings: ClassVar[Mapping[str, str]] = {
        "indoor_sensor": "ambient_sensor",
        "outdoor_sensor": "ambient_sensor",
        "furnace": "furnace",
        "water_heater": "water_heater",
        "roof_fan": "roof_fan",
        "dc_source": "dc_source",
        "circulation_pump": "circulation_pump",
        "fresh_tank": "tank",
        "charger": "charger",
    }

    @classmethod
    def named_instances(cls, plan: DevicePlan, settings: Any) -> Iterator[tuple[str, str, int]]:
        """Yield the instances that it uses: of its thermostat or its zones, of loads at low voltage, of a generator."""
        has_thermostat = bool(plan.functions.get("thermostat"))
        of_zones = ("indoor_sensor", "furnace", "roof_fan") if settings.zones else ()
        watches_battery = settings.shed is not None or settings.generator is not None
        for setting, function, instance in super().named_instances(plan, settings):
            if (has_thermostat and setting not in of_zones) or (setting == "dc_source" and watches_battery):
                yield setting, function, instance
        for name, zone in settings.zones.items():
            for setting, function in ZONE_DEVICES.items():
                instance = getattr(zone, setting)
                if instance is not None:
                    yield f"zones.{name}.{setting}", function, instance
        if settings.generator is not None:
            yield "generator.charger", "charger", settings.generator.charger

    @classmethod
    def placed_mistakes(cls, plan: DevicePlan, settings: Any, catalogue: Catalogue) -> Iterator[Mistake]:  # noqa: ARG003
        """Yield zones whose instances are not those of its thermostats."""
        own = plan.functions.get("thermostat", ())
        owners: dict[int, str] = {}
        for name, zone in settings.zones.items():
            other = owners.setdefault(zone.instance, name)
            if other != name:
                text = f"zones: {shown(name)} has the instance {zone.instance} of {shown(other)}; give each its own"
                yield Mistake(("zones", name, "instance"), text, zone.instance)
            elif zone.instance not in own:
                wanted = ", ".join(map(str, (*own, zone.instance)))
                text = (
                    f"zones: {shown(name)} has the instance {zone.instance}, which is none of the device's "
                    f"thermostats; add it to its functions: thermostat = [{wanted}]"
                )
                yield Mistake(("zones", name, "instance"), text, zone.instance)

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        parts, settings = context.panel, self.settings
        self.switches: PanelSwitches | None = None
        """Its switches and scenes; None where it has none."""
        self.shedding: LoadShedding | None = None
        if parts is not None and self._has_switches(parts):
            self.switches = PanelSwitches(self, parts, settings)
            if settings.shed is not None:
                self.shedding = LoadShedding(settings.shed, parts, self.switches.control)
        only_others = not self._is_thermostat and (settings.generator or (parts is not None and parts.outputs))
        self._zone = None if only_others else self.instance("thermostat")
        self.clock = DayClock(self.catalogue.by_name(DATE_TIME), minutes_of(settings.clock))
        self.generator = None if settings.generator is None else GeneratorStart(self, settings.generator)
        self.zones: PanelZones | None = None
        """The thermostats of several zones; None where it has one by itself."""
        if settings.zones:
            self.zones = PanelZones(
                self,
                settings.zones,
                outdoor_sensor=settings.outdoor_sensor,
                circulation_pump=settings.circulation_pump,
                fan_limit=self._fan_limit_percent,
                clock=self.clock,
            )
        self._supply = Received(self, SUPPLY_STATUSES if self.shedding or self.generator else ())
        self._part_receivers = self._receivers()
        own = super().received_dgns | {ADDRESS_CLAIM, REQUEST_FOR_DGN}
        self._part_dgns = frozenset(dgn for dgn in self._part_receivers if dgn not in own)
        """The DGNs that nothing else of it receives."""
        self._first_bytes = {
            self.catalogue.by_name(message).dgn: self._used_first_bytes(message) for message in RECEIVED_STATUSES
        }
        """By the DGN of a status: the first bytes of the frames that its thermostat uses."""
        self._heard_at = 0
        self._is_away = False
        self._silent_until = 0
        self._status, self._command = self.specs("THERMOSTAT_STATUS_1", "THERMOSTAT_COMMAND_1")
        self._heartbeat = self.catalogue.by_name("DM_RV").by_name
        points = self._status.by_name["set_point_temperature_heat"]
        self._state = {
            "operating_mode": MODE_HEAT,
            "fan_mode": 0,
            "schedule_mode": 0,
            "set_point_temperature_heat": points.raw(self.settings.set_point_c),
            "set_point_temperature_cool": points.raw(self.settings.cool_above_c),
        }
        self._last_heat_percent = self._trim_percent = 0.0
        self._fan_percent = 0.0
        self._statuses: dict[tuple[str, int | None], LastStatus] = {}
        """What it has received of other devices, by message and instance."""
        self._last: dict[str, LastStatus] = {}
        """The same by the setting that names the instance."""
        for message, names in RECEIVED_STATUSES.items():
            spec = self.catalogue.by_name(message)
            for name in names:
                instance = getattr(settings, name)
                if instance is not None:
                    self._last[name] = self._statuses.setdefault((message, instance), LastStatus(self, spec))
        self._sent_commands: dict[str, tuple[int, dict[str, int]]] = {}
        self._received_source = 0
        """The source of the frame that is being received."""
        self._red_lamps: set[tuple[int, int]] = set()
        """Sources and DSAs of the functions whose red lamp is on."""
        self._heartbeats: dict[bytes, tuple[int | None, bool]] = {}
        """What was read of heartbeats."""
        self._stopped: set[str] = set()
        """The functions that are asked for nothing since their heater reported a fault."""

    def active(self, function: str) -> bool:
        """Return whether a function is active: a thermostat is not while a heater has stopped with a fault."""
        has_stopped = self._stopped if self.zones is None else self.zones.has_stopped
        return function != "thermostat" or not has_stopped

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive its own command, and the status of every device that it depends on."""
        if not self._is_thermostat:
            return {}
        stored = {message: self._store(message) for message in RECEIVED_STATUSES}
        return {"THERMOSTAT_COMMAND_1": self._obey, "DM_RV": self._note_lamp, **stored}

    def _used_first_bytes(self, message: str) -> frozenset[bytes] | None:
        """Return the first bytes of the frames of a status that it uses, None where they do not say the instance."""
        instance = self.catalogue.by_name(message).fields[0]
        if (instance.first, instance.length) != (0, 8):
            return None
        used = [getattr(self.settings, setting) for setting in RECEIVED_STATUSES[message]]
        return frozenset(bytes([number]) for number in used if number is not None)

    def on_start(self) -> None:
        """Decide every few seconds; send the set points at the gap."""
        if self.zones is not None:
            self.zones.start()
        elif self._is_thermostat:
            self.broadcast("THERMOSTAT_STATUS_1", self._build_status)
        if self._is_thermostat or self.shedding or self.generator:
            self.after(2 * SECOND_US, lambda: self.every(DECISION_PERIOD_US, self._decide))
        self.after(REQUEST_AFTER_US, lambda: self._request(PRODUCT_IDENTIFICATION))
        if self.switches is not None:  # switches are told on change: without this the first press would be no change
            positions = self.catalogue.by_name(SWITCH_STATUS).dgn
            self.after(REQUEST_AFTER_US + REQUEST_PACE_US, partial(self._request, positions))
        if self.settings.mobile:
            self._heard_at = self.now
            self.every(DECISION_PERIOD_US, self._look_for_bus)

    def _request(self, dgn: int) -> None:
        """Request a message of all nodes: product identifications once, as panels do after switching on."""
        request = self.catalogue.by_name("REQUEST_FOR_DGN")
        self.send(request, request.pack(desired_dgn=dgn))

    @property
    def _is_thermostat(self) -> bool:
        return bool(self.plan.functions.get("thermostat"))

    def _has_switches(self, parts: PanelParts) -> bool:
        """Return whether it switches outputs or owns scenes."""
        tables = (parts.scenes, parts.callers, *(getattr(self.settings, name) for name in SWITCH_SETTINGS))
        return any(tables) or self.settings.shed is not None

    # Frames.

    @property
    def received_dgns(self) -> frozenset[int]:
        """The DGNs of its thermostats, of switches and outputs, and of the supply."""
        return super().received_dgns | frozenset(self._part_receivers)

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of another node."""
        self._received_source = identifier & 0xFF
        if self.settings.mobile:
            self._heard_at = self.now
            if self._is_away:
                self._refresh()
        if self._part_receivers:
            dgn = dgn_of(identifier)
            for receive in self._part_receivers.get(dgn, ()):
                receive(identifier, data)
            if dgn in self._part_dgns:
                return
        super().receive(identifier, data)

    def heeds(self, identifier: int, first: bytes) -> bool:
        """Return whether a frame is of use: a status that only the thermostat receives, of an instance in its settings.

        One that can be carried away heeds all: each frame tells it that it is in reach.
        """
        dgn = dgn_of(identifier)
        used = self._first_bytes.get(dgn)
        return used is None or first in used or dgn in self._part_receivers or self.settings.mobile

    def receiver_of(self, identifier: int) -> Callable[[bytes], None]:
        """See ``Device``; what concerns no part but the thermostat of one zone takes the short way."""
        dgn, source = dgn_of(identifier), identifier & 0xFF
        handler = self._handlers.get(dgn)
        is_plain = type(self).receive is Panel.receive and not self.settings.mobile
        if handler is None or not is_plain or dgn in self._part_receivers:
            return super().receiver_of(identifier)
        claimer = self.claimer

        def receive(data: bytes) -> None:
            self._received_source = source
            if claimer.state is not _CANNOT_CLAIM:
                handler(data)
            else:
                self.receive(identifier, data)

        return receive

    def _receivers(self) -> dict[int, list[Callable[[int, bytes], None]]]:
        """Return what receives frames beside the thermostat of one zone, by DGN."""
        found: dict[int, list[Callable[[int, bytes], None]]] = {}
        parts = [part for part in (self.switches, self.zones, self._supply) if part is not None]
        for part in parts:
            for dgn in part.dgns:
                found.setdefault(dgn, []).append(part.receive)
        if self.zones is not None or self.generator is not None:
            date_time = self.catalogue.by_name(DATE_TIME).dgn
            found.setdefault(date_time, []).append(lambda _, data: self.clock.receive(self.now, data))
        return found

    # Away from the bus, and back.

    def _look_for_bus(self) -> None:
        """Note that it is away: it has received nothing for a time, and what it knows is old."""
        if not self._is_away and self.now - self._heard_at > LOST_AFTER_US:
            self._is_away = True
            self._sent_commands.clear()
            for part in (self.switches, self.zones, self._supply):
                if part is not None:
                    part.forget()

    def _refresh(self) -> None:
        """Ask for every status, now that there is a bus again; nothing is commanded meanwhile."""
        self._is_away = False
        self._silent_until = self.now + REFRESH_US
        messages = [*(RECEIVED_STATUSES if self._is_thermostat else ()), *self._supply.messages]
        for part in (self.switches, self.zones):
            messages += () if part is None else part.requested_messages
        for number, message in enumerate(dict.fromkeys(messages)):
            dgn = self.catalogue.by_name(message).dgn
            self.after(number * REQUEST_PACE_US, partial(self._request, dgn))

    # What it receives.

    def _store(self, message: str) -> Callable[[bytes], None]:
        instance = self.catalogue.by_name(message).fields[0]  # the first field of each, whatever its name
        end = instance.last_byte + 1
        known: dict[bytes, LastStatus | None] = {}
        """By the bytes up to that field: what keeps the status, None where it is of no use; some hundred."""

        def store(data: bytes) -> None:
            head = data[:end]
            if head not in known:
                known[head] = self._statuses.get((message, instance.raw_in(data)))
            status = known[head]
            if status is not None:
                status.receive(self._received_source, data)

        return store

    def _note_lamp(self, data: bytes) -> None:
        """Note the red lamp of a function that heats."""
        heartbeat = self._heartbeats.get(data)
        dsa, is_red = self._read_heartbeat(data) if heartbeat is None else heartbeat
        if dsa is not None:
            (self._red_lamps.add if is_red else self._red_lamps.discard)((self._received_source, dsa))

    def _read_heartbeat(self, data: bytes) -> tuple[int | None, bool]:
        """Return the DSA of a function that heats, None for any other, and whether its red lamp is on."""
        dsa, lamp = self._heartbeat["dsa"].raw_in(data), self._heartbeat["red_lamp_status"].raw_in(data)
        heartbeat = (dsa if dsa in _HEATING_DSAS else None, lamp == 1)
        if len(self._heartbeats) < MAX_HEARTBEATS:
            self._heartbeats[data] = heartbeat
        return heartbeat

    def _obey(self, data: bytes) -> None:
        given = commanded(self._command, data)
        if given.get("instance") != self._zone and self.zones is None:
            return
        self._stopped.clear()  # somebody wants heat now
        if self.zones is not None:  # they have obeyed already
            return
        before = dict(self._state)
        self._state.update({name: raw for name, raw in given.items() if name in self._state})
        if self._state != before:
            self.send_now("THERMOSTAT_STATUS_1")
            self._decide()

    # Decisions.

    def _follow_supply(self) -> None:
        """Switch loads off or on, and the generator, by the voltage of the battery."""
        if self.shedding is None and self.generator is None:
            return
        volts = self._supply.value("DC_SOURCE_STATUS_1", self.settings.dc_source, "dc_voltage")
        if self.shedding is not None:
            self.shedding.decide(self.now, volts)
        if self.generator is not None and self.settings.generator is not None:
            mains = self._supply.value("CHARGER_AC_STATUS_1", self.settings.generator.charger, "rms_voltage")
            status = self._supply.value("GENERATOR_STATUS_1", None, "status")
            self.generator.decide(volts, mains, status, self.clock.minute(self.now))

    def _set_point_c(self, which: str) -> float:
        return self._status.by_name[which].value(self._state[which])

    def _battery_is_low(self) -> bool:
        volts = self._last["dc_source"].value("dc_voltage")
        return volts is None or volts < LOW_BATTERY_VOLTS

    def _fan_limit_percent(self) -> float:
        """Return the highest speed of the heater's fan that the supply allows."""
        if self._battery_is_low():
            return LOW_BATTERY_FAN_LIMIT_PERCENT
        charger = self._last.get("charger")
        if charger is None:
            return 100.0
        values = charger.raws() or {}
        return 100.0 if values.get("operating_state", 0) >= MIN_CHARGING_STATE else ON_BATTERY_FAN_LIMIT_PERCENT

    def _can_heat(self) -> bool:
        """Return whether all devices that heating needs are received: the furnace, and the pump if there is one."""
        pump = self._last.get("circulation_pump")
        return (pump is None or pump.is_known) and self._last["furnace"].is_known

    def _follow_faults(self) -> None:
        """Note which heaters are asked for nothing; one with two functions has one burner.

        A heater has a fault while it reports a red lamp, or that it failed to ignite.
        """
        if self.settings.on_heater_fault == "ignore":
            return
        failed, now = bool(self._last["water_heater"].value("failure_to_ignite")), set()
        if failed or self._red_lamps:
            faulty: set[int | None] = {source for source, _ in self._red_lamps}
            if failed:
                faulty.add(self._last["water_heater"].source)
            now = {function for function in _HEATING if self._last[function].source in faulty}
        self._stopped = now if self.settings.on_heater_fault == "resume" else self._stopped | now

    def _decide(self) -> None:
        if self._is_away or self.now < self._silent_until:
            return
        self._follow_supply()
        if not self._is_thermostat:
            return
        self._follow_faults()
        if self.zones is not None:
            self.zones.decide()
            self._command_water()
            return
        indoors, outdoors = (self._last[name].value("ambient_temperature") for name in _SENSORS)
        heat = self._last_heat_percent = self._heat_percent(indoors, outdoors)
        fan = min(max(heat, MIN_FAN_PERCENT), self._fan_limit_percent()) if heat else 0.0
        if fan != self._fan_percent:
            self._fan_percent = fan
            self.send_now("THERMOSTAT_STATUS_1")
        self._command_furnace(heat, fan)
        self._command_pump(needed=heat > 0)
        self._command_water()
        self._command_roof_fan(self._roof_percent(indoors, outdoors))

    def _heat_percent(self, indoors: float | None, outdoors: float | None) -> float:
        """Return the heat to command, 0 to 100 in steps: proportional, a part for the cold outside, the trim."""
        if (
            "furnace" in self._stopped
            or indoors is None
            or not self._can_heat()
            or self._state["operating_mode"] not in (MODE_HEAT, MODE_AUTO)
        ):
            return 0.0
        wanted = self._set_point_c("set_point_temperature_heat")
        forward = FORWARD_PERCENT_PER_K * max(0.0, wanted - outdoors) if outdoors is not None else 0.0
        missing = wanted - indoors
        trim = self._trim_percent + TRIM_PERCENT_PER_K * max(-1.0, min(1.0, missing))
        self._trim_percent = min(MAX_TRIM_PERCENT, max(-MAX_TRIM_PERCENT, trim))
        percent = min(100.0, max(0.0, GAIN_PERCENT_PER_K * missing + forward + self._trim_percent))
        if 0 < percent < 100 and abs(percent - self._last_heat_percent) < HEAT_STEP_PERCENT:
            return self._last_heat_percent
        return HEAT_STEP_PERCENT * round(percent / HEAT_STEP_PERCENT)

    def _roof_percent(self, indoors: float | None, outdoors: float | None) -> float:
        """Return the roof fan's speed: fresh air always, more to cool where the air outside is cooler."""
        if not self._last["roof_fan"].is_known or self._battery_is_low():
            return 0.0
        if indoors is None or outdoors is None or indoors <= self._set_point_c("set_point_temperature_cool"):
            return FRESH_AIR_PERCENT
        return COOLING_PERCENT if outdoors < indoors - MIN_COOLING_DIFFERENCE_K else FRESH_AIR_PERCENT

    # Commands.

    def _command_furnace(self, heat: float, fan: float) -> None:
        self._send_command(
            "FURNACE_COMMAND",
            instance=self.settings.furnace,
            operating_mode=0,
            circulation_fan_speed=round(fan / PERCENT_STEP),
            heat_output_level=round(heat / PERCENT_STEP),
        )

    def _command_pump(self, *, needed: bool) -> None:
        pump = self.settings.circulation_pump
        if pump is None:
            return
        values = self._last["circulation_pump"].raws()
        wanted = {"output_status_command": PUMP_ON if needed else PUMP_OFF}
        self._send_command("CIRCULATION_PUMP_COMMAND", follows=_follows(values, wanted), instance=pump, **wanted)

    def _has_water(self) -> bool:
        """Return whether the fresh tank reports any water: without it there is nothing to heat."""
        tank = self._last.get("fresh_tank")
        return tank is None or bool(tank.value("relative_level"))

    def _command_water(self) -> None:
        values = self._last["water_heater"].raws()
        if values is None:
            return
        wanted = {
            "operating_mode": WATER_COMBUSTION
            if self._has_water() and "water_heater" not in self._stopped
            else WATER_OFF,
            "set_point_temperature": self._water_set_point,
        }
        self._send_command(
            "WATERHEATER_COMMAND", follows=_follows(values, wanted), instance=self.settings.water_heater, **wanted
        )

    def _command_roof_fan(self, percent: float) -> None:
        values = self._last["roof_fan"].raws()
        wanted = {
            "system_status": int(percent > 0),
            "fan_mode": 1,
            "speed_mode": 1,
            "fan_speed_setting": round(percent / PERCENT_STEP),
            "wind_direction_switch": 0,
        }
        self._send_command(
            "ROOF_FAN_COMMAND_1", follows=_follows(values, wanted), instance=self.settings.roof_fan, **wanted
        )

    @cached_property
    def _water_set_point(self) -> int:
        field = self.catalogue.by_name("WATERHEATER_COMMAND").by_name["set_point_temperature"]
        return field.raw(self.settings.water_c)

    def _send_command(self, message: str, *, follows: bool = True, **raws: int) -> None:
        """Send a command when it is new, and again where the device's status does not follow it."""
        when, before = self._sent_commands.get(message, (0, {}))
        if raws == before and (follows or self.now - when < COMMAND_REPEAT_US):
            return
        self._sent_commands[message] = (self.now, raws)
        spec: MessageSpec = self.catalogue.by_name(message)
        self.send(spec, spec.pack(**raws))

    # Status.

    def _build_status(self) -> bytes:
        return self._status.pack(instance=self._zone, **self._state, fan_speed=round(self._fan_percent / PERCENT_STEP))


def _follows(values: Mapping[str, int] | None, wanted: Mapping[str, int]) -> bool:
    """Return whether a status has the commanded values; True where no status is received."""
    return values is None or wanted.items() <= values.items()
