"""The part of a log that is shown: its period, devices and messages.

Knows: how devices and messages are named in options, and which parts of a survey are about them. Does not know how a
survey is shown. The rules always judge the whole bus.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rvsim.errors import InputError
from rvsim.logs.decoded import SignalKey
from rvsim.logs.read import HasChannels, no_channel
from rvsim.logs.signal_summary import SignalSummary
from rvsim.logs.survey import WHOLE_LOG, Survey, SurveyedSource, SurveyedTime
from rvsim.watch.flag import Flag
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.frame import SECOND_US

if TYPE_CHECKING:
    from rvsim.rig.model import Rig

_ADDRESS = re.compile(r"(?:address\s+)?(?:0x)?([0-9a-f]{1,2})(?:\s+hex)?", re.IGNORECASE)
_DGN = re.compile(r"(?:0x)?([0-3]?[0-9a-f]{4})", re.IGNORECASE)
_GENERAL_SUBJECTS = ("bus", "log")
"""Subjects of flags that are about no single device."""


@dataclass(frozen=True)
class LogSelection:
    """What is shown; an empty set of devices or messages stands for all."""

    part: SurveyedTime = WHOLE_LOG
    devices: tuple[str, ...] = ()
    """Planned names, or ``address 9C hex``."""
    messages: tuple[tuple[int, str | None], ...] = ()
    """DGNs with their names."""

    @property
    def is_everything(self) -> bool:
        """Tell whether nothing is left out."""
        return self == LogSelection()

    def sentence(self, found: Survey) -> str:
        """Return what is shown, and that the rest was judged too."""
        shown = []
        if self.part != WHOLE_LOG:
            shown.append(f"from {self.part.start / 1e6:g} s to {found.end / 1e6:g} s of the log")
        if self.devices:
            shown.append(f"{'device' if len(self.devices) == 1 else 'devices'} {', '.join(self.devices)}")
        if self.messages:
            names = [name or f"{dgn:05X}" for dgn, name in self.messages]
            shown.append(f"{'message' if len(names) == 1 else 'messages'} {', '.join(names)}")
        judged = "the whole log" if self.part.end is None else f"everything up to {found.end / 1e6:g} s"
        return (
            f"Shown: {', '.join(shown)}. The rules judged {judged}, with all devices and messages; the bus load is "
            "that of all."
        )

    def of(self, found: Survey) -> Survey:
        """Return the part of a survey that is shown."""
        if not self.devices and not self.messages:
            return found
        shown = [source for source in found.sources if self._has(source)]
        known = {record.device for source in shown for record in source.devices}
        names = {*self.devices, *known} if self.devices else set()
        sources = [self._of_source(source) for source in shown]
        return replace(
            found,
            sources=tuple(source for source in sources if source.messages),
            unseen_devices=tuple(name for name in found.unseen_devices if not self.devices or name in names),
            flags=tuple(flag for flag in found.flags if self._is_about(flag, names)),
            signals=self._of_signals(found.signals, {source.address for source in shown}),
            presence={name: spans for name, spans in found.presence.items() if not self.devices or name in names},
            causes=tuple(cause for cause in found.causes if any(self._is_about(flag, names) for flag in cause.flags)),
        )

    def _of_signals(
        self, signals: Mapping[SignalKey, SignalSummary] | None, sources: set[int]
    ) -> Mapping[SignalKey, SignalSummary] | None:
        wanted = {dgn for dgn, _ in self.messages}
        return signals and {
            key: signal
            for key, signal in signals.items()
            if key.source in sources and (not wanted or key.dgn in wanted)
        }

    def _has(self, source: SurveyedSource) -> bool:
        names = {f"address {source.address:02X} hex", *(record.device for record in source.devices)}
        return not self.devices or bool(names.intersection(self.devices))

    def _of_source(self, source: SurveyedSource) -> SurveyedSource:
        if not self.messages:
            return source
        wanted = {dgn for dgn, _ in self.messages}
        return replace(source, messages={key: counts for key, counts in source.messages.items() if key.dgn in wanted})

    def _is_about(self, flag: Flag, devices: set[str]) -> bool:
        """Tell whether a flag is about one of the devices, by any of their names, and one of the messages."""
        if flag.subject in _GENERAL_SUBJECTS:
            return True
        has_device = not devices or bool(devices.intersection(flag.subject.split(", ")))
        messages = {name or f"{dgn:05X}" for dgn, name in self.messages}
        return has_device and (not messages or flag.message is None or flag.message in messages)


def selection(
    part: SurveyedTime, devices: Sequence[str], messages: Sequence[str], rig: "Rig | None", catalogue: Catalogue
) -> LogSelection:
    """Return the selection that the options describe.

    Raises:
        InputError: a text is no device or no message.
    """
    planned = [] if rig is None else [device.name for device in rig.devices]
    return LogSelection(
        part,
        tuple(_device(text, planned) for text in devices),
        tuple(_message(text, catalogue) for text in messages),
    )


def _device(text: str, planned: Iterable[str]) -> str:
    if text in planned:
        return text
    address = _ADDRESS.fullmatch(text.strip())
    if address:
        return f"address {int(address[1], 16):02X} hex"
    known = f"a device of the rig ({', '.join(planned)})" if planned else "a device of a rig given by --rig"
    raise InputError(f"--device {text}: give {known}, or an address in hex such as 9C")


def _message(text: str, catalogue: Catalogue) -> tuple[int, str | None]:
    name = next((known for known in catalogue.names if known.upper() == text.upper()), None)
    if name is not None:
        return catalogue.by_name(name).dgn, name
    dgn = _DGN.fullmatch(text.strip())
    if not dgn:
        raise InputError(f"--message {text}: not defined: give a name such as DC_SOURCE_STATUS_1, or a DGN in hex")
    spec = catalogue.by_dgn(int(dgn[1], 16))
    return int(dgn[1], 16), spec.name if spec else None


def check_selected(log: HasChannels, channel: str | None, part: SurveyedTime, last: int) -> None:
    """Check that a log has what was selected, after it was read; ``last`` is its last time in microseconds.

    Raises:
        InputError: it has no such channel, or ends before the part begins.
    """
    if channel is not None and channel not in log.channels:
        raise no_channel(log, channel)
    if part.start > last:
        raise InputError(
            f"--from {part.start / SECOND_US:g}: {log.name} ends {last / SECOND_US:.1f} s after its first frame"
        )
