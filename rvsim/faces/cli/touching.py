"""`--touch` of bench and listen: what moved is told, and each line that a person types marks its moment.

Knows: standard input and how a run is told of a note. Does not know how movements are found or shown.
"""

import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from rvsim.faces.cli.exits import say
from rvsim.faces.text.display_units import DisplayUnits
from rvsim.faces.text.touch_text import ChangeSink, TouchNames, TouchSink, note_lines, show_as_json, show_as_text
from rvsim.rig.model import Rig


def touch_sink(inner: ChangeSink, rig: Rig | None, units: DisplayUnits, *, json: bool) -> TouchSink:
    """Return a sink that tells what moved; as sentences nothing else but flags is told."""
    names = TouchNames(rig)
    show = show_as_json(sys.stdout, names) if json else show_as_text(sys.stdout, names, units)
    return TouchSink(inner, show, say, is_only=not json)


def unrecorded_notes(record: Path | None) -> Iterator[str]:
    """Yield a line where notes are typed and a recording has no place for them."""
    if record is not None and record.suffix.lower() != ".jsonl":
        yield f"{record}: notes that you type are not recorded in it; a name that ends in .jsonl keeps them"


def read_notes(mark: Callable[[str], None]) -> None:
    """Read lines from standard input until its end, in a thread of their own, and mark the moment of each."""
    stdin = sys.stdin
    if stdin is None:
        return

    def read() -> None:
        try:
            for note in note_lines(stdin):
                mark(note)
        except (OSError, ValueError):  # it was closed
            return

    threading.Thread(target=read, name="notes", daemon=True).start()
