"""What a device with a burner does: control it, report its faults, and have a fuel line that can be at fault.

Knows: the settings that every burner has, what the vehicle's fuel and supply are like, and which faults a scenario can
give it. Does not know what the heat is for: a kind says what is wanted each second, and gives the heat to the vehicle.
"""

from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.combustion.burner import Burner, BurnerFault, BurnerFigures, BurnerInputs, BurnerState
from rvsim.devices.combustion.fuel_line import FuelLine
from rvsim.devices.device import Amps, Device, DeviceContext, Settings
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

Seconds = Annotated[float, Field(ge=0, le=3600)]
"""A time of a burner's sequence; the bound only finds typing mistakes (our choice)."""
SupplyVolts = Annotated[float, Field(ge=6, le=32)]
"""A limit of the supply of a heater for 12 V or 24 V."""
Count = Annotated[int, Field(ge=1, le=20)]
CAUTION = (
    "Combustion: a lockout is a safety function; find fuel, voltage and exhaust first. A number on the bus never "
    "replaces a listed CO or gas alarm."
)


class BurnerSettings(Settings):
    """What stops a burner, and the current of its electronics."""

    unlock_s: Annotated[float, Field(ge=0.1, le=600)] = 2.0
    """An error ends when the heater is switched off for this long. A heater maker's manual: at least 2 s."""
    max_failed_starts: Count = 3
    """Failed starts in a row after which it locks out. Two heater makers' manuals: repeated; the number is common
    practice, no source."""
    max_flame_outs: Count = 3
    """Flame-outs in a row after which it stops. Two heater makers' manuals."""
    cut_off_volts: SupplyVolts = 10.0
    """Below this, at its own terminals, it stops. Three heater makers' fault-code tables: below 10 V."""
    over_volts: SupplyVolts = 15.0
    """Above this it stops. A heater maker's manual: above 15 V; others 16 V."""
    cut_off_s: Seconds = 20.0
    """How long the supply may be outside these limits. A heater maker's manual: more than 20 s."""
    warning_volts: SupplyVolts = 11.0
    """Below this it warns of a low supply. Common practice, no source."""
    electronics_amps: Amps = 0.1
    """Current of the electronics, always. Common practice, no source."""


class BurnerDevice(Device):
    """A device with one burner. A kind calls `control_burner` each second."""

    caution: ClassVar[str] = CAUTION
    burner_function: ClassVar[str] = "furnace"
    """The function that reports the burner's faults."""
    burns_diesel = True
    settings: BurnerSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        self.burner = Burner(self.burner_figures(), self.random.randrange, self.memory)
        self.fuel_line = FuelLine(self.random)
        self.supply_volts = 12.5
        """The voltage at its terminals, as it last looked; 12.5 before it did."""
        self._sent_faults: frozenset[BurnerFault] = frozenset()

    def burner_figures(self) -> BurnerFigures:
        """Return the figures of its burner, from its settings."""
        raise NotImplementedError

    def has_fuel(self) -> bool:
        """Return whether there is something to burn; a kind that burns gas says otherwise."""
        return self.world.fuel_litres > 0

    # What a fault of a scenario does to it.

    def fail_ignition(self, tries: int | None) -> None:
        """Let this many tries from now on give no flame, None: all; 0: no more of them."""
        self.burner.failing_tries = -1 if tries is None else tries

    def plug_fuel_filter(self, within_us: int | None) -> None:
        """Let wax close the fuel filter within this time; None: it thaws."""
        self.fuel_line.plug(within_us)

    def let_air_into_fuel(self, gap_us: int | None) -> None:
        """Let bubbles come through the fuel line, on average one each ``gap_us``; None: no more."""
        self.fuel_line.let_air_in(self.now, gap_us)

    # Control.

    def control_burner(
        self, wanted: float, *, is_switched_on: bool, is_too_hot: bool = False, has_air: bool = True
    ) -> None:
        """Go on with the burner's sequence, and report what is wrong with it.

        Args:
            wanted: the output wanted, a fraction of full; 0: none.
            is_switched_on: whether a command wants heat, even where a thermostat is satisfied.
            is_too_hot: whether the overheat limiter is open.
            has_air: whether the air-flow switch is closed.
        """
        world = self.world
        fuel = self.fuel_line.step(
            self.now,
            is_cold=self.burns_diesel and world.outdoor_c < world.fuel_gels_below_c,
            is_empty=not self.has_fuel(),
        )
        self.supply_volts = world.volts_at(self.name)
        inputs = BurnerInputs(wanted, is_switched_on, self.supply_volts, fuel, is_too_hot, has_air)
        self.burner.step(self.now, inputs)
        faults = self.burner.faults
        if faults != self._sent_faults:
            self._report(faults)

    def _report(self, faults: frozenset[BurnerFault]) -> None:
        before, self._sent_faults = self._sent_faults, faults
        for fault in BurnerFault:  # in this order, so that one seed gives one run
            spn, fmi, red = fault.value
            if fault in faults - before:
                self.report_fault(self.burner_function, ReportedFault(spn, fmi), red=red)
            elif fault in before - faults:
                self.withdraw_fault(self.burner_function, ReportedFault(spn, fmi))

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear its reported faults; those that last are reported again. A lockout is not ended by this."""
        super().reset(faults=faults, reboot=reboot)
        if faults:
            self._sent_faults = frozenset()

    def supply_warnings(self) -> tuple[bool, bool]:
        """Return whether its supply is below the voltage at which it stops, and below that of the warning."""
        volts = self.supply_volts
        return volts < self.settings.cut_off_volts, volts < self.settings.warning_volts

    def burner_amps(self, full_amps: float, low_amps: float, glow_amps: float, fan_amps: float) -> float:
        """Return the current of the burner's own parts: plug, combustion fan, fuel pump.

        Args:
            full_amps: while it burns at full output.
            low_amps: while it burns at its lowest output.
            glow_amps: while the plug glows, fan and fuel pump included.
            fan_amps: while only the fan runs.
        """
        burner = self.burner
        if burner.is_glowing:
            return glow_amps
        if burner.state is BurnerState.BURNING:
            low = burner.figures.low_output
            above = (burner.output - low) / (1 - low) if low < 1 else 1.0
            return low_amps + (full_amps - low_amps) * above
        return fan_amps if burner.is_working else 0.0


def micros(seconds: float) -> int:
    """Return a time in microseconds."""
    return round(seconds * SECOND_US)
