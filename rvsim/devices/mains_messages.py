"""The first page of an AC status, which charger, inverter and generator share.

Knows: the layout that these pages have in common: instance, line and direction in one byte, voltage, current, frequency
and four faults. Does not know any device. The simulated mains have no wiring faults.
"""

from collections.abc import Callable

from rvsim.wire.spec import MessageSpec
from rvsim.world.world import World

INPUT, OUTPUT = 0, 1
MAX_AC_INSTANCE = 13
"""The highest instance that four bits hold (a gateway maker's RV-C appendix: 1 to 13)."""
MAINS_CAUTION = "Mains (shore, inverter, generator) is for a licensed person."
_SPLIT_VOLTS = 180.0


def mains_hertz(volts: float) -> float:
    """Return the frequency of mains of this voltage: 60 Hz where they have 120 V, 50 Hz where they have 230 V."""
    return 60.0 if volts < _SPLIT_VOLTS else 50.0


def ac_status(
    spec: MessageSpec, world: World, instance: int, direction: int, watts: Callable[[], float | None]
) -> Callable[[], bytes]:
    """Return a function that builds the page of line 1; ``watts`` returns the power, None where there is no voltage."""
    volts, amps, hertz = (spec.by_name[name].sensor_raw for name in ("rms_voltage", "rms_current", "frequency"))
    pack = spec.packer(
        "rms_voltage", "rms_current", "frequency",
        instance=min(instance, MAX_AC_INSTANCE),
        ac_line=0,
        input_output=direction,
        fault_open_ground=0,
        fault_open_neutral=0,
        fault_reverse_polarity=0,
        fault_ground_current=0,
    )  # fmt: skip
    off = pack(rms_voltage=volts(0.0), rms_current=amps(0.0), frequency=hertz(0.0))
    per_s = hertz(mains_hertz(world.nominal_mains_volts))

    last, data = (0.0, 0.0), off

    def build() -> bytes:
        nonlocal last, data
        power, at = watts(), world.mains_volts
        if power is None or at <= 0:
            return off
        now = power, at
        if now != last:
            last = now
            data = pack(rms_voltage=volts(at), rms_current=amps(power / at), frequency=per_s)
        return data

    return build
