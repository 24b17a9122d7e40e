"""Frames whose length is not that of their message.

Needs every frame of a stream that has been of the wrong length, else the changes.

Knows: that a flag about the length ends with a few frames of the right one. Does not know definitions.
"""

from collections.abc import Callable

from rvsim.watch.decode import missing_fields_are_no_data, wrong_length
from rvsim.watch.identity.records import MessageRecord, TopicRecord
from rvsim.watch.transitions import Ended, LengthWrong, Transition
from rvsim.watch.values import Values
from rvsim.wire.spec import MessageSpec

_RIGHT_IN_A_ROW = 3
"""So many frames of the right length end a flag about the length. Common practice, no source."""


class Lengths:
    """The lengths of what each source sends under each DGN."""

    def __init__(self, emit: Callable[[Transition], None]) -> None:
        self._emit = emit

    def check(self, stream: MessageRecord, spec: MessageSpec, part: TopicRecord, values: Values) -> None:
        """Look at the length of the last frame of a topic."""
        frame, found = part.frame, wrong_length(spec, part.frame.data)
        if found is None:
            stream.right_lengths_in_a_row += 1
            if stream.wrong_length is not None and stream.right_lengths_in_a_row >= _RIGHT_IN_A_ROW:
                self._emit(Ended(frame.time, stream.wrong_length.problem_key))
                stream.wrong_length = None
            return
        stream.right_lengths_in_a_row = 0
        if stream.wrong_length is None:
            missing = found.missing
            harmless = bool(missing) and missing_fields_are_no_data(spec, missing) and not values.has_carried(missing)
            topic = part.topic._replace(instance=None, dsa=None)
            stream.wrong_length = LengthWrong(
                frame.time, part.device.name, topic, len(frame.data), found.needed, missing, harmless, frame
            )
            self._emit(stream.wrong_length)
