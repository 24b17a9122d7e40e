"""The status messages of one output: written anew only when something in them has changed.

Knows: which fields of DC_DIMMER_STATUS_1 and _3, and of DC_LOAD_STATUS and _2, an output fills. Does not know how it
comes to its state, nor when a message is sent.

Fields that are unsure are sent as no data: the enable status, durations of flashing, and the delay of a load. Colours
are no data too: an output has one.
"""

from rvsim.devices.switching.commands import FULL_RAW, NO_DATA, delay_code, group_bits
from rvsim.devices.switching.output import Output
from rvsim.wire.catalogue import Catalogue

MESSAGES = {
    "dimmer": ("DC_DIMMER_STATUS_1", "DC_DIMMER_STATUS_3"),
    "load": ("DC_LOAD_STATUS", "DC_LOAD_STATUS_2"),
}
"""The status messages by those of an output: level and state."""
NO_AMPS_RAW, AMPS_STEP = 32_000, 0.05
"""The raw current of 0 A, and one step (two makers' documents)."""
MAX_AMPS_RAW, MAX_DEMAND_RAW = 65_530, 250
"""The highest raw values of the two currents."""
_MAX_PRIORITY = 13
"""The highest value of four bits; 14 and 15 are special codes of that type (from memory)."""


class OutputReport:
    """The two status messages of one output."""

    def __init__(self, output: Output, catalogue: Catalogue) -> None:
        plan = output.plan
        assert plan.instance is not None
        self._output = output
        self.messages = MESSAGES[plan.form]
        self.keys = tuple(f"{message} {plan.instance}" for message in self.messages)
        """The keys of its broadcasts."""
        first, second = (catalogue.by_name(message) for message in self.messages)
        named = {"instance": plan.instance, "group": group_bits(plan.groups)}
        if output.is_dimmer:
            self._pack_level = first.packer("master_brightness", **named)
            self._pack_state = second.packer(
                "operating_status", "lock_status", "over_current_status", "override_status", "delay_duration",
                "last_command", "interlock_status", "load_status", **named,
            )  # fmt: skip
        else:
            more = {} if plan.priority is None else {"priority": min(plan.priority, _MAX_PRIORITY)}
            self._pack_level = first.packer(
                "operating_status", "operating_mode", "demanded_current", "present_current",
                variable_level_capability=0, **named, **more,
            )  # fmt: skip
            self._pack_state = second.packer(
                "lock_status", "over_current_status", "override_status", "last_command", instance=plan.instance
            )
        self._shown: tuple[int, ...] = ()
        self._reported_level: tuple[int, ...] = ()
        self.level_data = self.state_data = b""

    def rewrite(self, now: int, level: float, amps: float, wanted_amps: float) -> tuple[bool, bool]:
        """Write anew what has changed; return whether each message is to be sent for it.

        A change of the current alone is not sent at once, nor is a level of a dimmer's first message during a ramp,
        since the second one has it.
        """
        output = self._output
        raw = min(FULL_RAW, round(2 * level)) or int(level > 0)  # lit at less than one step is one step
        code = NO_DATA if output.last_command is None else int(output.last_command)
        locked, over, by_hand = int(output.is_locked), int(output.is_over_current), int(output.override is not None)
        held, lit = int(output.is_held), int(level > 0 or output.is_flashing)
        shown: tuple[int, ...]
        if output.is_dimmer:
            shown = raw, locked, over, by_hand, code, held, lit, delay_code(output.left_us(now))
        else:
            amps_raw = min(MAX_AMPS_RAW, NO_AMPS_RAW + round(amps / AMPS_STEP))
            shown = raw, locked, over, by_hand, code, min(MAX_DEMAND_RAW, round(wanted_amps)), amps_raw
        before, self._shown = self._shown, shown
        reported = (raw,) if output.is_dimmer else (raw, by_hand)
        sends_level = reported != self._reported_level and not (output.is_dimmer and output.is_ramping)
        if sends_level:
            self._reported_level = reported
        if shown == before:
            return sends_level, False
        if output.is_dimmer:
            self.level_data = self._pack_level(master_brightness=raw)
            self.state_data = self._pack_state(
                operating_status=raw, lock_status=locked, over_current_status=over, override_status=by_hand,
                delay_duration=shown[-1], last_command=code, interlock_status=held, load_status=lit,
            )  # fmt: skip
            had_delay, has_delay = (bool(one) and one[-1] != NO_DATA for one in (before, shown))
            return sends_level, shown[:-1] != before[:-1] or had_delay != has_delay
        self.level_data = self._pack_level(
            operating_status=raw, operating_mode=by_hand, demanded_current=shown[-2], present_current=shown[-1]
        )
        self.state_data = self._pack_state(
            lock_status=locked, over_current_status=over, override_status=by_hand, last_command=code
        )
        return sends_level, shown[1:5] != before[1:5]
