"""Known problems for which no flag is raised: the ``[[accepted]]`` tables of a rig.

Knows: which kinds of flags concern a message or one of its fields. Does not know what raises a flag (`watch` does), nor
which messages exist.
"""

import re
from typing import Annotated

from pydantic import AfterValidator, ValidationInfo, field_validator

from rvsim.errors import did_you_mean
from rvsim.rig.flag_kinds import FlagKind
from rvsim.rig.quantity import shown
from rvsim.rig.table import OneLineText, Table

FLAG_KINDS = tuple(str(kind) for kind in FlagKind)
"""The kinds of flags that a rig can accept: all of them."""
FIELD_FLAG_KINDS: tuple[str, ...] = (
    FlagKind.BAD_VALUE,
    FlagKind.NO_DATA,
    FlagKind.STUCK_VALUE,
    FlagKind.REPORTED_FAULT,
    FlagKind.LOW_VOLTAGE,
    FlagKind.FREEZE_RISK,
)
"""The kinds of flags about one field of a message."""
MESSAGE_FLAG_KINDS: tuple[str, ...] = (
    *FIELD_FLAG_KINDS,
    FlagKind.LATE_MESSAGE,
    FlagKind.WRONG_LENGTH,
    FlagKind.UNKNOWN_MESSAGE,
    FlagKind.TWO_COMMANDERS,
    FlagKind.IGNORED_COMMAND,
    FlagKind.NO_ADDRESS,
    FlagKind.FAILED_TRANSFER,
)
"""The kinds of flags about one message, those about a field included."""
PLAN_PREFIX = "rig-"
"""The kinds of flags that the plan raises begin with it."""
_DGN = re.compile(r"[0-3][0-9A-F]{4}", re.ASCII | re.IGNORECASE)


def _check_flag_kind(text: str) -> str:
    if text not in FLAG_KINDS:
        known = ", ".join(FLAG_KINDS)
        raise ValueError(f"{shown(text)} is not a kind of flag{did_you_mean(text, FLAG_KINDS)}; the kinds are {known}")
    return text


def _check_message(text: str) -> str:
    if _DGN.fullmatch(text):
        return text.upper()
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(
            f'{shown(text)} is not a message; write its name, like "FURNACE_STATUS", or its DGN as five hex digits up '
            'to 3FFFF, like "1FFE4"'
        )
    return text


def _check_field(text: str) -> str:
    if not (text.isidentifier() and text.isascii()):
        raise ValueError(f"{shown(text)} does not name a field; write it without its message, like air_temperature")
    return text


class AcceptedPlan(Table):
    """One kind of flag that is not raised. Device, message and field restrict it; each may be left out."""

    flag: Annotated[str, AfterValidator(_check_flag_kind)]
    """The kind of flag."""
    device: OneLineText | None = None
    """The planned device that it is about; if omitted, every device, every unplanned one and the bus itself."""
    message: Annotated[str, AfterValidator(_check_message)] | None = None
    """The message that it is about, by its name, or by its DGN as five hex digits."""
    field: Annotated[str, AfterValidator(_check_field)] | None = None
    """The field of the message that it is about."""
    answer: OneLineText | None = None
    """With a kind that begins with rig-: the answer of the plan that it is about, by its key, like
    "output.galley_light.drop_percent"."""
    absent: bool = False
    """With silent-device: whether the device may also be missing from the start."""
    reason: OneLineText | None = None
    """Why it is accepted, in a few words."""

    @property
    def dgn(self) -> int | None:
        """The DGN, where the message is given by its DGN; else None."""
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

    @field_validator("answer")
    @classmethod
    def _of_the_plan(cls, answer: str | None, info: ValidationInfo) -> str | None:
        flag = info.data.get("flag")
        if answer is not None and flag is not None and not flag.startswith(PLAN_PREFIX):
            raise ValueError(f"a {flag} flag is not one of the plan; remove it")
        return answer

    @field_validator("absent")
    @classmethod
    def _of_a_silent_device(cls, absent: bool, info: ValidationInfo) -> bool:
        flag = info.data.get("flag")
        if absent and flag is not None and flag != FlagKind.SILENT_DEVICE:
            raise ValueError(f"only a silent-device can be absent, and not a {flag}; remove it")
        return absent

    def covers(self, flag: str, device: str, message: tuple[int, str | None] | None, field: str | None) -> bool:
        """Return whether a flag is accepted.

        Args:
            flag: its kind.
            device: its subject.
            message: the DGN and the name of its message, None where it concerns no message.
            field: its field, None where it concerns no field.
        """
        if self.flag != flag or self.device not in (None, device) or self.field not in (None, field):
            return False
        return self.message is None or (message is not None and self.message in (f"{message[0]:05X}", message[1]))

    def covers_answer(self, flag: str, key: str, subject: str) -> bool:
        """Return whether what an answer of the plan found wrong is accepted.

        Args:
            flag: the kind of its flag.
            key: the key of the answer.
            subject: the part of the rig that it is about.
        """
        if self.flag != flag or self.answer not in (None, key):
            return False
        device = self.device
        return device is None or device == subject or key.startswith(f"device.{'_'.join(device.split())}.")
