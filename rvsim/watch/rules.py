"""The rules: which problems raise a flag, and when it is cleared.

Knows: that a problem raises one flag, which stands until the problem ends, and what a rig accepts. Does not know how a
problem was found (a live bus and a captured log raise the same flags), nor the texts: ``drafts`` has those of each kind
of problem.
"""

from collections import Counter, deque
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from rvsim.watch.drafts import (
    addresses,
    alarms,
    bus,
    claims,
    commands,
    messages,
    motions,
    presence,
    supply,
    transfers,
    units,
    values,
)
from rvsim.watch.drafts.draft import Drafts, FlagDraft
from rvsim.watch.flag import Flag, FlagCleared, FlagKind, FlagRaised, Severity
from rvsim.watch.transitions import Ended, Problem, ProblemKey, is_by_time
from rvsim.watch.transitions.basis import is_lasting

if TYPE_CHECKING:
    from rvsim.rig.accepted import AcceptedPlan

MAX_CLEARED_FLAGS = 5_000
"""How many cleared flags are stored; the oldest are removed first, so that a run of a week has bounded memory."""
DRAFTS: Drafts = {
    **presence.DRAFTS,
    **addresses.DRAFTS,
    **claims.DRAFTS,
    **units.DRAFTS,
    **bus.DRAFTS,
    **values.DRAFTS,
    **supply.DRAFTS,
    **commands.DRAFTS,
    **alarms.DRAFTS,
    **messages.DRAFTS,
    **motions.DRAFTS,
    **transfers.DRAFTS,
}
"""The function for each kind of problem; a test checks that no kind is missing."""


class Finding(NamedTuple):
    """A flag, and the problem that it reports with its latest figures."""

    flag: Flag
    problem: Problem


class Rules:
    """Turns problems and their ends into flags, except those that the rig accepts."""

    def __init__(self, accepted: "Iterable[AcceptedPlan]" = ()) -> None:
        self.accepted: Counter[tuple[FlagKind, str]] = Counter()
        """How many flags of each kind and subject were not raised because they are accepted."""
        self.changes = 0
        """How often a flag was raised, renewed or cleared."""
        self._standing_cache: tuple[tuple[int, int], tuple[Flag, ...]] = ((-1, -1), ())
        self._accepted = tuple(accepted)
        self._accepted_keys: set[ProblemKey] = set()
        self._raised = 0
        self._standing: dict[ProblemKey, Finding] = {}
        self._renewed: set[ProblemKey] = set()
        """Those whose problem has other figures than the text of their flag: a text is made only when it is asked
        for, since a figure that is reported may change with every frame."""
        self._cleared: deque[Finding] = deque(maxlen=MAX_CLEARED_FLAGS)
        self._doubts_times = False

    def all_flags(self, now: int) -> tuple[Flag, ...]:
        """Return the flags that stand, with their figures at ``now`` (microseconds), and the latest cleared ones, by
        number.
        """
        return tuple(finding.flag for finding in self.findings(now))

    def findings(self, now: int) -> tuple[Finding, ...]:
        """Return the same flags with the problems that they report."""
        self._renew_texts(*self._renewed)
        present = (finding._replace(flag=_as_of(finding, now)) for finding in self._standing.values())
        return tuple(sorted((*self._cleared, *present), key=lambda finding: finding.flag.number))

    def standing(self, now: int) -> tuple[Flag, ...]:
        """Return the flags that stand, by number, with their figures at ``now`` (microseconds)."""
        requested = self.changes, now
        if self._standing_cache[0] != requested:  # a screen asks for each of its rows
            self._renew_texts(*self._renewed)
            self._standing_cache = requested, tuple(_as_of(standing, now) for standing in self._standing.values())
        return self._standing_cache[1]

    def process(self, transition: Problem | Ended) -> FlagRaised | FlagCleared | None:
        """Raise or clear the flag of a transition and return that event; None where no flag is raised or cleared.

        A problem that is reported again with other figures renews the text of its flag.
        """
        if isinstance(transition, Ended):
            return self._clear(transition)
        key = transition.problem_key
        if key in self._accepted_keys or (self._doubts_times and is_by_time(transition)):
            return None
        self.changes += 1
        if key in self._standing:
            self._standing[key] = self._standing[key]._replace(problem=transition)
            self._renewed.add(key)
            return None
        draft = _draft(transition)
        if self._accepts(draft):
            self.accepted[draft.kind, draft.subject] += 1
            self._accepted_keys.add(key)
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
            fault=draft.fault,
        )
        self._standing[key] = Finding(flag, transition)
        return FlagRaised(transition.time, flag)

    def doubt_times(self, time: int) -> list[FlagCleared]:
        """Raise no more flags that are found by times alone, and clear those that stand."""
        self._doubts_times = True
        doubtful = [key for key, standing in self._standing.items() if is_by_time(standing.problem)]
        return [event for key in doubtful if (event := self._clear(Ended(time, key))) is not None]

    def _renew_texts(self, *keys: ProblemKey) -> None:
        """Give standing flags the text and figures of their problems."""
        for key in keys:
            flag, problem = self._standing[key]
            self._standing[key] = Finding(flag.renewed(*_texts(problem)), problem)
        self._renewed.difference_update(keys)

    def _accepts(self, draft: FlagDraft) -> bool:
        message = (draft.topic.dgn, draft.topic.message) if draft.topic else None
        covering = (plan for plan in self._accepted if plan.covers(draft.kind, draft.subject, message, draft.field))
        return any(plan.absent or not draft.absent for plan in covering)

    def _clear(self, ended: Ended) -> FlagCleared | None:
        self._accepted_keys.discard(ended.problem_key)
        self._renew_texts(*self._renewed & {ended.problem_key})
        standing = self._standing.pop(ended.problem_key, None)
        if standing is None:
            return None
        self.changes += 1
        flag = standing.flag.cleared(ended.time)
        self._cleared.append(standing._replace(flag=flag))
        return FlagCleared(ended.time, flag)


def _draft(problem: Problem) -> FlagDraft:
    return DRAFTS[type(problem)](problem)


def _texts(problem: Problem) -> tuple[Severity, str, str, tuple[str, ...]]:
    draft = _draft(problem)
    return draft.severity, draft.text, draft.advice, draft.evidence


def _as_of(standing: Finding, now: int) -> Flag:
    flag, problem = standing
    if not is_lasting(problem) or now <= problem.time:
        return flag
    return flag.renewed(*_texts(problem.at(now)))
