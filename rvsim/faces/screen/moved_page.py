"""The page of what moved: in the last seconds, and before each moment that was marked with a note.

Knows: the layout of the page. Does not know how a movement is found, nor Textual.
"""

from collections.abc import Sequence

from rvsim.faces.screen.lines import Line, elapsed_text, plain_line, wrap_text
from rvsim.faces.screen.scene import Scene
from rvsim.faces.text.touch_text import MAX_SHOWN, movement_text
from rvsim.watch.touched import RECENT_US, Movement
from rvsim.wire.frame import SECOND_US

_NOTHING = "nothing, beyond what moves by itself"


def moved_lines(scene: Scene, width: int) -> list[Line]:
    """Return what moved in the last seconds, then each marked moment with what moved before it, the latest first."""
    seconds = RECENT_US // SECOND_US
    lines: list[Line] = [((f" In the last {seconds} s moved:", "strong"),)]
    lines += _movement_lines(scene, scene.touches.recent(scene.now), width)
    for moment in scene.touches.moments:
        lines.append(())
        lines += wrap_text(
            f"Marked at {elapsed_text(moment.time)}" + (f": {moment.note}" if moment.note else ""),
            width, " ", "   ", "strong",
        )  # fmt: skip
        lines.append(plain_line(f"   in the {seconds} s before it moved:"))
        lines += _movement_lines(scene, moment.movements, width)
        for text in scene.touch_names.expectation_lines(moment.note, moment.touched):
            style = "warning" if "did not move" in text else "plain"
            lines += wrap_text(text, width, "   ", "     ", style)
    if not scene.touches.moments:
        lines += ((), *wrap_text("Touch something, then m: a note marks the moment.", width, " ", " ", "dim"))
    return lines


def _movement_lines(scene: Scene, movements: Sequence[Movement], width: int) -> list[Line]:
    if not movements:
        return [((f"     {_NOTHING}", "dim"),)]
    lines: list[Line] = []
    for moved in movements[:MAX_SHOWN]:
        lines += wrap_text(movement_text(moved, scene.touch_names, scene.units), width, "     ", "       ")
    if len(movements) > MAX_SHOWN:
        lines.append(plain_line(f"     and {len(movements) - MAX_SHOWN} more"))
    return lines
