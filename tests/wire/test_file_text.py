"""The text of a whole file, in the encodings of editors and shells."""

import codecs

import pytest

from rvsim.wire.file_text import decode_text

TEXT = "a = 1 # °\r\n"


@pytest.mark.parametrize(
    ("mark", "encoding"),
    [
        (b"", "utf-8"),
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ],
)
def test_a_mark_tells_the_encoding(mark, encoding):
    """The text is the same, without the mark."""
    assert decode_text(mark + TEXT.encode(encoding)) == TEXT


@pytest.mark.parametrize("content", [b"\xb0", b"\xff\xfea", b"\xff\xfe\x00\xd8"])
def test_what_is_no_text_is_said(content):
    """Another encoding, an odd number of bytes, half a sign."""
    with pytest.raises(UnicodeDecodeError):
        decode_text(content)
