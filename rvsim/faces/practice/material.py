"""Where exercises take their frames from: a run of a scenario, or a log.

Knows: how both become frames, and which devices belong to them. Does not know what is asked about them.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from rvsim.errors import InputError
from rvsim.wire import ident
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.spec import MessageSpec

DEFAULT_SCENARIO = "winter_evening"
"""The shipped vehicle on a cold evening: many devices, no fault."""
RUN_US = 60 * SECOND_US
"""How long a scenario runs for exercises: every periodic message comes several times. Our choice."""
MAX_FRAMES = 20_000
"""Frames that are taken of a log. Our choice: some minutes of a van."""


@dataclass(frozen=True)
class SentFrame:
    """A frame with its message; its message has fields."""

    frame: Frame
    spec: MessageSpec


@dataclass(frozen=True)
class Material:
    """Frames, and who sent them; ``devices`` are the planned devices by their addresses, empty without a rig."""

    title: str
    frames: Sequence[Frame]
    devices: dict[int, str]
    catalogue: Catalogue

    @cached_property
    def known(self) -> list[SentFrame]:
        """Frames of messages with fields, one for each different content, in the order of time."""
        found: dict[tuple[int, bytes], SentFrame] = {}
        for frame in self.frames:
            spec = self.catalogue.by_dgn(ident.dgn_of(frame.identifier))
            if spec is not None and spec.fields and len(frame.data) >= spec.min_length:
                found.setdefault((frame.identifier, frame.data), SentFrame(frame, spec))
        return list(found.values())

    @cached_property
    def statuses(self) -> list[SentFrame]:
        """Those of them that report values: not the network's own services."""
        return [one for one in self.known if not one.spec.is_protocol]

    @cached_property
    def identifiers(self) -> list[int]:
        """The identifiers to ask about: of statuses, or of all frames where no status is known."""
        statuses = [one.frame.identifier for one in self.statuses]
        return statuses or sorted({frame.identifier for frame in self.frames})

    @cached_property
    def sources(self) -> list[int]:
        """The source addresses that were heard, the lowest first."""
        return sorted({frame.identifier & 0xFF for frame in self.frames})


def load_material(given: str | None, catalogue: Catalogue, seed: int) -> Material:
    """Return the frames of a scenario by its name or file, or of a log.

    Raises:
        InputError: there is no such scenario or log, or it has no frame with a 29-bit identifier.
    """
    name = given or DEFAULT_SCENARIO
    is_scenario = name.lower().endswith(".toml") or (
        re.fullmatch(r"\w+", name) is not None and not Path(name).is_file()
    )
    found = _of_scenario(name, seed) if is_scenario else _of_log(Path(name), catalogue)
    if not found.frames:
        raise InputError(
            f"{name}: no frame with a 29-bit identifier: exercises need some; name another log or scenario"
        )
    return found


def _of_scenario(name: str, seed: int) -> Material:
    from rvsim.runs.bench import VirtualBenchRun
    from rvsim.runs.scenario_run import load_checked
    from rvsim.runs.sink import NullSink

    loaded, catalogue = load_checked(name)
    frames: list[Frame] = []
    run = VirtualBenchRun(loaded, catalogue, NullSink(), seed=seed, tap=frames.append)
    run.run(min(RUN_US, loaded.scenario.lasts))
    devices = {plan.address: plan.name for plan in loaded.rig.devices}
    return Material(f"scenario {loaded.name}, seed {seed}", frames, devices, catalogue)


def _of_log(path: Path, catalogue: Catalogue) -> Material:
    from rvsim.logs.read import open_log

    with open_log(path) as log:
        frames = _first(log.frames())
    return Material(f"log {path.name}", frames, {}, catalogue)


def _first(frames: Iterable[Frame]) -> list[Frame]:
    found = []
    for frame in frames:
        found.append(frame)
        if len(found) >= MAX_FRAMES:
            break
    return found
