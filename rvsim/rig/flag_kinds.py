"""The kinds of flags.

Knows: their names, as rigs, scenarios and JSON lines have them. Does not know what raises a flag (`watch` does).
"""

from enum import StrEnum


class FlagKind(StrEnum):
    """The kind of problem that a flag reports."""

    SILENT_DEVICE = "silent-device"
    LATE_MESSAGE = "late-message"
    BUS_QUIET = "bus-quiet"
    UNPLANNED_DEVICE = "unplanned-device"
    SHARED_ADDRESS = "shared-address"
    BAD_VALUE = "bad-value"
    NO_DATA = "no-data"
    WRONG_LENGTH = "wrong-length"
    UNKNOWN_MESSAGE = "unknown-message"
    REPORTED_FAULT = "reported-fault"
    BUS_BUSY = "bus-busy"
    NO_ACKNOWLEDGE = "no-acknowledge"
    SHARED_INSTANCE = "shared-instance"
    TWO_COMMANDERS = "two-commanders"
    IGNORED_COMMAND = "ignored-command"
    STUCK_VALUE = "stuck-value"
    CANNOT_CLAIM = "cannot-claim"
    SHARED_NAME = "shared-name"
    NO_ADDRESS = "no-address"
    FAILED_TRANSFER = "failed-transfer"
    RESTARTED = "restarted"
    BUS_ERRORS = "bus-errors"
    REPLACED_DEVICE = "replaced-device"
    LOG_OUT_OF_ORDER = "log-out-of-order"
    LOW_VOLTAGE = "low-voltage"
    FREEZE_RISK = "freeze-risk"
    MOTION_WITHOUT_INTERLOCK = "motion-without-interlock"
    RIG_CURRENT = "rig-current"
    RIG_CONDUCTOR = "rig-conductor"
    RIG_FUSE = "rig-fuse"
    RIG_LADDER = "rig-ladder"
    RIG_HARNESS = "rig-harness"
    RIG_IDENTITY = "rig-identity"
    RIG_PROVIDER = "rig-provider"
    RIG_BUDGET = "rig-budget"
    RIG_ENDURANCE = "rig-endurance"


PLAN_KINDS = frozenset(kind for kind in FlagKind if kind.startswith("rig-"))
"""The kinds that the plan raises, before there is a bus; the watch raises all others."""
