"""What the devices of a rig send: their periodic messages, and the bits of the frames of a short simulated run.

Knows: which messages a device sends by its functions, by ``sends`` and by its simulated kind, at which gaps, and the
exact bits of what the simulated devices really send. Does not know any limit.

The exact bits are those of five seconds of the simulated devices of the rig, their addresses claimed, with the stuff
bits of each payload. A device that is not simulated counts with a typical payload instead: instance 1, everything else
"no data", each byte FF.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import ValidationError

from rvsim.devices.registry import kinds_by_name
from rvsim.errors import InputError
from rvsim.plan.answer import path_name
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS, by_command
from rvsim.rig.model import Rig
from rvsim.sim.bench import Bench
from rvsim.watch.bus.worst_case import PlannedStream, planned_streams, stream_of
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec
from rvsim.wire.timing import exact_bits

SAMPLE_FROM_US, SAMPLE_US = 5 * SECOND_US, 5 * SECOND_US
"""Which part of the simulated run counts: addresses are claimed, and each message of 5 s comes once. Our decision."""
TYPICAL_PAYLOAD = bytes([1, *[0xFF] * 7])
"""Instance 1, everything else "no data". Our decision."""
SOURCE_PARTS_FROM = 0xF000
"""From this low part of a DGN on a message goes to all."""
HEARTBEAT = "DM_RV"


@dataclass(frozen=True)
class Traffic:
    """What is on the pair of a rig."""

    periodic: tuple[PlannedStream, ...]
    """Every periodic message, once for each instance."""
    sampled_frames: int
    """Frames of the simulated devices in ``SAMPLE_US``."""
    sampled_bits: int
    """Their exact bits."""
    typical: tuple[PlannedStream, ...]
    """The messages that were not sampled, since their devices are not simulated."""
    problem: str
    """Why nothing could be simulated; empty where it could."""
    unknown: tuple[DevicePlan, ...]
    """The devices of which nobody knows what they send."""

    @property
    def typical_bits_per_s(self) -> float:
        """The bits of what was not sampled, with a typical payload."""
        return sum(
            exact_bits(one.stream.identifier, TYPICAL_PAYLOAD) * SECOND_US / one.stream.gap for one in self.typical
        )

    @property
    def exact_bits_per_s(self) -> float:
        """All bits, with the stuff bits of each payload."""
        return self.sampled_bits * SECOND_US / SAMPLE_US + self.typical_bits_per_s


def unknown_messages(device: DevicePlan, catalogue: Catalogue) -> list[str]:
    """Return the messages under ``sends`` that no definition has."""
    return [text for text in device.sends if _spec(text, catalogue) is None]


def traffic(rig: Rig, catalogue: Catalogue, seed: int) -> Traffic:
    """Collect what the devices of a rig send, with a simulated run of ten seconds."""
    planned = [*planned_streams(rig, catalogue)]
    planned += _streams_of_sends(rig, planned, catalogue)
    simulated = {plan.name: plan for plan in rig.devices if plan.kind in kinds_by_name() and not plan.real}
    frames: list[Frame] = []
    problem = ""
    if simulated:
        try:
            frames = _sample(rig, catalogue, seed, set(simulated))
        except InputError as error:
            problem, simulated = error.problems[0], {}
        except ValidationError as error:
            problem, simulated = error.errors()[0]["msg"], {}
    planned += _streams_of_kinds(frames, {plan.address: plan for plan in simulated.values()}, planned, catalogue)
    return Traffic(
        tuple(planned),
        len(frames),
        sum(exact_bits(frame.identifier, frame.data) for frame in frames),
        tuple(one for one in planned if one.device not in simulated),
        problem,
        tuple(plan for plan in rig.devices if _is_unknown(plan)),
    )


def key_of(device: DevicePlan) -> str:
    """Return the key of the answer about what a device sends."""
    return f"device.{path_name(device.name)}.sends"


def _is_unknown(device: DevicePlan) -> bool:
    """Tell whether neither its kind, nor ``sends``, nor one of its functions says what it sends."""
    if device.kind in kinds_by_name() or device.sends:
        return False
    return not any(FUNCTIONS[name].statuses for name in device.functions)


def _spec(text: str, catalogue: Catalogue) -> MessageSpec | None:
    """Return the message of an entry of ``sends``, like "TANK_STATUS 1"."""
    try:
        return catalogue.by_name(text.split()[0] if text.split() else text)
    except InputError:
        return None


def _streams_of_sends(rig: Rig, planned: list[PlannedStream], catalogue: Catalogue) -> Iterator[PlannedStream]:
    """Yield what devices say that they send beyond the messages of their functions."""
    known = Counter((one.device, one.spec.name) for one in planned)
    for device in rig.devices:
        specs = [spec for text in device.sends if (spec := _spec(text, catalogue)) is not None]
        for name, number in Counter(spec.name for spec in specs).items():
            spec = catalogue.by_name(name)
            for _ in range(number - known[device.name, name]):
                yield PlannedStream(device.name, spec, stream_of(spec, device.address))


def _sample(rig: Rig, catalogue: Catalogue, seed: int, simulated: set[str]) -> list[Frame]:
    """Return the frames of the simulated devices within the part of the run that counts."""
    frames: list[Frame] = []
    absent = [plan.name for plan in rig.devices if plan.name not in simulated]
    bench = Bench(rig, catalogue, kinds_by_name(), seed=seed, absent=absent)
    bench.run_until(SAMPLE_FROM_US)
    bench.on_frame = frames.append
    bench.run_until(SAMPLE_FROM_US + SAMPLE_US)
    return frames


def _streams_of_kinds(
    frames: list[Frame], devices: dict[int, DevicePlan], planned: list[PlannedStream], catalogue: Catalogue
) -> Iterator[PlannedStream]:
    """Yield the periodic messages that simulated devices send beyond those of their functions.

    Without a gap in the table a message has that of the run.
    """
    known = {(one.device, one.spec.name) for one in planned}
    counts: dict[tuple[int, int], Counter[int]] = defaultdict(Counter)
    for frame in frames:
        counts[frame.identifier & 0xFF, dgn_of(frame.identifier)][frame.data[0] if frame.data else 0] += 1
    for (address, dgn), instances in sorted(counts.items()):
        device, spec = devices.get(address), catalogue.by_dgn(dgn)
        if device is None or spec is None or dgn & 0xFFFF < SOURCE_PARTS_FROM or by_command(spec.name) is not None:
            continue
        if (device.name, spec.name) not in known:
            gap_us = spec.gap_us or SAMPLE_US // max(instances.values())
            for _ in instances:
                yield PlannedStream(device.name, spec, stream_of(spec, address, gap_us))
