"""Causes and flags as articles: every kind has one, with its time, its evidence and what to try next."""

import re

import pytest

from rvsim.faces.page.problems import problem_articles
from rvsim.faces.text.clock import NO_CLOCK, Clock
from rvsim.faces.text.display_units import METRIC
from rvsim.faces.text.flags import ExplainedFlags, explain_flags
from rvsim.faces.text.noticed import MAX_LISTED_FLAGS
from rvsim.rig.flag_kinds import PLAN_KINDS
from rvsim.watch.cause import Cause, CauseKind
from rvsim.watch.flag import Flag, FlagKind, Severity


def flag(number, kind=FlagKind.BAD_VALUE, **more):
    """Return a flag of a device that is named ``<pump>``."""
    about = {"subject": "<pump>", "severity": Severity.WARNING, "since": 1_500_000, "text": "says", "advice": "look"}
    return Flag(number, kind, **{**about, **more})


@pytest.mark.parametrize("kind", sorted(set(FlagKind) - PLAN_KINDS))
def test_every_kind_of_flag(kind):
    """It has a heading with its tag and severity, its time for the drawings, and the next step."""
    made = problem_articles(ExplainedFlags((), (flag(1, kind),), {}), METRIC, NO_CLOCK)
    assert re.search(r"<h3><span class=\"tag\">&lt;1&gt;</span> warning: .+</h3>", made)
    assert 'class="problem warning" data-since="1500000"' in made
    assert '<p class="next"><strong>Try next: </strong>look</p>' in made
    assert "<pump>" not in made


@pytest.mark.parametrize("kind", CauseKind)
def test_every_kind_of_cause(kind):
    """It stands before the flags that nothing explains, and names those that it explains."""
    under = (flag(2), flag(3, until=9_000_000))
    cause = Cause(kind, "<pump>", Severity.FAULT, 1_000_000, 5_000_000, "gone", "find it", ("line <1>",), under)
    made = problem_articles(explain_flags((flag(1), *under), (cause,)), METRIC, Clock(1_700_000_000_000_000))
    articles = re.findall(r"<article.*?</article>", made)
    assert len(articles) == 2
    assert 'class="problem fault" data-since="1000000" data-until="5000000"' in articles[0]
    assert "This explains &lt;2&gt; &lt;3&gt;." in articles[0]
    assert "22:13:21" in articles[0]
    assert "<li>line &lt;1&gt;</li>" in articles[0]


def test_many_alike():
    """Some are listed, the others counted; the table has all."""
    made = problem_articles(
        ExplainedFlags((), tuple(flag(at) for at in range(1, MAX_LISTED_FLAGS + 4)), {}), METRIC, NO_CLOCK
    )
    assert made.count("<article") == 1
    assert made.count("From 1.5 s to the end.") == MAX_LISTED_FLAGS
    assert "And 3 more of this kind, in the table of all flags." in made


@pytest.mark.parametrize(("last", "attribute"), [(9_000_000, ' data-until="9000000"'), (None, "")])
def test_the_time_of_several(last, attribute):
    """From the first to the last of them, which may last."""
    alike = (flag(1, since=2_000_000, until=3_000_000), flag(2, since=8_000_000, until=last))
    made = problem_articles(ExplainedFlags((), alike, {}), METRIC, NO_CLOCK)
    assert f'data-since="2000000"{attribute}>' in made


def test_no_flags():
    """Nothing at all."""
    assert problem_articles(ExplainedFlags((), (), {}), METRIC, NO_CLOCK) == ""
