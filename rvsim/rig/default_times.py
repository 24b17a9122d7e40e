"""Times of devices that a rig may state, where it does not.

Knows: the figures. Does not know what is judged by them (`watch` does).
"""

DEFAULT_SETTLING_TIME_US = 10_000_000
"""Two devices that command different states of one function contradict each other within this time. Our decision."""
DEFAULT_ANSWER_TIME_US = 2_000_000
"""How long a device may take to show in its status that it follows a command. Our decision."""
