"""A rig learnt from a captured log, as the text of a file that a person completes.

Knows: how a log becomes a rig. The log is read twice: without a rig, to find its units; then with the learnt rig, and
what is still flagged becomes accepted trouble, so that the same log raises no flag. Does not know formats of logs, nor
the date: one log gives one text.
"""

import tomllib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path, PurePath
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.logs.draft.log_units import names_of, units_of
from rvsim.logs.draft.rig_text import (
    PAUSE_STEP_US,
    accepted_trouble,
    count_faults,
    log_table,
    printable_text,
    render_rig,
)
from rvsim.logs.survey import Survey, survey
from rvsim.rig.load import check_model
from rvsim.rig.model import Rig
from rvsim.rig.quantity import MAX_DURATION_US
from rvsim.rig.toml_file import TomlFile
from rvsim.watch.flag import Flag, FlagKind
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import NULL_ADDRESS, dgn_of
from rvsim.wire.line_events import LineEvent
from rvsim.wire.name import Name


class RigDraft(NamedTuple):
    """A rig learnt from a log."""

    text: str
    """The text of its file."""
    accepted: int
    """The number of its ``[[accepted]]`` tables: the kinds of trouble that it accepts."""
    faults: int
    """How many of these accept a fault: something that does not work."""


class LogNotes:
    """What a survey does not keep of a log: every NAME that was claimed, and the pauses of the whole bus.

    Times and durations are in microseconds.
    """

    def __init__(self) -> None:
        self.claims: dict[int, dict[Name, int]] = {}
        """The NAMEs claimed from each address, with the time at which each was first."""
        self.pauses: dict[int, int] = {}
        """How long the bus was silent before a time, where that is more than a second."""

    def observe(self, contents: Iterable[Frame | LineEvent]) -> Iterator[Frame | LineEvent]:
        """Observe a log and yield it unchanged; a time that goes back is replaced here as in the watch."""
        last = 0
        for frame in contents:
            if not isinstance(frame, Frame):
                yield frame
                continue
            time = max(frame.time, last)
            if time - last > SECOND_US:
                self.pauses[time] = time - last
            last = time
            if dgn_of(frame.identifier) == ADDRESS_CLAIM and len(frame.data) == 8:
                self.claims.setdefault(frame.identifier & 0xFF, {}).setdefault(Name.from_bytes(frame.data), time)
            yield frame


def learn_rig(
    open_log: Callable[[], Iterable[Frame | LineEvent]], catalogue: Catalogue, log_name: str, columns: str | None = None
) -> RigDraft:
    """Return a rig learnt from a log, with which the same log raises no flag.

    Args:
        open_log: opens the log at its beginning, for its frames and events; called twice.
        catalogue: the message definitions.
        log_name: the log's name, for the rig's name, its title and its comments.
        columns: the columns of the log, if it is a table.

    Raises:
        InputError: the log has no frames of devices.
    """
    notes = LogNotes()
    found = survey(notes.observe(open_log()), catalogue)
    text = draft_rig(found, notes, log_name).text
    rig = check_model(Rig, TomlFile(Path("draft.toml"), text, tomllib.loads(text)))
    learnt = draft_rig(found, notes, log_name, survey(open_log(), catalogue, rig).flags)
    return learnt if columns is None else learnt._replace(text=learnt.text + log_table(columns))


def draft_rig(found: Survey, notes: LogNotes, log_name: str, flags: Iterable[Flag] = ()) -> RigDraft:
    """Return a rig with a device for each unit in the log; ``flags`` are those that it takes as normal or accepts.

    Raises:
        InputError: the log has no frames of devices.
    """
    units = units_of(found, notes.claims)
    log = PurePath(printable_text(log_name)).name.strip() or "a log"
    if not units:
        raise InputError(f"{log}: it has no frames of devices, so no rig can be learnt; name another log")
    pauses = {flag: notes.pauses.get(flag.until or 0, 0) for flag in flags if flag.kind is FlagKind.BUS_QUIET}
    normal = {flag: pause for flag, pause in pauses.items() if 0 < pause <= MAX_DURATION_US - PAUSE_STEP_US}
    devices = dict(zip(names_of(units), units, strict=True))
    accepted = accepted_trouble([flag for flag in flags if flag not in normal], set(devices))
    cannot_claim = notes.claims.get(NULL_ADDRESS, {})
    text = render_rig(found, log, devices, normal, cannot_claim, accepted)
    return RigDraft(text, len(accepted), count_faults(accepted))
