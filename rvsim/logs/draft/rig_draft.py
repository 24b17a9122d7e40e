"""A rig learnt from a captured log, as the text of a file for a person to go on with.

Knows: how a log becomes a rig. The log is gone through twice: without a rig, to see who is there; then with the rig
that was learnt, and what is still flagged becomes known trouble, so that the same log raises nothing. Does not know
formats of logs, nor when the rig is drafted: one log, one text.
"""

import tomllib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path, PurePath
from typing import NamedTuple

from rvsim.errors import InputError
from rvsim.logs.draft.log_units import names_of, units_of
from rvsim.logs.draft.rig_text import STEP, accepted_of, faults_in, plain, rig_text
from rvsim.logs.survey import Survey, survey
from rvsim.rig.load import check
from rvsim.rig.model import Rig
from rvsim.rig.quantity import LONGEST_US
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
    """How many kinds of trouble it accepts: its ``[[accepted]]`` tables."""
    faults: int
    """How many of these keep back a fault: something that does not work."""


class Overheard:
    """What a survey does not keep of a log: every NAME that was claimed, and the pauses of the whole bus."""

    def __init__(self) -> None:
        self.claims: dict[int, dict[Name, int]] = {}
        """The NAMEs claimed from each address, with the time at which each was first."""
        self.pauses: dict[int, int] = {}
        """How long the bus was silent before a moment, where that is more than a second."""

    def listen(self, contents: Iterable[Frame | LineEvent]) -> Iterator[Frame | LineEvent]:
        """Hand a log on and note what its frames tell; times go back no more here than in the watch."""
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


def learn_rig(open_log: Callable[[], Iterable[Frame | LineEvent]], catalogue: Catalogue, log_name: str) -> RigDraft:
    """Return a rig learnt from a log, with which the same log raises no flag.

    Args:
        open_log: opens the log at its beginning, for its frames and what else it tells; called twice.
        catalogue: the message definitions.
        log_name: the log's name, for the rig's name, its title and its comments.

    Raises:
        InputError: nobody was heard in the log.
    """
    overheard = Overheard()
    found = survey(overheard.listen(open_log()), catalogue)
    text = draft(found, overheard, log_name).text
    rig = check(Rig, TomlFile(Path("draft.toml"), text, tomllib.loads(text)))
    return draft(found, overheard, log_name, survey(open_log(), catalogue, rig).flags)


def draft(found: Survey, overheard: Overheard, log_name: str, flags: Iterable[Flag] = ()) -> RigDraft:
    """Write a rig with a device for each unit that was heard; ``flags`` are what it is to take as normal or accept.

    Raises:
        InputError: nobody was heard in the log.
    """
    units = units_of(found, overheard.claims)
    log = PurePath(plain(log_name)).name.strip() or "a log"
    if not units:
        raise InputError(f"{log}: nobody was heard in it, so no rig can be learnt; name a log with frames of devices")
    pauses = {flag: overheard.pauses.get(flag.until or 0, 0) for flag in flags if flag.kind is FlagKind.BUS_QUIET}
    normal = {flag: pause for flag, pause in pauses.items() if 0 < pause <= LONGEST_US - STEP}
    devices = dict(zip(names_of(units), units, strict=True))
    accepted = accepted_of([flag for flag in flags if flag not in normal], set(devices))
    cannot_claim = overheard.claims.get(NULL_ADDRESS, {})
    text = rig_text(found, log, devices, normal, cannot_claim, accepted)
    return RigDraft(text, len(accepted), faults_in(accepted))
