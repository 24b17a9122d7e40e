"""A load centre: switches and protects the outputs of one module, as dimmers and as loads.

Messages: sends DC_DIMMER_STATUS_1 and DC_DIMMER_STATUS_3 for each dimmer, DC_LOAD_STATUS and DC_LOAD_STATUS_2 for each
load, at their gaps and on change, and DIGITAL_INPUT_STATUS for each input on change; obeys DC_DIMMER_COMMAND,
DC_DIMMER_COMMAND_2 and DC_LOAD_COMMAND by instance or by group, and GENERAL_RESET. A command for an instance or a group
that it does not have is ignored: such commands go to all. An output that tripped, whose lamp is out, or that was shed
is reported in heartbeat and DM1. What hangs on its outputs stands in the rig, in the tables of its module;
without one it has an output for each instance, with no load, and no inputs.

Knows: which outputs are on, by priority which is switched off first where all together are above the module's limit,
which of them exclude each other, and what is kept without power. Does not know who commands it. What one output does is
in `devices/switching`, and so is how its inputs are read.

It has one CAN channel: the bench has one pair of wires. A module with two channels answers the same on both.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from typing import Annotated, ClassVar

from pydantic import Field

from rvsim.devices.device import Amps, Device, DeviceContext, Settings
from rvsim.devices.switching.channel import CURRENT_HIGH, FAULT_SPN, Channel, OutputReading
from rvsim.devices.switching.commands import Code, OutputCommand, group_bits, read_command, shares_group
from rvsim.devices.switching.inputs import DigitalInput, InputBank, line_of
from rvsim.devices.switching.local_switches import LocalSwitch
from rvsim.devices.switching.output import FULL
from rvsim.errors import InputError
from rvsim.rig.module_parts import INPUT_FUNCTION, ModuleParts, fused_owner, outputs_owner, unplanned_output
from rvsim.rig.switching import FUNCTION_BY_FORM, ModulePlan, OutputPlan
from rvsim.wire.diagnostics import ReportedFault
from rvsim.wire.frame import SECOND_US

COMMANDS = {"DC_DIMMER_COMMAND": "dimmer", "DC_DIMMER_COMMAND_2": "dimmer", "DC_LOAD_COMMAND": "load"}
"""The commands, and the messages of the outputs that they are for."""
SHED_FAULT = ReportedFault(FAULT_SPN, CURRENT_HIGH)
"""The module is at its limit, and an output is off for it. The SPN is invented, as those of the outputs."""
VOLTS_US = 5 * SECOND_US
"""The currents of outputs that are on follow the voltage in steps of this time. Our choice."""
FUSED_VOLTS_US = SECOND_US
"""The same where an output has a fuse of its own: fuses open at whole seconds of the run."""
MIN_VOLTS_CHANGE = 0.05
"""A smaller change of the voltage changes no current. Our choice: one step of the voltage of other messages."""
PACE_US = 5_000
"""The time from what is sent of one output that has changed to what is sent of the next one, so that a group that is
switched keeps nobody from the bus for long. Common practice, no source."""
_FAULTS = ("faults",)
REBOOT_US = 300_000
"""From a reboot to the state of all outputs on the bus: longer than a claim takes (SAE J1939-81: 250 ms)."""
_LAST_PRIORITY = 251
"""The priority of an output without one: it is switched off first."""


class LoadCentreSettings(Settings):
    """The module itself; its limit is in the table of the module."""

    electronics_amps: Amps = 0.05
    """Current of the electronics, always. Common practice, no source."""
    shed_after_s: Annotated[float, Field(ge=0.1, le=60)] = 0.5
    """How long all outputs together are above the module's limit until one is switched off: longer than a start of a
    motor. Common practice, no source."""
    take_back_after_s: Annotated[float, Field(ge=1, le=3600)] = 10.0
    """How often it looks whether an output that was switched off fits again. Common practice, no source."""
    take_back_percent: Annotated[float, Field(ge=10, le=100)] = 90.0
    """It fits where all together stay below this share of the module's limit. Common practice, no source."""


