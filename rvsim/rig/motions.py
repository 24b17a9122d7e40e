"""Motions: awnings, steps, slides and the like, what drives each of them, and what must hold while it moves.

Knows: the names, units, limits and defaults of these figures, and which of them cannot both be. Does not know how a
motion goes (`world` does), who commands it, nor what raises a flag.

No layout of a message that moves an awning, a slide, a window or a step is established. Integrators drive such a motor
by two outputs of a load centre, or by one output and a changeover relay, and read park brake, ignition and doors as
digital inputs (common practice, no source); so does a rig.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from rvsim.errors import did_you_mean
from rvsim.rig.field_types import Duration
from rvsim.rig.inputs import InputPlan, InputPosition
from rvsim.rig.quantity import shown
from rvsim.rig.references import repeated, unknown, unknown_text
from rvsim.rig.switching import Current, OutputPlan, RelayPlan
from rvsim.rig.table import Mistake, OneLineText, Table, validation_error

MotionKind = Literal["awning", "step", "slide", "lock", "window", "vent", "shade"]
"""What moves."""
Way = Literal["extend", "retract"]
"""The way of a motion: out, open, unlocked, or back."""
WAYS: tuple[Way, ...] = ("extend", "retract")
NEEDS_INTERLOCK = frozenset({"awning", "step", "slide"})
"""What does harm outside a vehicle that drives off, so that a rig without an interlock for it gets a notice."""
STALL_SHARE = 6.0
"""The current of a blocked motor, in running currents: that of its first moment (`world.loads`), since a motor at rest
is a blocked one."""
MOVED_BY_DEVICE = ("lock", "shade")
"""What a message can move whose layout is published: LOCK_COMMAND (rv-c.com/node/504) and WINDOW_SHADE_CONTROL_COMMAND
(rv-c.com/node/101)."""
MOTOR_LOADS = ("motor", "pump", None)
MIN_TRAVEL_US, MAX_TRAVEL_US = 100_000, 600_000_000
Travel = Annotated[Duration, Field(ge=MIN_TRAVEL_US, le=MAX_TRAVEL_US)]
"""The time from one end to the other; the bounds only find typing mistakes (our choice)."""


class MotionPlan(Table):
    """One thing that a motor moves between two ends."""

    name: OneLineText
    """The name of the motion, by what moves."""
    what: MotionKind
    """What moves."""
    extend: OneLineText | None = None
    """The output that moves it out, opens or unlocks it."""
    retract: OneLineText | None = None
    """The output that moves it back; if omitted, the changeover relay of ``extend`` moves it back while it is off."""
    device: OneLineText | None = None
    """The device that moves it by itself, instead of outputs; of an awning with outputs the device with its lights,
    which also holds its extension lock."""
    travel: Travel = 20_000_000
    """The time from one end to the other. Common practice, no source. Kept in microseconds."""
    travel_back: Travel | None = None
    """The time of the way back, where it differs. Kept in microseconds."""
    amps: Current | None = None
    """The current while it moves; if omitted, that of its outputs."""
    stall_amps: Current | None = None
    """The current while it is blocked; if omitted, six times ``amps``, as at the start of a motor."""
    must_hold: Mapping[str, Literal["on", "off"]] = Field(default_factory=dict)
    """The interlock: the positions of inputs without which it must not move, like { "ignition" = "off" }."""
    stop_at_end: bool = True
    """Whether limit switches cut the current at both ends; if not, the motor is blocked there."""
    starts: Literal["in", "out"] | Annotated[float, Field(ge=0, le=100)] = "in"
    """Where it is at the start: "in", "out", or how far it is out in percent."""

    @property
    def start_percent(self) -> float:
        """How far it is out at the start."""
        return {"in": 0.0, "out": 100.0}[self.starts] if isinstance(self.starts, str) else float(self.starts)

    @property
    def outputs(self) -> dict[Way, str]:
        """Its outputs by the way on which each moves it."""
        both: dict[Way, str | None] = {"extend": self.extend, "retract": self.retract}
        return {way: output for way, output in both.items() if output is not None}

    def travel_us(self, way: Way) -> int:
        """Return the time from one end to the other on a way."""
        return self.travel if way == "extend" or self.travel_back is None else self.travel_back

    @model_validator(mode="after")
    def _driven(self) -> "MotionPlan":
        problems = list(self._drive_mistakes())
        if problems:
            raise validation_error("motion", problems)
        return self

    def _drive_mistakes(self) -> Iterator[Mistake]:
        if self.extend is None and self.retract is not None:
            yield Mistake(("retract",), "there is no extend; name the output that moves it out as well", self.retract)
        elif self.extend is None and self.device is None:
            text = (
                "nothing moves it; name its outputs, like extend and retract, or the device that moves it by itself, "
                "as device"
            )
            yield Mistake(("name",), text, self.name)
        elif self.extend is not None and self.extend == self.retract:
            text = f"{shown(self.retract)} is already its extend; give each way its own output"
            yield Mistake(("retract",), text, self.retract)
        elif self.extend is None and self.what not in MOVED_BY_DEVICE:
            text = (
                f"no message that moves it is established for the {self.what}, so a device alone does not move it; "
                "name the outputs of a load centre, as extend and retract"
            )
            yield Mistake(("device",), text, self.device)
        if self.extend is not None and self.device is not None and self.what != "awning":
            text = "its outputs move it already; remove the device, or extend and retract"
            yield Mistake(("device",), text, self.device)


def motion_mistakes(
    motions: Sequence[MotionPlan],
    outputs: Sequence[OutputPlan],
    inputs: Sequence[InputPlan],
    relays: Sequence[RelayPlan],
    devices: Sequence[Any],
) -> Iterator[Mistake]:
    """Yield what is wrong with motions in a rig that has these parts."""
    yield from repeated(motions, "name", "motion")
    yield from unknown(motions, "device", [device.name for device in devices], "devices")
    by_name, owners = {output.name: output for output in outputs}, dict[str, str]()
    contacts = {relay.name: relay.contact for relay in relays}
    positions = positions_by_name(inputs)
    for number, motion in enumerate(motions):
        for way, name in motion.outputs.items():
            output = by_name.get(name)
            if output is None:
                yield Mistake((number, way), unknown_text(name, by_name, "outputs"), name)
                continue
            first = owners.setdefault(name, motion.name)
            if first != motion.name:
                text = f"{shown(name)} moves {shown(first)} already; give each motion its own outputs"
                yield Mistake((number, way), text, name)
            if output.load not in MOTOR_LOADS:
                text = f'what hangs on {shown(name)} is a {output.load}, which moves nothing; give it load = "motor"'
                yield Mistake((number, way), text, name)
        if motion.extend in by_name and motion.retract is None:
            relay = by_name[motion.extend or ""].relay
            if contacts.get(relay or "") != "changeover":
                text = (
                    "nothing moves it back: add retract, the output for the way back, or give this output a relay with "
                    'contact = "changeover"'
                )
                yield Mistake((number, "extend"), text, motion.extend)
        for name in motion.must_hold:
            if name not in positions:
                yield Mistake((number, "must_hold", name), _no_input_text(name, inputs, positions), name)


def _no_input_text(name: str, inputs: Sequence[InputPlan], positions: Mapping[str, InputPosition]) -> str:
    rungs = next((one.positions for one in inputs if one.name == name), ())
    if rungs:
        return f"{shown(name)} has several switches; name one of them: {', '.join(rung.name for rung in rungs)}"
    if not positions:
        return unknown_text(name, positions, "inputs")
    return f"{shown(name)} is no input of the rig{did_you_mean(name, positions)}; those are {', '.join(positions)}"


def positions_by_name(inputs: Sequence[InputPlan]) -> dict[str, InputPosition]:
    """Return each input, or switch of a ladder, by the name under which a person presses it."""
    return {position.name: position for entry in inputs for position in entry.positions}


def motion_notices(motions: Sequence[MotionPlan]) -> Iterator[str]:
    """Yield a line for each motion that should have an interlock and has none."""
    for motion in motions:
        if motion.what in NEEDS_INTERLOCK and not motion.must_hold:
            yield (
                f"the {motion.what} {shown(motion.name)} has no must_hold, so nobody is told when it moves in a "
                'vehicle that drives; add the inputs that must hold, like must_hold = { "ignition" = "off" }'
            )
