"""The rules: which problems raise a flag, and when it is cleared.

Knows: that a cause raises one flag, which stands until the cause ends, and what a rig accepts. Does not know how a
problem was found, those of a live bus and those of a captured log raise the same flags; nor the words: ``drafts`` has
them, those of each kind of problem.
"""

from collections import Counter, deque
from collections.abc import Iterable
from typing import NamedTuple

from rvsim.rig.accepted import AcceptedPlan
from rvsim.watch.drafts import (
    addresses,
    alarms,
    bus,
    claims,
    commands,
    messages,
    presence,
    transfers,
    units,
    values,
)
from rvsim.watch.drafts.draft import Drafts, FlagDraft
from rvsim.watch.flag import Flag, FlagCleared, FlagKind, FlagRaised, Severity
from rvsim.watch.transitions import Ended, Problem, ProblemKey, is_by_time
from rvsim.watch.transitions.basis import is_lasting

MAX_CLEARED_FLAGS = 5_000
"""Cleared flags that are remembered; the oldest go first, so a week's run has bounded memory."""
_DRAFTS: Drafts = {
    **presence.DRAFTS,
    **addresses.DRAFTS,
    **claims.DRAFTS,
    **units.DRAFTS,
    **bus.DRAFTS,
    **values.DRAFTS,
    **commands.DRAFTS,
    **alarms.DRAFTS,
    **messages.DRAFTS,
    **transfers.DRAFTS,
}


class Finding(NamedTuple):
    """A flag, and the problem that it is about as it was told last."""

    flag: Flag
    problem: Problem


class Rules:
    """Turns problems and their ends into flags, but for those that are accepted."""

    def __init__(self, accepted: Iterable[AcceptedPlan] = ()) -> None:
        self.accepted: Counter[tuple[FlagKind, str]] = Counter()
        """How many flags of each kind and subject were not raised because they are accepted."""
        self.changes = 0
        """How often a flag was raised, renewed or cleared."""
        self._presented: tuple[tuple[int, int], tuple[Flag, ...]] = ((-1, -1), ())
        self._accepted = tuple(accepted)
        self._untold: set[ProblemKey] = set()
        self._raised = 0
        self._standing: dict[ProblemKey, Finding] = {}
        self._cleared: deque[Finding] = deque(maxlen=MAX_CLEARED_FLAGS)
        self._doubts_times = False

    def all_flags(self, now: int) -> tuple[Flag, ...]:
        """Return the flags that stand, as they stand now, and the last ones that were cleared, by number."""
        return tuple(finding.flag for finding in self.findings(now))

    def findings(self, now: int) -> tuple[Finding, ...]:
        """Return the same flags with the problems that they are about."""
        present = (finding._replace(flag=_present(finding, now)) for finding in self._standing.values())
        return tuple(sorted((*self._cleared, *present), key=lambda finding: finding.flag.number))

    def standing(self, now: int) -> tuple[Flag, ...]:
        """Return the flags that stand, by number, with their figures as they are now (microseconds)."""
        asked = self.changes, now
        if self._presented[0] != asked:  # a screen asks for each of its rows
            self._presented = asked, tuple(_present(standing, now) for standing in self._standing.values())
        return self._presented[1]

    def follow(self, transition: Problem | Ended) -> FlagRaised | FlagCleared | None:
        """Raise or clear what a transition calls for; None where nothing changes.

        A problem that is told again, with other figures, renews the words of the flag that stands for it.
        """
        if isinstance(transition, Ended):
            return self._clear(transition)
        cause = transition.problem_key
        if cause in self._untold or (self._doubts_times and is_by_time(transition)):
            return None
        self.changes += 1
        if cause in self._standing:
            flag = self._standing[cause].flag
            self._standing[cause] = Finding(flag.renewed(*_words(transition)), transition)
            return None
        draft = _draft(transition)
        if self._accepts(draft):
            self.accepted[draft.kind, draft.subject] += 1
            self._untold.add(cause)
            return None
        self._raised += 1
        flag = Flag(
            self._raised,
            draft.kind,
            draft.subject,
            draft.severity,
            transition.since,
            draft.text,
            draft.advice,
            draft.evidence,
            message=(draft.topic.message or f"{draft.topic.dgn:05X}") if draft.topic else None,
            field=draft.field,
            heard=draft.heard,
        )
        self._standing[cause] = Finding(flag, transition)
        return FlagRaised(transition.time, flag)

    def doubt_times(self, time: int) -> list[FlagCleared]:
        """Raise no flag any more that is found by times alone, and clear those that stand."""
        self._doubts_times = True
        doubtful = [cause for cause, standing in self._standing.items() if is_by_time(standing.problem)]
        return [event for cause in doubtful if (event := self._clear(Ended(time, cause))) is not None]

    def _accepts(self, draft: FlagDraft) -> bool:
        message = (draft.topic.dgn, draft.topic.message) if draft.topic else None
        covering = (one for one in self._accepted if one.covers(draft.kind, draft.subject, message, draft.field))
        return any(one.absent or not draft.absent for one in covering)

    def _clear(self, ended: Ended) -> FlagCleared | None:
        self._untold.discard(ended.problem_key)
        standing = self._standing.pop(ended.problem_key, None)
        if standing is None:
            return None
        self.changes += 1
        flag = standing.flag.cleared(ended.time)
        self._cleared.append(standing._replace(flag=flag))
        return FlagCleared(ended.time, flag)


def _draft(problem: Problem) -> FlagDraft:
    return _DRAFTS[type(problem)](problem)


def _words(problem: Problem) -> tuple[Severity, str, str, tuple[str, ...]]:
    draft = _draft(problem)
    return draft.severity, draft.text, draft.advice, draft.evidence


def _present(standing: Finding, now: int) -> Flag:
    flag, problem = standing
    if not is_lasting(problem) or now <= problem.time:
        return flag
    return flag.renewed(*_words(problem.at(now)))
