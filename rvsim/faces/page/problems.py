"""Causes and flags as articles of a page: what, the evidence, what to try next.

Knows: how a cause, a group of flags, and what they explain stand together. Does not know how they are found.
"""

from collections.abc import Iterator, Sequence

from rvsim.faces.page.markup import Html, element, join
from rvsim.faces.text.clock import Clock
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.flags import ExplainedFlags, group_flags, tags
from rvsim.faces.text.noticed import CAUSE_TEXTS, MAX_LISTED_FLAGS, from_until, group_causes, group_text
from rvsim.watch.cause import Cause, CauseKind
from rvsim.watch.flag import Flag, FlagKind


def problem_articles(explained: ExplainedFlags, units: DisplayUnits, clock: Clock) -> Html:
    """Return an article for each cause, then one for each group of flags that no cause explains."""
    made = [
        *(_cause(alike, units, clock) for alike in group_causes(explained.causes)),
        *(_group(explained, group, units, clock) for group in group_flags(explained.top)),
    ]
    return element("div", *made, class_="problems") if made else join(())


def _cause(alike: Sequence[Cause], units: DisplayUnits, clock: Clock) -> Html:
    first = alike[0]
    more = f", and {len(alike) - 1} more of this kind" if len(alike) > 1 else ""
    evidence = [units.render(line) for cause in alike for line in cause.evidence]
    under = tags([flag for cause in alike for flag in cause.flags])
    return element(
        "article",
        _heading(
            "cause",
            str(first.severity),
            f"{first.subject} {CAUSE_TEXTS[first.kind]}{more}"
            if isinstance(first.kind, CauseKind)
            else f"{first.subject}: {first.kind}{more}",
        ),
        element("p", units.render(first.text)),
        element("p", f"{_sentence(from_until(first, clock))} This explains {under}.", class_="when"),
        _evidence(evidence),
        _next(first.advice),
        class_=f"problem {first.severity}",
        **_time(alike),
    )


def _group(explained: ExplainedFlags, group: Sequence[Flag], units: DisplayUnits, clock: Clock) -> Html:
    first = group[0]
    is_unknown = first.kind is FlagKind.UNKNOWN_MESSAGE
    return element(
        "article",
        _heading(
            tags(group), str(first.severity), "messages without a definition" if is_unknown else group_text(group)
        ),
        *(part for flag in group[:MAX_LISTED_FLAGS] for part in _flag(explained, flag, units, clock)),
        element("p", f"And {len(group) - MAX_LISTED_FLAGS} more of this kind, in the table of all flags.")
        if len(group) > MAX_LISTED_FLAGS
        else None,
        _next(first.advice),
        class_=f"problem {first.severity}",
        **_time(group),
    )


def _time(found: Sequence[Flag | Cause]) -> dict[str, int | None]:
    """Return the attributes with the time from the first to the last of some problems."""
    ends = [one.until for one in found if one.until is not None]
    return {
        "data_since": min(one.since for one in found),
        "data_until": max(ends) if len(ends) == len(found) else None,
    }


def _flag(explained: ExplainedFlags, flag: Flag, units: DisplayUnits, clock: Clock) -> Iterator[Html]:
    under = explained.under.get(flag.number, ())
    kinds = ", ".join(dict.fromkeys(str(other.kind) for other in under))
    explains = f" This explains {tags(under)}: {kinds}." if under else ""
    yield element("p", element("span", flag.tag, class_="tag"), f" {flag.subject}: {units.render(flag.text)}")
    yield element("p", _sentence(from_until(flag, clock)) + explains, class_="when")
    yield _evidence([units.render(line) for line in flag.evidence])


def _heading(tag: str, severity: str, says: str) -> Html:
    return element("h3", element("span", tag, class_="tag"), f" {severity}: {says}")


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _evidence(lines: Sequence[str]) -> Html:
    if not lines:
        return join(())
    listed = [element("li", line) for line in lines[:MAX_LISTED_FLAGS]]
    rest = len(lines) - len(listed)
    if rest:
        listed.append(element("li", f"and {rest} more"))
    heading = element("summary", f"Evidence, {len(lines)} line{'' if len(lines) == 1 else 's'}")
    return element("details", heading, element("ul", *listed, class_="evidence"))


def _next(advice: str) -> Html:
    return element("p", element("strong", "Try next: "), advice, class_="next")
