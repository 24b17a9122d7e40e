"""Keeps compiled definitions in files of plain text, each with the digest of its lines in front.

Knows: files, and that a digest holds for one version of the code that reads definitions. Does not know what the lines
say. A cache is never needed and never trusted: what is cut short, altered, written by another version or cannot be
read is as good as none, and a folder that cannot be written costs only time.
"""

import hashlib
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from pathlib import Path

_READER_FILES = ("attributes.py", "catalogue.py", "database.py", "dbc_text.py")
"""The code that decides what is written: where it is another one, the digest is."""


def user_cache_folder() -> Path:
    """Return the system's own place for what a program keeps."""
    import platformdirs

    return platformdirs.user_cache_path("rvsim", appauthor=False)


def load_lines(kept: Path) -> list[str] | None:
    """Return the lines that were saved, None where there is nothing that can be relied on."""
    try:
        digest, _, body = kept.read_bytes().partition(b"\n")
        return body.decode().split("\n") if digest == _digest(body) else None
    except (OSError, UnicodeDecodeError):
        return None


def save_lines(kept: Path, lines: Sequence[str]) -> None:
    """Write lines whole or not at all."""
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
    """Return what tells one version of the readers from another; nothing where their text is not installed."""
    with suppress(OSError):
        return hashlib.sha256(b"".join(Path(__file__).with_name(name).read_bytes() for name in _READER_FILES)).digest()
    return b""
