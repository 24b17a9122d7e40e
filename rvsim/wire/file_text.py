"""Text of a whole file, in the encodings in which editors and shells save it.

Knows: byte order marks. Does not know what the text is.
"""

from codecs import BOM_UTF16_BE, BOM_UTF16_LE

UTF16_MARKS = (BOM_UTF16_LE, BOM_UTF16_BE)
"""What UTF-16 begins with where a shell or an editor of Windows has written it (The Unicode Standard, section 23.8)."""


def decode_text(content: bytes) -> str:
    """Return text that is UTF-8, with a byte order mark or without, or UTF-16 with one.

    Raises:
        UnicodeDecodeError: it is neither.
    """
    return content.decode("utf-16" if content.startswith(UTF16_MARKS) else "utf-8-sig")
