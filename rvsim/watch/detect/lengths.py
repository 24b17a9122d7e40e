"""Frames whose length is not that of their message.

Needs the changes, and as long as a wrong length is reported every frame after one of the right length.

Knows: that the problem ends after a few frames of the right length. Does not know the definitions.
"""

from collections.abc import Callable

from rvsim.watch.decode import missing_fields_are_no_data, wrong_length
from rvsim.watch.identity.records import MessageRecord, TopicRecord
from rvsim.watch.transitions import Ended, LengthWrong, Transition
from rvsim.watch.values import Values
from rvsim.wire.spec import MessageSpec

_MIN_RIGHT_IN_A_ROW = 3
"""How many frames of the right length in a row end the problem. Common practice, no source."""


class LengthChecks:
    """Checks the length of the frames of each source and DGN."""

    def __init__(self, emit: Callable[[Transition], None]) -> None:
        self._emit = emit

    def check(self, message: MessageRecord, spec: MessageSpec, record: TopicRecord, values: Values) -> None:
        """Check the length of the last frame of a topic."""
        frame, found = record.frame, wrong_length(spec, record.frame.data)
        if found is None:
            message.right_lengths_in_a_row += 1
            if message.wrong_length is None:
                return
            if message.right_lengths_in_a_row >= _MIN_RIGHT_IN_A_ROW:
                self._emit(Ended(frame.time, message.wrong_length.problem_key))
                message.wrong_length = None
            elif message.right_lengths_in_a_row == 1:
                for other in _with_wrong_length(message, spec):
                    other.examine_next()  # the same frame again would end the row
            return
        message.right_lengths_in_a_row = 0
        if message.wrong_length is None:
            missing = found.missing
            harmless = bool(missing) and missing_fields_are_no_data(spec, missing) and not values.has_carried(missing)
            topic = record.topic._replace(instance=None, dsa=None)
            message.wrong_length = LengthWrong(
                frame.time, record.device.name, topic, len(frame.data), found.needed, missing, harmless, frame
            )
            self._emit(message.wrong_length)
            for other in message.topics.values():
                other.choose_again()

    @staticmethod
    def is_settled(message: MessageRecord) -> bool:
        """Return whether the last frame of a message would change nothing here if it came again."""
        return message.wrong_length is None or not message.right_lengths_in_a_row

    @staticmethod
    def needs_each_change(message: MessageRecord, record: TopicRecord) -> bool:
        """Return whether each frame with new data of a topic counts at present: each of the right length does while a
        wrong one is reported. Where the last one was wrong only another length counts.
        """
        spec = message.layout.spec
        return message.wrong_length is not None and spec is not None and wrong_length(spec, record.frame.data) is None


def _with_wrong_length(message: MessageRecord, spec: MessageSpec) -> list[TopicRecord]:
    """Return the topics of a message whose last frame has a wrong length."""
    return [record for record in message.topics.values() if wrong_length(spec, record.frame.data) is not None]
