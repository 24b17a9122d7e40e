"""The guides: Markdown files of the package, one for each topic.

Knows: their folder and their names. Does not know their contents.
"""

from collections.abc import Iterator
from pathlib import Path

from rvsim.errors import InputError, did_you_mean
from rvsim.rig.quantity import shown

FOLDER = Path(__file__).resolve().parents[2] / "guides"
TOPICS = (
    "integrator",
    "support",
    "first-hour",
    "student",
    "rigs",
    "plan",
    "scenarios",
    "own-devices",
    "python",
    "export",
)
"""In the order in which they are listed."""


def guide(topic: str) -> str:
    """Return the text of a guide.

    Raises:
        InputError: there is no such topic.
    """
    if topic.lower() not in TOPICS:
        known = ", ".join(TOPICS)
        raise InputError(f"--guide: {shown(topic)} is no topic{did_you_mean(topic, TOPICS)}; the topics are {known}")
    return (FOLDER / f"{topic.lower()}.md").read_text(encoding="utf-8").rstrip("\n")


def topics() -> Iterator[str]:
    """Yield the topics, each with the title of its guide."""
    yield "Guides: rvsim about --guide TOPIC"
    for topic in TOPICS:
        title = guide(topic).partition("\n")[0].removeprefix("# ")
        yield f"  {topic:<12} {title}"
