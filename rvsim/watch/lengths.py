"""Frames of the wrong length: from when on that is told of a sender and a message, and when it is over.

Knows: that a length is wrong once for each sender and DGN. Does not know which length is wrong: ``decode`` does.
"""

from collections.abc import Callable

from rvsim.watch.attendance import Part, Stream
from rvsim.watch.decode import would_be_no_data, wrong_length
from rvsim.watch.transitions import Ended, LengthWrong, Transition
from rvsim.watch.values import Values
from rvsim.wire.spec import MessageSpec

_RIGHT_IN_A_ROW = 3
"""So many frames of the right length end a flag about the length. Common practice, no source."""


def check_length(
    stream: Stream, spec: MessageSpec, part: Part, values: Values, emit: Callable[[Transition], None]
) -> None:
    """Hold the length of a part's last frame against its message."""
    frame, found = part.frame, wrong_length(spec, part.frame.data)
    if found is None:
        stream.right_in_a_row += 1
        if stream.length is not None and stream.right_in_a_row >= _RIGHT_IN_A_ROW:
            emit(Ended(frame.time, stream.length.cause))
            stream.length = None
        return
    stream.right_in_a_row = 0
    if stream.length is None:
        missing = found.missing
        harmless = bool(missing) and would_be_no_data(spec, missing) and not values.carried(missing)
        topic = part.topic._replace(instance=None, dsa=None)
        stream.length = LengthWrong(
            frame.time, part.entry.name, topic, len(frame.data), found.needed, missing, harmless, frame
        )
        emit(stream.length)
