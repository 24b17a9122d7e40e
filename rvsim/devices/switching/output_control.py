"""What a panel knows of the outputs on the bus, and what it commands of them.

Knows: the last status of each output and which node sent it, what this panel has commanded, and that a command is
repeated once where the status does not follow it; that an output which is locked, set by hand or tripped is left alone;
what another one has commanded since is no longer this panel's. Does not know who presses what.

Messages: DC_DIMMER_COMMAND_2 (rv-c.com/node/106, its code "set level" published, ramps from memory) and DC_LOAD_COMMAND
(from memory), by instance or by group. Levels are set, never toggled, so that a frame that comes twice changes nothing.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Protocol

from rvsim.devices.switching.commands import FULL_RAW, NO_DATA, Code, group_bits, read_command, shares_group
from rvsim.devices.switching.key_commands import COMMANDS
from rvsim.rig.scenes import FULL_PERCENT, SceneTarget
from rvsim.rig.switching import FUNCTION_BY_FORM, Form, OutputPlan
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.fields import State
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import dgn_of
from rvsim.wire.spec import MessageSpec

STATUSES: dict[str, Form] = {
    "DC_DIMMER_STATUS_3": "dimmer",
    "DC_LOAD_STATUS": "load",
    "DC_LOAD_STATUS_2": "load",
}
"""The statuses that a panel reads, and the messages of the outputs that they are of."""
ALL_COMMANDS: dict[str, Form] = {
    "DC_DIMMER_COMMAND": "dimmer",
    "DC_DIMMER_COMMAND_2": "dimmer",
    "DC_LOAD_COMMAND": "load",
}
PACE_US = 10_000
"""The time between two commands of one panel, so that a scene keeps nobody from the bus. Common practice, no source."""
CHECK_US = 2 * SECOND_US
"""After this time the status has to follow a command. The default answer time of devices, our decision."""
RESTORE_CHECK_US = 3 * SECOND_US
"""After this time from its address claim a module has sent all its outputs. Common practice, no source."""
STALE_US = 15 * SECOND_US
"""A status that is older is not known any more: three gaps of 5 s (rv-c.com/node/82 has that gap)."""
MAX_NOTES = 50
_LEVEL_STEP = 0.5


class PanelHost(Protocol):
    """What this needs of its device."""

    now: int
    catalogue: Catalogue

    @property
    def address(self) -> int | None:
        """Its address."""

    def after(self, delay_us: int, call: Callable[[], None], /) -> None:
        """Call once, ``delay_us`` from now."""

    def send(self, spec: MessageSpec, data: bytes, /) -> None:
        """Send a frame to all."""


class KnownOutput:
    """One output as the panel knows it. Levels are in percent, times are microseconds of the run."""

    def __init__(self, plan: OutputPlan) -> None:
        self.plan = plan
        self.level: float | None = None
        self.heard_at = self.changed_at = 0
        self.source: int | None = None
        """The address of its module."""
        self.flags: dict[str, bool] = {}
        """Whether it is locked, set by hand, tripped."""
        self.last_level = FULL_PERCENT
        """The last level at which it was on."""
        self.wanted: float | None = None
        """What this panel commanded last; None where it has not, or another one has since."""
        self.has_followed = False
        self.is_repeated = False
        self.is_restoring = False
        self.rises = False
        """Whether the last dimming went up."""

    def is_known(self, now: int) -> bool:
        """Return whether its status is known at present."""
        return self.level is not None and now - self.heard_at <= STALE_US

    def obstacle(self, now: int, wanted: float) -> str | None:
        """Return why it is left alone: locked, set by hand, or tripped where it should be on; None for no reason."""
        if not self.is_known(now):
            return None
        reasons = [name for name, holds in self.flags.items() if holds and (name not in _OFF_ANYWAY or wanted > 0)]
        return reasons[0] if reasons else None

    def forget(self) -> None:
        """Forget its status."""
        self.level, self.flags = None, {}

    def as_given(self, percent: float) -> float:
        """Return a level as it can have it: a load is on or off."""
        return percent if self.plan.form == "dimmer" or not percent else FULL_PERCENT


_TRIPPED = "tripped by over-current"
_HELD = "held off by an interlock"
_OFF_ANYWAY = (_TRIPPED, _HELD)
"""What keeps no output from being commanded off."""
_FLAGS = {
    "lock_status": "locked",
    "override_status": "set by hand",
    "over_current_status": _TRIPPED,
    "interlock_status": _HELD,
}


class OutputControl:
    """The outputs that a panel can command.

    Args:
        host: the panel.
        outputs: the outputs of the rig.
        restores: whether it repeats what it had commanded once, after a module has started anew.
    """

    def __init__(self, host: PanelHost, outputs: Iterable[OutputPlan], *, restores: bool) -> None:
        self._host, self._restores = host, restores
        self._known = {one.name: KnownOutput(one) for one in outputs if one.instance is not None}
        self._by_instance = {(one.plan.form, one.plan.instance): one for one in self._known.values()}
        specs = {name: host.catalogue.by_name(name) for name in (*STATUSES, *ALL_COMMANDS)}
        self._statuses = {specs[name].dgn: (specs[name], form) for name, form in STATUSES.items()}
        self._commands = {specs[name].dgn: (specs[name], form) for name, form in ALL_COMMANDS.items()}
        self._specs = specs
        self._queue: deque[tuple[MessageSpec, bytes]] = deque()
        self._next_send = 0
        self.blocked_by: Callable[[str], str | None] = lambda _: None
        """Returns the switch that keeps an output from being switched on, by its name; may be set."""
        self.notes: list[str] = []
        """What a panel shows its user: which outputs it left alone and why, which did not obey; the last ones."""

    def __getitem__(self, name: str) -> KnownOutput:
        return self._known[name]

    @property
    def dgns(self) -> frozenset[int]:
        """The DGNs of what it receives."""
        return frozenset({*self._statuses, *self._commands, ADDRESS_CLAIM})

    @property
    def requested_messages(self) -> Sequence[str]:
        """The statuses that are asked for when nothing is known any more."""
        forms = {one.plan.form for one in self._known.values()}
        return [name for name, form in STATUSES.items() if form in forms]

    # What it receives.

    def receive(self, identifier: int, data: bytes) -> None:
        """Receive a frame of another node: a status, a command of another one, or an address claim."""
        dgn = dgn_of(identifier)
        if dgn in self._statuses:
            self._observe_status(*self._statuses[dgn], identifier & 0xFF, data)
        elif dgn in self._commands:
            self._observe_command(*self._commands[dgn], data)
        elif dgn == ADDRESS_CLAIM:
            self._observe_claim(identifier & 0xFF)

    def _observe_status(self, spec: MessageSpec, form: Form, source: int, data: bytes) -> None:
        values = {
            reading.field.name: reading.raw
            for reading in spec.decode(data)
            if reading.state is State.VALUE and reading.raw is not None
        }
        output = self._by_instance.get((form, values.get("instance")))
        if output is None:
            return
        now = self._host.now
        output.source, output.heard_at = source, now
        for field, name in _FLAGS.items():
            if field in values:
                output.flags[name] = values[field] == 1
        if "operating_status" not in values:
            return
        level = min(values["operating_status"], FULL_RAW) / 2
        if level != output.level:
            output.level, output.changed_at = level, now
        if level:
            output.last_level = level
        if output.wanted is None:
            return
        if _same(level, output.wanted):
            output.has_followed = True
        elif output.has_followed and not output.is_restoring and output.obstacle(now, output.wanted) is None:
            output.wanted = None  # somebody else has switched it

    def _observe_command(self, spec: MessageSpec, form: Form, data: bytes) -> None:
        """Note that another one commands outputs: what this panel had commanded of them is over."""
        read = read_command(spec, data)
        if read is None:
            return
        instance, groups, _ = read
        for output in self._known.values():
            plan = output.plan
            is_meant = plan.instance == instance if instance else shares_group(group_bits(plan.groups), groups)
            if plan.form == form and is_meant:
                output.wanted = None

    def _observe_claim(self, source: int) -> None:
        """Note that a node has started anew, or has moved away from an address."""
        mine = [one for one in self._known.values() if one.source == source and one.wanted is not None]
        if not mine:
            return
        for output in mine:
            output.is_restoring = self._restores
            if not self._restores:
                output.wanted = None
        if self._restores:
            self._host.after(RESTORE_CHECK_US, lambda: self._restore(mine))

    def forget(self) -> None:
        """Forget every status, and what was commanded: nothing was received for a time."""
        for output in self._known.values():
            output.forget()
            output.wanted = None
        self._queue.clear()

    # What it commands.

    def set_level(self, target: SceneTarget, percent: float, *, ramp: bool = False) -> None:
        """Command an output or a group to a level; 0 is off. An output that cannot obey is left alone."""
        outputs = [self._known[one.name] for one in target.outputs]
        if target.group is None:
            outputs = [one for one in outputs if not self._is_left_alone(one, percent)]
        if percent and any(self._is_blocked(one) for one in outputs):
            return
        for form in FUNCTION_BY_FORM:
            members = [one for one in outputs if one.plan.form == form]
            if not members:
                continue
            code = Code.RAMP if ramp and form == "dimmer" else Code.SET_LEVEL
            self._send(form, members[0], target.group, code, members[0].as_given(percent))
            for output in members:
                self._expect(output, output.as_given(percent), ramp=code is Code.RAMP)

    def level_of(self, target: SceneTarget) -> float:
        """Return the level of an output, or the highest one of a group, in percent; 0 where none is known."""
        now, outputs = self._host.now, [self._known[one.name] for one in target.outputs]
        return max((one.level or 0.0 for one in outputs if one.is_known(now)), default=0.0)

    def toggle(self, target: SceneTarget) -> None:
        """Command an output or a group off where one of it is on, else on, a single dimmer at its level of before."""
        outputs = [self._known[one.name] for one in target.outputs]
        if self.level_of(target):
            self.set_level(target, 0.0)
        else:
            self.set_level(target, outputs[0].last_level if target.group is None else FULL_PERCENT)

    def dim(self, target: SceneTarget) -> None:
        """Begin to dim: up from off, otherwise the other way than last time; ``stop`` ends it."""
        outputs = [self._known[one.name] for one in target.outputs if one.form == "dimmer"]
        outputs = [one for one in outputs if target.group is not None or not self._is_left_alone(one, FULL_PERCENT)]
        if not outputs:
            return
        first = outputs[0]
        rises = not self.level_of(target) or not first.rises
        for output in outputs:
            output.rises, output.wanted = rises, None
        self._send("dimmer", first, target.group, Code.RAMP_UP if rises else Code.RAMP_DOWN, 100.0 if rises else 0.0)

    def stop(self, target: SceneTarget) -> None:
        """Command dimmers to stay at their level."""
        outputs = [self._known[one.name] for one in target.outputs if one.form == "dimmer"]
        if outputs:
            self._send("dimmer", outputs[0], target.group, Code.STOP, None)

    def _send(self, form: Form, first: KnownOutput, group: int | None, code: Code, percent: float | None) -> None:
        name, level = COMMANDS[form]
        spec = self._specs[name]
        data = spec.pack(
            instance=first.plan.instance if group is None else NO_DATA,
            group=NO_DATA if group is None else group_bits((group,)),
            **{level: NO_DATA if percent is None else round(percent / _LEVEL_STEP)},
            command=int(code),
            delay_duration=0 if code is Code.SET_LEVEL else NO_DATA,
        )
        self._queue.append((spec, data))
        if len(self._queue) == 1:
            wait = self._next_send - self._host.now
            if wait > 0:
                self._host.after(wait, self._send_next)
            else:
                self._send_next()

    def _send_next(self) -> None:
        if not self._queue:
            return
        self._host.send(*self._queue.popleft())
        self._next_send = self._host.now + PACE_US
        if self._queue:
            self._host.after(PACE_US, self._send_next)

    def _is_blocked(self, output: KnownOutput) -> bool:
        """Return whether a switch keeps an output from being switched on, which the user is told."""
        switch = self.blocked_by(output.plan.name)
        if switch is not None:
            self._note(f"{output.plan.name} is not switched on: {switch}")
        return switch is not None

    def _is_left_alone(self, output: KnownOutput, percent: float) -> bool:
        """Return whether an output is left alone, which the user is told."""
        obstacle = output.obstacle(self._host.now, percent)
        if obstacle is not None:
            self._note(f"{output.plan.name} is {obstacle}: left as it is")
        return obstacle is not None

    def _note(self, text: str) -> None:
        self.notes.append(text)
        del self.notes[:-MAX_NOTES]

    # What follows.

    def _expect(self, output: KnownOutput, percent: float, *, ramp: bool) -> None:
        output.wanted, output.has_followed, output.is_repeated = percent, False, False
        output.is_restoring = False
        self._check_later(output, ramp=ramp)

    def _check_later(self, output: KnownOutput, *, ramp: bool = False) -> None:
        sent, wanted = self._host.now, output.wanted
        wait = CHECK_US + (output.plan.ramp if ramp else 0) + (0 if wanted else output.plan.delay_off)
        self._host.after(wait, lambda: self._check(output, wanted, sent))

    def _check(self, output: KnownOutput, wanted: float | None, sent: int) -> None:
        """Repeat a command once that the status does not follow."""
        now = self._host.now
        is_over = output.wanted is None or output.wanted != wanted or output.has_followed
        if is_over or not output.is_known(now):
            return
        if output.level is not None and _same(output.level, output.wanted or 0.0):
            output.has_followed = True
        elif output.heard_at < sent:
            self._host.after(CHECK_US, lambda: self._check(output, wanted, sent))
        elif now - output.changed_at < SECOND_US:  # it is on its way: a ramp
            self._check_later(output)
        elif output.is_repeated:
            self._note(f"{output.plan.name} does not obey")
        elif not self._is_left_alone(output, wanted or 0.0):
            self._repeat(output)
            self._check_later(output)

    def _restore(self, outputs: Iterable[KnownOutput]) -> None:
        """Repeat what was commanded once, where a module that has started anew has lost it."""
        for output in self._lost(outputs):
            self._repeat(output)

    def _lost(self, outputs: Iterable[KnownOutput]) -> Iterator[KnownOutput]:
        for output in outputs:
            if not output.is_restoring or output.wanted is None:
                continue
            output.is_restoring, output.has_followed = False, False
            is_known = output.is_known(self._host.now) and output.level is not None
            if is_known and not _same(output.level or 0.0, output.wanted):
                if not self._is_left_alone(output, output.wanted):
                    yield output
            else:
                output.has_followed = is_known

    def _repeat(self, output: KnownOutput) -> None:
        output.is_repeated = True
        self._send(output.plan.form, output, None, Code.SET_LEVEL, output.wanted)


def _same(level: float, wanted: float) -> bool:
    return abs(level - wanted) <= _LEVEL_STEP / 2
