"""Caches compiled definitions in text files, each with a digest of its content in the first line.

Knows: files, and that a digest is valid for one version of the code that reads definitions. Does not know the meaning
of the lines. The cache is optional and never trusted: a file that is incomplete, altered, unreadable or from another
version is ignored, and where the folder cannot be written, definitions are compiled each time.
"""

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path

_READER_FILES = ("attributes.py", "catalogue.py", "database.py", "dbc_text.py")
"""The files whose code determines the compiled form; a change in one of them changes the digest."""


def user_cache_folder() -> Path:
    """Return the user's cache folder for this program."""
    import platformdirs

    return platformdirs.user_cache_path("rvsim", appauthor=False)


def load_lines(kept: Path) -> list[str] | None:
    """Return the saved lines, None where there is no valid file."""
    try:
        digest, _, body = kept.read_bytes().partition(b"\n")
        return body.decode().split("\n") if digest == _digest(body) else None
    except (OSError, UnicodeDecodeError):
        return None


def save_lines(kept: Path, lines: Sequence[str]) -> None:
    """Save lines, completely or not at all."""
    import tempfile  # not for reading, which every start does

    body = "\n".join(lines).encode()
    with suppress(OSError):
        kept.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=kept.parent) as folder:
            part = Path(folder) / kept.name
            part.write_bytes(_digest(body) + b"\n" + body)
            part.replace(kept)


def _digest(body: bytes) -> bytes:
    return hashlib.sha256(_code_digest() + body).hexdigest().encode()


@cache
def _code_digest() -> bytes:
    """Return a digest of the reading code; empty where its source text is not installed."""
    with suppress(OSError):
        return hashlib.sha256(b"".join(Path(__file__).with_name(name).read_bytes() for name in _READER_FILES)).digest()
    return b""
