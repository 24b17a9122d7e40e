"""Known trouble that is not to be told: the ``[[accepted]]`` tables of a rig.

Knows: which kinds of flag there are, by name, and which of them are about a message or about one of its fields. Does
not know what raises a flag (`watch` does), nor which messages there are.
"""

import re
from typing import Annotated

from pydantic import AfterValidator, ValidationInfo, field_validator

from rvsim.errors import did_you_mean
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText, Table

FLAG_KINDS = (
    "silent-device",
    "late-message",
    "bus-quiet",
    "unplanned-device",
    "shared-address",
    "bad-value",
    "no-data",
    "wrong-length",
    "unknown-message",
    "reported-fault",
    "bus-busy",
    "no-acknowledge",
    "shared-instance",
    "two-commanders",
    "ignored-command",
    "stuck-value",
    "cannot-claim",
    "shared-name",
    "no-address",
    "failed-transfer",
    "restarted",
    "bus-errors",
    "replaced-device",
    "log-out-of-order",
)
"""The kinds of flag that a rig can accept."""
FIELD_FLAG_KINDS = ("bad-value", "no-data", "stuck-value", "reported-fault")
MESSAGE_FLAG_KINDS = (
    *FIELD_FLAG_KINDS,
    "late-message",
    "wrong-length",
    "unknown-message",
    "two-commanders",
    "ignored-command",
    "no-address",
    "failed-transfer",
)
_DGN = re.compile(r"[0-3][0-9A-F]{4}", re.ASCII | re.IGNORECASE)


def _check_flag_kind(text: str) -> str:
    if text not in FLAG_KINDS:
        known = ", ".join(FLAG_KINDS)
        raise ValueError(f"{shown(text)} is no kind of flag{did_you_mean(text, FLAG_KINDS)}; the kinds are {known}")
    return text


def _check_message(text: str) -> str:
    if _DGN.fullmatch(text):
        return text.upper()
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(
            f'{shown(text)} names no message; write its name, like "FURNACE_STATUS", or its DGN as five hex digits up '
            'to 3FFFF, like "1FFE4"'
        )
    return text


def _check_field(text: str) -> str:
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(f"{shown(text)} does not name a field; write it without its message, like air_temperature")
    return text


class AcceptedPlan(Table):
    """One sort of flag that is not raised. What is left out may be anything: device, message, field."""

    flag: Annotated[str, AfterValidator(_check_flag_kind)]
    device: OneLineText | None = None
    """A planned device by its name; left out, it is every device, every stranger and the bus itself."""
    message: Annotated[str, AfterValidator(_check_message)] | None = None
    """A message by its name, or a DGN as five hex digits."""
    field: Annotated[str, AfterValidator(_check_field)] | None = None
    absent: bool = False
    """With silent-device: also where the device is not heard at all, not only where it falls silent."""
    reason: OneLineText | None = None

    @property
    def dgn(self) -> int | None:
        """The DGN, where the message is given by it."""
        return int(self.message, 16) if self.message is not None and _DGN.fullmatch(self.message) else None

    @field_validator("message")
    @classmethod
    def _of_a_flag_with_a_message(cls, message: str | None, info: ValidationInfo) -> str | None:
        flag = info.data.get("flag")
        if message is not None and flag is not None and flag not in MESSAGE_FLAG_KINDS:
            raise ValueError(f"a {flag} flag is not about one message; remove it")
        return message

    @field_validator("field")
    @classmethod
    def _of_a_flag_with_a_field(cls, field: str | None, info: ValidationInfo) -> str | None:
        flag = info.data.get("flag")
        if field is not None and flag is not None and flag not in FIELD_FLAG_KINDS:
            raise ValueError(f"a {flag} flag is not about one field; remove it")
        if field is not None and info.data.get("message", field) is None:
            raise ValueError("a field needs its message; add the message, or remove the field")
        return field

    @field_validator("absent")
    @classmethod
    def _of_a_silent_device(cls, absent: bool, info: ValidationInfo) -> bool:
        flag = info.data.get("flag")
        if absent and flag is not None and flag != "silent-device":
            raise ValueError(f"only a silent-device can be absent, and not a {flag}; remove it")
        return absent

    def covers(self, flag: str, device: str, message: tuple[int, str | None] | None, field: str | None) -> bool:
        """Tell whether a flag is accepted.

        Args:
            flag: its kind.
            device: its subject.
            message: the DGN and the name of the message that it is about; None where it is about none.
            field: the field that it is about; None where it is about none.
        """
        if self.flag != flag or self.device not in (None, device) or self.field not in (None, field):
            return False
        return self.message is None or (message is not None and self.message in (f"{message[0]:05X}", message[1]))
