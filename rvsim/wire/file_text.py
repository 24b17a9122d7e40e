"""The text of a whole file, in the encodings in which editors and shells save it.

Knows: byte order marks. Does not know what the text means.
"""

from codecs import BOM_UTF16_BE, BOM_UTF16_LE

UTF16_MARKS = (BOM_UTF16_LE, BOM_UTF16_BE)
"""The byte order marks with which shells and editors of Windows begin UTF-16 (The Unicode Standard, section 23.8)."""


def decode_text(content: bytes) -> str:
    """Return the text of bytes in UTF-8, with or without a byte order mark, or in UTF-16 with one.

    Raises:
        UnicodeDecodeError: it is neither.
    """
    return content.decode("utf-16" if content.startswith(UTF16_MARKS) else "utf-8-sig")
