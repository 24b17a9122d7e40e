"""Clock times of a log: what the clock said at a time since the log's start.

Knows: how a time of day is written. Does not know logs: it is told when one started.
"""

from dataclasses import dataclass

from rvsim.logs.formats.jsonl import utc_text

_LENGTH_OF_SECONDS = len("2023-11-14T22:13:20")


@dataclass(frozen=True)
class Clock:
    """The clock of a log; ``started`` is the time of its first frame in microseconds since the epoch, None where the
    log has no date, or its clock was set meanwhile.
    """

    started: int | None = None

    def at(self, time: int) -> str | None:
        """Return the date and time of day in UTC: ``2023-11-14 22:13:20``; None where it is not known."""
        text = None if self.started is None else utc_text(self.started + time)
        return None if text is None else text[:_LENGTH_OF_SECONDS].replace("T", " ")

    def span(self, since: int, until: int | None) -> str:
        """Return two times of day as the continuation of a text, the day only where it is another; empty if unknown."""
        first, last = self.at(since), None if until is None else self.at(until)
        if first is None:
            return ""
        if last is None:
            return f", {self._short(first)} UTC"
        return f", {self._short(first)} to {self._short(last)} UTC"

    def _short(self, text: str) -> str:
        """Return a time without its date, if that is the day on which the log started."""
        day, time = text.split(" ")
        return time if day == str(self.at(0)).split(" ")[0] else text


NO_CLOCK = Clock()
"""The clock of a log without a date."""
