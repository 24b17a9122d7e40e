"""A rig to start from, with comments.

Knows: the text and where the name of the rig stands in it. Does not know where it is written.
"""

import re
from importlib.resources import files

_NAME = re.compile(r"\bNAME\b")


def starter_text(name: str) -> str:
    """Return the text of a rig to start from; ``name`` is that of its file without suffix."""
    plain = "".join(sign for sign in name if sign.isprintable() and sign not in '"\\').strip() or "my van"
    text = files("rvsim.plan").joinpath("starter.toml").read_text(encoding="utf-8")
    return _NAME.sub(lambda _: plain, text)