class LoadCentre(Device):
    """Sends the status of dimmers and loads, and obeys their commands."""

    kind = "load_centre"
    caution: ClassVar[str] = (
        "Loads: what moves or heats on an output starts with nobody looking; keep hands off it and nothing lying on "
        "it. A software current limit does not replace the fuse that protects the wire."
    )
    Settings = LoadCentreSettings
    settings: LoadCentreSettings

    def __init__(self, context: DeviceContext) -> None:
        super().__init__(context)
        parts = context.module or self._parts_by_functions()
        self.module = parts
        self._owner = outputs_owner(parts.module, context.plan.branch)
        self._channels = [Channel(plan, self.catalogue, self.world.outputs) for plan in parts.outputs]
        self._fused = {
            fused_owner(channel.plan.name): channel
            for channel in self._channels
            if channel.plan.fuse_amps is not None and channel.plan.relay is None
        }
        """The outputs whose load is behind a fuse of its own, by the owner of its current."""
        self._fused_volts = dict.fromkeys(self._fused, 0.0)
        if context.module is not None:
            self._check_instances()
        self._by_name = {channel.plan.name: channel for channel in self._channels}
        self._by_instance: dict[tuple[str, int | None], Channel] = {
            (one.plan.form, one.plan.instance): one for one in self._channels if one.report is not None
        }
        self._exclusive = self._exclusive_outputs()
        self._has_interlocks = bool(self._exclusive) or any(one.plan.interlock for one in self._channels)
        self.inputs = InputBank(self, map(line_of, parts.inputs), self._on_switch)
        self._local_switches = dict(self._make_local_switches())
        self.closed_inputs: set[str] = set()
        """The inputs that are on, by their names; set by ``follow_input``."""
        self._present: dict[tuple[str, ReportedFault], None] = {}
        self._reported: dict[tuple[str, ReportedFault], None] = {}
        """The faults that there are, and those that are reported, with their functions."""
        self._waiting: dict[tuple[str, ...], dict[str, None]] = {}
        """What is to be sent, in order: the broadcasts of an output by their keys, or faults."""
        self._next_send = 0
        self._is_send_planned = False
        self._shed_due: int | None = None
        self._take_back_due: int | None = None
        self._amps = 0.0
        """The running current of all outputs together."""
        self._volts = 0.0
        self._is_active = dict.fromkeys(("dc_dimmer", "dc_load"), False)
        self.world.set_load(self.name, self.settings.electronics_amps)

    def _parts_by_functions(self) -> ModuleParts:
        """Return a module with an output for each instance that the device has; what hangs on it is not known."""
        instances = [
            (form, instance)
            for form, function in FUNCTION_BY_FORM.items()
            for instance in self.plan.functions.get(function, ())
        ]
        if not instances:
            raise InputError(
                f'device "{self.name}": a simulated load_centre needs the function dc_dimmer or dc_load, or its '
                f'outputs: add tables [[module]] with device = "{self.name}" and [[output]], or functions like '
                "{ dc_dimmer = [1, 2] }"
            )
        outputs = tuple(
            OutputPlan(
                name=unplanned_output(self.name, form, instance),
                module=self.name,
                terminal=number,
                instance=instance,
                message=form,
            )
            for number, (form, instance) in enumerate(instances, start=1)
        )
        for output in outputs:
            self.world.outputs.add(output, self.name)
        return ModuleParts(ModulePlan(name=self.name, device=self.name), outputs)

    def _check_instances(self) -> None:
        """Refuse an instance of the device's functions that none of its outputs, or none of its inputs, has."""
        own = {(channel.plan.function, channel.plan.instance) for channel in self._channels}
        own |= {(INPUT_FUNCTION, position.instance) for plan in self.module.inputs for position in plan.positions}
        for function, part in (("dc_dimmer", "output"), ("dc_load", "output"), (INPUT_FUNCTION, "input")):
            for instance in self.plan.functions.get(function, ()):
                if (function, instance) not in own:
                    raise InputError(
                        f'device "{self.name}": no {part} of its module {self.module.module.name} is {function} '
                        f"{instance}; add it, or remove the instance from its functions"
                    )

    def _make_local_switches(self) -> Iterator[tuple[str, LocalSwitch]]:
        """Yield each switch that switches an output by itself, by its name."""
        outputs = {position.name: position.output for plan in self.module.inputs for position in plan.positions}
        for switch in self.inputs.switches:
            channel = self._by_name.get(outputs[switch.name] or "")
            if channel is not None:
                command = partial(self._command_locally, channel)
                is_on, is_dimmer = partial(self._is_on, channel), channel.output.is_dimmer
                yield switch.name, LocalSwitch(self, switch, is_dimmer=is_dimmer, is_on=is_on, command=command)

    def _exclusive_outputs(self) -> dict[str, tuple[Channel, ...]]:
        """Return the outputs that must be off while one is on, by its name: an interlock holds both ways."""
        found: dict[str, list[Channel]] = {}
        for channel in self._channels:
            other = self._by_name.get(channel.plan.interlock or "")
            if other is not None:
                found.setdefault(channel.plan.name, []).append(other)
                found.setdefault(other.plan.name, []).append(channel)
        return {name: tuple(others) for name, others in found.items()}

    # What the host calls.

    def receives(self) -> dict[str, Callable[[bytes], None]]:
        """Receive the commands of its outputs."""
        return {message: partial(self._obey, message) for message in COMMANDS}

    def on_start(self) -> None:
        """Set the outputs as after power, follow the voltage, and send the state of each output."""
        self.inputs.start()
        self.closed_inputs.update(switch.name for switch in self.inputs.switches if self.inputs.is_on(switch.name))
        self._power_up()
        for name, local in self._local_switches.items():
            local.start(on=self.inputs.is_on(name))
        self.every(FUSED_VOLTS_US if self._fused else VOLTS_US, self._follow_volts)
        for channel in self._channels:
            if channel.report is None:
                continue
            level_key, state_key = channel.report.keys
            level, state = channel.report.messages
            self.broadcast(level, partial(getattr, channel.report, "level_data"), key=level_key)
            self.broadcast(state, self._state_builder(channel), key=state_key)

    def on_stop(self) -> None:
        """Lose the power: every output is off, and the coil of each relay is without current."""
        super().on_stop()
        for owner in (self._owner, *self._fused):
            self.world.remove(owner)
        for channel in self._channels:
            self.world.outputs.set_duty(channel.plan.name, 0.0, 0.0, self.now)

    def active(self, function: str) -> bool:
        """Return whether an output with this function is on; any other function is active always."""
        return self._is_active.get(function, True)

    def on_world_change(self) -> None:
        """Follow overrides by hand, and what has changed in the loads."""
        for channel in self._channels:
            override = self.world.outputs[channel.plan.name].override
            if override != channel.output.override:
                channel.output.set_override(override)
        self._follow_outputs(all_of_them=True)

    def reset(self, *, faults: bool, reboot: bool) -> None:
        """Clear trips and reported faults, or start anew as after power; faults that last are reported again."""
        super().reset(faults=faults, reboot=reboot)
        if faults:
            self._reported.clear()
            for channel in self._channels:
                channel.output.clear_trip()
                channel.is_lamp_out = False
        if reboot:
            self._power_up()
            self.after(REBOOT_US, self._send_all)
        else:
            self._follow_outputs(all_of_them=True)

    def _send_all(self) -> None:
        """Send the state of every output."""
        for channel in self._channels:
            if channel.report is not None:
                self._waiting[channel.report.keys] = dict.fromkeys(channel.report.keys)
        self._send_next()

    def output_readings(self) -> Mapping[str, OutputReading]:
        """Return what each output does now, by its name, before anything of it is sent."""
        return {channel.plan.name: channel.reading() for channel in self._channels}

    # Inputs.

    def on_contact(self, name: str) -> None:
        """Read an input again."""
        self.inputs.on_contact(name)

    def send_broadcasts(self, dgn: int, instance: int | None) -> bool:
        """Answer a request for its inputs as well."""
        if dgn == self.inputs.dgn:
            return self.inputs.answer(instance)
        return super().send_broadcasts(dgn, instance)

    def _on_switch(self, switch: DigitalInput, is_on: bool) -> None:  # noqa: FBT001 - it is a callback of the inputs
        self.follow_input(switch.name, is_on=is_on)
        local = self._local_switches.get(switch.name)
        if local is not None:
            local.switched(on=is_on)

    def _command_locally(self, channel: Channel, code: Code) -> None:
        """Command an output by a switch of the module."""
        if self._command(channel, OutputCommand(code)):
            self._follow_outputs()

    @staticmethod
    def _is_on(channel: Channel) -> bool:
        return channel.output.is_on

    def follow_input(self, name: str, *, is_on: bool) -> None:
        """Take over whether an input of the module is on; outputs that need it on go off without it."""
        (self.closed_inputs.add if is_on else self.closed_inputs.discard)(name)
        self._follow_outputs()

    # Commands.

    def _obey(self, message: str, data: bytes) -> None:
        read = read_command(self.catalogue.by_name(message), data)
        if read is None:
            return
        instance, group, command = read
        form = COMMANDS[message]
        if instance is None:
            members = [
                channel
                for channel in self._channels
                if channel.plan.form == form and shares_group(group_bits(channel.plan.groups), group)
            ]
        else:
            member = self._by_instance.get((form, instance))
            members = [] if member is None else [member]
        obeyed = [channel for channel in members if self._command(channel, command)]
        if obeyed:
            self._follow_outputs()

    def _command(self, channel: Channel, command: OutputCommand) -> bool:
        """Pass a command to an output; return whether it obeyed. One that would go on against an interlock does not."""
        output = channel.output
        if output.is_held and not self._goes_off(channel, command):
            return False
        if not output.obey(self.now, command):
            return False
        channel.has_moved, channel.rests = True, False
        if output.interlock and output.is_on:
            for other in self._channels:
                if other is not channel and other.output.interlock & output.interlock and other.output.is_on:
                    other.output.drop(self.now)
                    other.rests = False
        return True

    @staticmethod
    def _goes_off(channel: Channel, command: OutputCommand) -> bool:
        """Return whether a command lets an output go on under no circumstances."""
        if command.code is Code.SET_LEVEL:
            return command.level == 0
        if command.code is Code.TOGGLE:
            return channel.output.is_on
        return command.code in (Code.OFF_AFTER, Code.STOP, Code.MEMORY_OFF, Code.LOCK, Code.UNLOCK)

    def _power_up(self) -> None:
        """Set each output as the rig says for the time when the power comes; nothing that was commanded is left."""
        for channel in self._channels:
            plan = channel.plan
            last = self.memory.get(plan.name, 0.0)
            channel.output.is_shed = False
            channel.output.power_up(self.now, {"off": 0.0, "on": FULL, "last": last}[plan.at_power])
            channel.output.set_override(self.world.outputs[plan.name].override)
        self._volts = self.world.volts_at(self._owner)
        self._follow_outputs(all_of_them=True)

    # What follows from a change.

    def _follow_outputs(self, *, all_of_them: bool = False) -> None:
        """Let loads, battery, limit, messages and timers follow the outputs; all of them where loads have changed."""
        now = self.now
        if self._has_interlocks:
            self._follow_interlocks()
        awake = self._channels if all_of_them else self._awake()
        changed = awake if all_of_them else [channel for channel in awake if channel.needs_drive(now)]
        for channel in awake:
            channel.has_moved = False
        if changed:
            volts = self.world.volts_at(self._owner)
            self._drive(changed, volts)
            self._volts = volts
        self._count(now, awake)
        self._follow_limit(now, awake)
        self._report(now, awake)
        for channel in awake:
            self._plan(channel)
            if channel.plan.at_power == "last":
                self.memory[channel.plan.name] = channel.output.target

    def _awake(self) -> list[Channel]:
        """Return the outputs of which something may have changed: of twenty mostly one or two."""
        return [channel for channel in self._channels if not channel.rests]

    def _drive(self, channels: Iterable[Channel], volts: float) -> None:
        """Give loads their levels at the voltage of the module, or at that behind their own fuse."""
        if not self._fused:
            for channel in channels:
                channel.drive(self.now, volts)
            return
        self._fused_volts = {owner: self.world.volts_at(owner) for owner in self._fused}
        by_channel = {self._fused[owner].plan.name: behind for owner, behind in self._fused_volts.items()}
        for channel in channels:
            channel.drive(self.now, volts, by_channel.get(channel.plan.name))

    def _count(self, now: int, awake: Iterable[Channel]) -> None:
        """Take the current of all outputs out of the battery, those behind a fuse of their own each by itself."""
        amps = self._amps = sum([channel.current.steady_amps for channel in self._channels])
        if any(channel.is_start_counted for channel in awake):
            amps = sum([channel.counted_amps(now) for channel in self._channels])
        for owner, channel in self._fused.items():
            own = channel.counted_amps(now)
            amps -= own
            self.world.set_load(owner, own)
        amps = max(0.0, amps)
        if self._owner == self.name:
            self.world.set_load(self.name, self.settings.electronics_amps + amps)
        else:
            self.world.set_load(self._owner, amps)

    def _follow_interlocks(self) -> None:
        """Hold off each output whose partner is on, or whose input is off; what it was commanded is given up."""
        now = self.now
        for channel in self._channels:
            output, name = channel.output, channel.plan.name
            others = self._exclusive.get(name, ())
            is_held = any(other.output.level(now) > 0 for other in others)
            needed = channel.plan.interlock
            if needed is not None and needed not in self._by_name and needed not in self.closed_inputs:
                is_held = True
            if is_held != output.is_held:
                output.is_held, channel.rests = is_held, False
            if is_held and output.is_on:
                output.drop(now)

    def _plan(self, channel: Channel) -> None:
        """Set the timer for what happens to an output next; where nothing does, it rests."""
        due = channel.due()
        channel.rests = due is None
        if due != channel.timer_due:
            channel.timer_due = due
            if due is not None:
                self.after(max(0, due - self.now), partial(self._expire, channel, due))

    def _expire(self, channel: Channel, due: int) -> None:
        if channel.timer_due == due:  # otherwise something else happens first, and another timer is set for it
            channel.timer_due = None
            channel.expire(self.now)
            self._follow_outputs()

    def _follow_volts(self) -> None:
        """Let the currents of outputs that are on follow the voltage."""
        volts = self.world.volts_at(self._owner)
        changes = [abs(volts - self._volts)]
        changes += [abs(self.world.volts_at(owner) - behind) for owner, behind in self._fused_volts.items()]
        if max(changes) < MIN_VOLTS_CHANGE:
            return
        self._volts = volts
        now = self.now
        lit = [channel for channel in self._channels if channel.level > 0]
        self._drive(lit, volts)
        if lit:
            awake = self._awake()
            self._count(now, awake)
            self._follow_limit(now, awake)
            self._report(now, awake)
            for channel in lit:
                self._plan(channel)

    # The limit of the module.

    def _follow_limit(self, now: int, awake: Iterable[Channel]) -> None:
        """Plan to switch an output off where all together are above the limit, and forget those that are off anyway."""
        limit = self.module.module.limit_amps
        if limit is None:
            return
        for channel in awake:
            if channel.output.is_shed and not channel.output.is_on and channel.output.override != "on":
                channel.output.is_shed = False
        if self._amps > limit and self._shed_due is None:
            self._shed_due = now + round(self.settings.shed_after_s * SECOND_US)
            self.after(self._shed_due - now, self._shed)

    def _shed(self) -> None:
        """Switch off, in the order of priority, what is too much for the module."""
        self._shed_due = None
        limit, amps = self.module.module.limit_amps, self._amps
        assert limit is not None
        lit = [channel for channel in self._channels if channel.current.steady_amps > 0]
        for channel in sorted(lit, key=self._shed_order, reverse=True):
            if amps <= limit:
                break
            channel.shed_amps = channel.current.steady_amps
            channel.output.is_shed, channel.rests = True, False
            amps -= channel.shed_amps
        self._follow_outputs()
        self._plan_take_back()

    @staticmethod
    def _shed_order(channel: Channel) -> tuple[int, int]:
        return channel.plan.priority or _LAST_PRIORITY, channel.plan.terminal

    def _plan_take_back(self) -> None:
        is_shed = any(channel.output.is_shed for channel in self._channels)
        if is_shed and self._take_back_due is None:
            self._take_back_due = self.now + round(self.settings.take_back_after_s * SECOND_US)
            self.after(self._take_back_due - self.now, self._take_back)

    def _take_back(self) -> None:
        """Switch on again, the most important one first, what fits within the limit."""
        self._take_back_due = None
        limit = self.module.module.limit_amps
        assert limit is not None
        amps, most = self._amps, limit * self.settings.take_back_percent / 100
        for channel in sorted(self._channels, key=self._shed_order):
            if channel.output.is_shed and amps + channel.shed_amps <= most:
                channel.output.is_shed = False
                channel.has_moved, channel.rests = True, False
                amps += channel.shed_amps
        self._follow_outputs()
        self._plan_take_back()

    # Messages.

    def _report(self, now: int, awake: Iterable[Channel]) -> None:
        """Have what has changed sent, and faults that came or went reported."""
        active = dict.fromkeys(self._is_active, False)
        active |= dict.fromkeys([channel.function for channel in self._channels if channel.level > 0], True)
        for channel in awake:
            channel.known_faults = channel.faults()
            report = channel.report
            if report is None:
                continue
            for has_changed, key in zip(channel.rewrite(now), report.keys, strict=True):
                if has_changed:
                    self._waiting.setdefault(report.keys, {})[key] = None
        self._is_active = active
        self._follow_faults()
        self._send_next()

    def _follow_faults(self) -> None:
        channels = self._channels
        present = [(channel.function, fault) for channel in channels for fault in channel.known_faults]
        present += [(channel.function, SHED_FAULT) for channel in channels if channel.output.is_shed]
        self._present = {key: None for key in present if key[0] in self.plan.functions}
        if self._present.keys() != self._reported.keys():
            self._waiting.setdefault(_FAULTS, {})

    def _send_next(self) -> None:
        """Send what waits: one output, or one fault, at once, the others one after the other."""
        if not self._waiting or self._is_send_planned:
            return
        if self.now < self._next_send:
            self._plan_send()
            return
        self._next_send = self.now + PACE_US
        first = next(iter(self._waiting))
        if first == _FAULTS:
            if not self._report_one_fault():
                del self._waiting[_FAULTS]
        else:
            for key in self._waiting.pop(first):
                self.send_now(key)
        if self._waiting:
            self._plan_send()

    def _plan_send(self) -> None:
        self._is_send_planned = True
        self.after(self._next_send - self.now, self._send_planned)

    def _send_planned(self) -> None:
        self._is_send_planned = False
        self._send_next()

    def _report_one_fault(self) -> bool:
        """Report one fault that came, or withdraw one that went; return whether there are more."""
        came = next((key for key in self._present if key not in self._reported), None)
        gone = next((key for key in self._reported if key not in self._present), None)
        if came is not None:
            self._reported[came] = None
            self.report_fault(*came, red=False)
        elif gone is not None:
            del self._reported[gone]
            self.withdraw_fault(*gone)
        return self._present.keys() != self._reported.keys()

    def _state_builder(self, channel: Channel) -> Callable[[], bytes]:
        """Return what gives the second message of an output: a dimmer's has the time that a delay still lasts."""
        report, output = channel.report, channel.output
        assert report is not None
        if not output.is_dimmer:
            return partial(getattr, report, "state_data")

        def state_data() -> bytes:
            if output.is_delayed:
                channel.rewrite(self.now)
            return report.state_data

        return state_data
