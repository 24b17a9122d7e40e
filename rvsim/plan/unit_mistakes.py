"""Figures that are hardly meant: a gauge in the place of an area, Wh of Ah, A of mA, and two that exclude each other.

Knows: which figures of a rig tell of a wrong unit. Does not know any limit of a part.

A figure that can be meant gives no answer here: those that use it are its answers. Each bound is far from what is
built, so that a sound rig is never asked: our decision.
"""

from collections.abc import Iterable, Iterator

from rvsim.plan.answer import Answer, Check, Judgement, Rule, path_name
from rvsim.plan.conductor_tables import awg_area_mm2
from rvsim.plan.starts import figure
from rvsim.plan.supply_chain import Link
from rvsim.rig.electric import BatteryPlan
from rvsim.rig.model import Rig
from rvsim.rig.switching import OutputPlan, RelayPlan
from rvsim.watch.flag import Severity

GAUGES = ("8", "10", "12", "14", "16", "18", "20", "22", "24")
"""Gauges whose number, read as mm2, is a far thicker wire."""
MIN_CARRIED_SHARE = 8.0
"""A wire that carries so many times its fuse, or its current where it has none, is hardly meant in mm2."""
MAX_COIL_RATIO = 1.5
"""Two figures of a coil, its current and its resistance, differ by less: data sheets round, and give 12 or 13.5 V."""
MIN_STANDING_MILLIAMPS = 0.05
"""A device on the network takes more while it rests, or nothing. From memory: its regulator and its transceiver."""
MIN_SHORT_CIRCUIT_HOURS = 1.0
"""A short circuit takes at least the capacity in this time: 100 A of 100 Ah; what is built gives several times that."""
MEANT_RULE = Rule("a figure that no such part has is asked back", "our decision")
_AGREE_RULE = Rule("two figures of one part agree", "our decision")


def gauge_mistakes(links: Iterable[Link]) -> Iterator[Answer]:
    """Yield a notice for each wire whose area reads like a gauge and is far more than it has to carry."""
    for link in links:
        area, limit = (None, None) if link.wire is None else (link.wire.area_mm2, link.limit)
        carried = link.fuse_amps if link.fuse_amps is not None else link.demand.amps
        gauge = None if area is None else f"{area:g}"
        if gauge not in GAUGES or limit is None or limit.amps is None or not carried:
            continue
        times = limit.amps / carried
        if times >= MIN_CARRIED_SHARE:
            what = "its fuse" if link.fuse_amps is not None else "its current"
            yield _answer(
                f"{link.key}.wire_unit", Check.CONDUCTORS, link.what, "Is the size of its wire in mm2?",
                f"{limit.amps:g} A / {carried:g} A = {times:.3g} times",
                f"its wire of {gauge} mm2 carries {times:.2g} times {what} of {carried:g} A",
                f"if {gauge} AWG is meant, which is {awg_area_mm2(gauge):.3g} mm2, write awg = {gauge}",
            )  # fmt: skip


def current_mistakes(rig: Rig) -> Iterator[Answer]:
    """Yield what is wrong with starts below the running current, with coils, and with what devices take at rest."""
    for output in rig.outputs:
        yield from _start(output)
    for relay in rig.relays:
        yield from _coil(relay, rig.rules.base_volts)
    for device in rig.devices:
        standing = device.standing_milliamps
        if standing and standing < MIN_STANDING_MILLIAMPS:
            yield _answer(
                f"device.{path_name(device.name)}.standing_unit", Check.CURRENTS, device.name,
                "Is its standing current in mA?", f"{standing:g} mA < {MIN_STANDING_MILLIAMPS:g} mA",
                f"a standing current of {standing:g} mA is less than a device on the network takes at rest",
                f"if {standing:g} A is meant, write standing_milliamps = {1000 * standing:g}",
            )  # fmt: skip


def battery_mistakes(batteries: Iterable[BatteryPlan]) -> Iterator[Answer]:
    """Yield a notice for each battery whose capacity is far above what its short-circuit current belongs to."""
    for battery in batteries:
        amps, capacity = battery.short_circuit_amps, battery.capacity_ah
        if amps is not None and amps * MIN_SHORT_CIRCUIT_HOURS < capacity:
            yield _answer(
                f"battery.{path_name(battery.name)}.capacity_unit", Check.ENDURANCE, battery.name,
                "Is its capacity in Ah?", f"{amps:g} A / {capacity:g} Ah = {amps / capacity:.2g} per hour",
                f"a battery of {capacity:g} Ah gives more than {amps:g} A into a short circuit",
                f"if {capacity:g} Wh is meant, write capacity_ah = {capacity / 12:.3g}; or correct its short circuit",
            )  # fmt: skip


def _start(output: OutputPlan) -> Iterator[Answer]:
    if output.amps is not None and output.peak_amps is not None and output.peak_amps < output.amps:
        yield _answer(
            f"output.{path_name(output.name)}.start_figure", Check.CURRENTS, output.name,
            "Is its start above its running current?", f"{figure(output.peak_amps)} A < {figure(output.amps)} A",
            f"its start of {figure(output.peak_amps)} A is below its running current of {figure(output.amps)} A",
            "correct peak_amps or amps; without a start that is higher, leave peak_amps out",
            _AGREE_RULE, Severity.WARNING,
        )  # fmt: skip


def _coil(relay: RelayPlan, volts: float) -> Iterator[Answer]:
    if relay.coil_amps is None or relay.coil_ohm is None:
        return
    computed = volts / relay.coil_ohm
    if max(computed, relay.coil_amps) > MAX_COIL_RATIO * min(computed, relay.coil_amps):
        yield _answer(
            f"relay.{path_name(relay.name)}.coil_figures", Check.CURRENTS, relay.name,
            "Do the two figures of its coil agree?", f"{volts:g} V / {relay.coil_ohm:g} ohm = {computed:.3g} A",
            f"its coil takes {computed:.3g} A by its {relay.coil_ohm:g} ohm, and {relay.coil_amps:g} A by coil_amps",
            "measure the coil, and correct coil_ohm or coil_amps", _AGREE_RULE, Severity.WARNING,
        )  # fmt: skip


def _answer(
    key: str, check: Check, subject: str, question: str, formula: str, text: str, advice: str,
    rule: Rule = MEANT_RULE, severity: Severity = Severity.NOTICE,
) -> Answer:  # fmt: skip
    return Answer(
        key=key, check=check, subject=subject, question=question, formula=formula, rule=rule,
        judgement=Judgement.FLAGGED, severity=severity, text=text, advice=advice,
    )  # fmt: skip
