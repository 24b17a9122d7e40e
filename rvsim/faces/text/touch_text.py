"""What moved when somebody touched something, as sentences and as JSON lines.

Knows: how a movement reads, and what the rig calls it. Does not know how movements are found (`watch.touched`).
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Protocol, TextIO

from rvsim.faces.text.display_units import METRIC, DisplayUnits
from rvsim.logs.formats.jsonl import line, reading_fields
from rvsim.rig.functions import by_command, by_status
from rvsim.rig.model import Rig
from rvsim.rig.quantity import shown, time_text
from rvsim.runs.sink import Sink
from rvsim.watch.planned_names import NamedPart, named_parts
from rvsim.watch.touched import LEARN_US, RECENT_US, Movement, Touched, TouchedReadings
from rvsim.watch.watch import Event, MomentMarked, NodeDescribed, PresenceChanged, ReadingChanged, Watch
from rvsim.wire.frame import Frame
from rvsim.wire.quantity_text import compose, figure
from rvsim.world.balance import BalanceFigures

MAX_SHOWN = 8
"""So many movements of one touch are shown as sentences; the others are counted. Our decision."""


class TouchNames:
    """What a rig says of movements.

    Args:
        rig: the planned vehicle; None without one.
    """

    def __init__(self, rig: Rig | None) -> None:
        self.has_rig = rig is not None
        self._parts: list[NamedPart] = [] if rig is None else list(named_parts(rig))
        self._devices = frozenset(() if rig is None else (plan.name for plan in rig.devices))

    def of(self, moved: Movement) -> NamedPart | None:
        """Return the part of the rig that a movement is about, None where it has none: an output before its module."""
        message, instance = moved.key.message, moved.key.instance
        return next((part for part in self._parts if part.has(message, instance)), None)

    def is_stranger(self, moved: Movement) -> bool:
        """Tell whether there is a rig that does not have the device."""
        return self.has_rig and moved.device not in self._devices

    def named(self, note: str) -> dict[str, list[NamedPart]]:
        """Return the parts whose name stands in a note, by their names; a name within a longer one does not count.

        Dots count as blanks: "bed keypad lamp" names the key "bed keypad.lamp".
        """
        text = _plain(note)
        found: dict[str, list[NamedPart]] = {}
        for name in sorted({part.name for part in self._parts}, key=len, reverse=True):
            pattern = rf"(?<!\w){re.escape(_plain(name))}(?!\w)"
            if re.search(pattern, text):
                found[name] = [part for part in self._parts if part.name == name]
                text = re.sub(pattern, "\n", text)
        return found

    def expectation_lines(self, note: str, found: Touched) -> Iterator[str]:
        """Yield for each name of the rig in a note whether what has it moved, as the rig says it should have."""
        for name, parts in self.named(note).items():
            others = f" and {len(parts) - 1} more" if len(parts) > 1 else ""
            text = f"{name} is {parts[0].what}{others} in the rig"
            match _has_moved(parts, found):
                case True:
                    yield f"{text}, and it moved"
                case False:
                    yield f"{text}, and it did not move: check its wiring, or the rig"
                case None:
                    yield f"{text}; too early to tell: its readings have to be known for {_LEARN_S} s"


_LEARN_S = LEARN_US // 1_000_000


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace(".", " ").split())


def _has_moved(parts: Sequence[NamedPart], found: Touched) -> bool | None:
    """Return whether one of some parts has moved; None where their readings were not known for long enough."""
    moved = (*(each.key for each in found.movements), *found.came_back)
    if any(part.has(key.message, key.instance) for key in moved for part in parts):
        return True
    since = [
        time for key, time in found.known_since.items() if any(part.has(key.message, key.instance) for part in parts)
    ]
    return False if _is_known(since or found.known_since.values(), found) else None


def _is_known(since: Iterable[int], found: Touched) -> bool:
    """Return whether one of the readings that are known since then could stand out in all the time looked at."""
    return min(since, default=found.time) <= found.time - RECENT_US - LEARN_US


def _nothing_text(found: Touched) -> str:
    if _is_known(found.known_since.values(), found):
        return "nothing moved in the 5 s before the mark, beyond what moves by itself"
    return f"too early to tell what moved: readings have to be known for {_LEARN_S} s"


def movement_text(moved: Movement, names: TouchNames, units: DisplayUnits) -> str:
    """Return a movement as one sentence: whose reading, from what to what, its noise, and what the rig says."""
    part = names.of(moved)
    function = by_status(moved.key.message) or by_command(moved.key.message)
    instance = moved.key.instance
    what = moved.key.message if function is None else function.title
    if instance is not None:
        what = f"{what} {instance}" if function is None else function.label(instance)
    commanded = "a command to " if by_command(moved.key.message) is not None else ""
    title = moved.after.field.title
    change = compose(f"{title} ", moved.before.brief, " to ", moved.after.brief)
    if moved.is_back and moved.between is not None:
        change = compose(f"{title} ", moved.before.brief, " to ", moved.between.brief, " and back")
    noise = "" if moved.noise is None else _noise_text(moved)
    rig = ""
    if part is not None and part.name != moved.device:
        rig = f"; {shown(part.name)} in the rig"
    elif part is None and names.is_stranger(moved):
        rig = "; not in the rig"
    return units.render(compose(f"{commanded}{what} of {moved.device}: ", change, noise, rig))


def _noise_text(moved: Movement) -> str:
    if not moved.noise:
        return ", steady before"
    return compose(", by itself at most ", figure(round(moved.noise, 3), moved.after.field.unit))


class ChangeSink(Sink, Protocol):
    """A sink that also shows changes of the vehicle, and its balance at the end."""

    def balance(self, time: int, balance: BalanceFigures) -> None:
        """Show the balance of the vehicle."""

    def change(self, time: int, text: str) -> None:
        """Show a change of the vehicle."""


class TouchSink:
    """Passes a run on to another sink, and shows what moved.

    Args:
        inner: gets everything else: of a run in sentences only flags and marked moments.
        show: takes each touch with its note, None where nobody marked it.
        say: takes lines for the person who touches: what it waits for, and when it is ready.
        is_only: whether ``inner`` gets neither readings nor devices.
    """

    def __init__(
        self,
        inner: ChangeSink,
        show: Callable[[Touched, str | None], None],
        say: Callable[[str], None],
        *,
        is_only: bool,
    ) -> None:
        self._inner, self._show, self._say, self._is_only = inner, show, say, is_only
        self._touched = TouchedReadings()
        self._ready_at: int | None = None
        """When what was there from the first frame on is known for long enough; None before that frame."""
        self._is_ready = False
        say(f"--touch: learning for {_LEARN_S} s from the first frame on what moves by itself; touch nothing yet")

    def frame(self, frame: Frame) -> None:
        """Pass a frame on; a touch that is over by then is shown before it."""
        if not self._is_ready:
            self._learn(frame.time)
        self._show_settled(frame.time)
        self._inner.frame(frame)

    def events(self, events: Sequence[Event]) -> None:
        """Look for movements, and show what moved before a moment that was marked."""
        for event in events:
            if isinstance(event, ReadingChanged):
                self._touched.observe(event)
        kept = [event for event in events if not (self._is_only and _is_ordinary(event))]
        if kept:
            self._inner.events(kept)
        for event in events:
            if isinstance(event, MomentMarked):
                self._show(self._touched.touch(event.time), event.note)

    def change(self, time: int, text: str) -> None:
        """Pass a change of the vehicle on."""
        self._inner.change(time, text)

    def balance(self, time: int, balance: BalanceFigures) -> None:
        """Pass the balance at the end on, where not only touches are shown."""
        if not self._is_only:
            self._inner.balance(time, balance)

    def end(self, time: int, watch: Watch) -> None:
        """Show what moved last, and the end."""
        self._show_settled(1 << 62)
        if not self._is_ready:
            self._say(f"--touch: ended before it was ready: it needs frames for {_LEARN_S} s")
        self._inner.end(time, watch)

    def flush(self) -> None:
        """Pass on everything that is buffered."""
        self._inner.flush()

    def _learn(self, now: int) -> None:
        """Tell when the first readings are known for long enough."""
        if self._ready_at is None:
            self._ready_at = now + LEARN_US
        elif now >= self._ready_at:
            self._is_ready = True
            self._say(
                f"--touch: ready at {time_text(now)}: touch one thing at a time, and wait until it is told; a reading "
                f"that is first sent later is known {_LEARN_S} s after that"
            )

    def _show_settled(self, now: int) -> None:
        found = self._touched.take(now)
        if found is not None:
            self._show(found, None)


def _is_ordinary(event: Event) -> bool:
    return isinstance(event, ReadingChanged | PresenceChanged | NodeDescribed)


def show_as_text(out: TextIO, names: TouchNames, units: DisplayUnits = METRIC) -> Callable[[Touched, str | None], None]:
    """Return what writes touches as sentences."""

    def show(found: Touched, note: str | None) -> None:
        when = time_text(found.time)
        head = f"{when}  moved:" if note is None else f"{when}  moved in the 5 s before the mark:"
        if not found.movements:
            head = f"{when}  {_nothing_text(found)}"
        lines = [head, *(f"    {movement_text(moved, names, units)}" for moved in found.movements[:MAX_SHOWN])]
        if len(found.movements) > MAX_SHOWN:
            lines.append(f"    and {len(found.movements) - MAX_SHOWN} more")
        lines += [f"    {text}" for text in names.expectation_lines(note or "", found)]
        out.write("".join(f"{text}\n" for text in lines))
        out.flush()

    return show


def show_as_json(out: TextIO, names: TouchNames) -> Callable[[Touched, str | None], None]:
    """Return what writes touches as JSON lines."""

    def show(found: Touched, note: str | None) -> None:
        fields: dict[str, Any] = {
            "type": "touch",
            "note": note,
            "movements": [_json(moved, names) for moved in found.movements],
            "expected": [
                {"name": name, "moved": _has_moved(parts, found)} for name, parts in names.named(note or "").items()
            ],
        }
        out.write(line(found.time, fields))

    return show


def _json(moved: Movement, names: TouchNames) -> dict[str, Any]:
    part = names.of(moved)
    return {
        "t": moved.time / 1e6,
        "device": moved.device,
        "source": moved.key.source,
        "message": moved.key.message,
        "instance": moved.key.instance,
        "before": reading_fields(moved.before),
        "between": None if moved.between is None else reading_fields(moved.between),
        "after": reading_fields(moved.after),
        "noise": moved.noise,
        "rig": None if part is None else part.name,
    }


def note_lines(lines: Iterable[str]) -> Iterator[str]:
    """Yield each line that a person typed as a note, without what a terminal cannot show."""
    for text in lines:
        yield " ".join("".join(sign for sign in text if sign.isprintable() or sign == " ").split())
