"""How long a thread may run Python while another one waits for that, for as long as a ``with`` block lasts.

Knows: the switch interval of Python, which the whole process has in common. Does not know who waits, nor how long is
short enough: who asks for shorter turns says why.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def short_turns(seconds: float) -> Iterator[None]:
    """Let no thread keep the interpreter for longer than this while another waits; turns that are shorter stay so.

    Afterwards, also after an error, turns are as long as before.
    """
    usual_s = sys.getswitchinterval()
    sys.setswitchinterval(min(usual_s, seconds))
    try:
        yield
    finally:
        sys.setswitchinterval(usual_s)
