"""rvsim.wire.acknowledgment: requests and acknowledgements by hand-written bytes, and against the definitions."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.wire.acknowledgment import Acknowledgment, AcknowledgmentCode, DgnRequest, read_acknowledgment, read_request


@pytest.mark.parametrize(
    ("data", "request_"),
    [
        ("9C FF 01", DgnRequest(0x1FF9C, None)),  # three bytes, SAE J1939-21
        ("9C FF 01 FF FF FF FF FF", DgnRequest(0x1FF9C, None)),  # eight, RV-C
        ("9C FF 01 02 FF FF FF FF", DgnRequest(0x1FF9C, 2)),
        ("00 EE 00 FA", DgnRequest(0x0EE00, 250)),
        ("00 EE 00 FB", DgnRequest(0x0EE00, None)),  # above 250 is no instance
        ("9C FF", None),
        ("", None),
        ("9C FF 04", None),  # 19 bits
    ],
)
def test_requests(data, request_):
    """The DGN, low byte first, and RV-C's instance behind it."""
    assert read_request(bytes.fromhex(data)) == request_


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ("00 FF FF FF F9 00 7F 01", Acknowledgment(AcknowledgmentCode.DONE, None, 0xF9, 0x17F00)),
        ("01 02 FF FF F9 9C FF 01", Acknowledgment(AcknowledgmentCode.UNKNOWN, 2, 0xF9, 0x1FF9C)),
        ("02 FF FF FF F9 00 EF 00", Acknowledgment(AcknowledgmentCode.DENIED, None, 0xF9, 0x0EF00)),
        ("03 FF FF FF 00 EB FE 00", Acknowledgment(AcknowledgmentCode.BUSY, None, 0, 0x0FEEB)),
        ("04 FF FF FF F9 EB FE 00", None),
        ("FF FF FF FF F9 EB FE 00", None),
        ("01 FF FF FF F9 EB FE", None),
        ("01 FF FF FF F9 EB FE 00 00", None),
        ("01 FF FF FF F9 EB FE 04", None),
    ],
)
def test_acknowledgements(data, said):
    """Positive, negative, access denied, cannot respond (SAE J1939-21); reserved codes, other lengths say nothing."""
    assert read_acknowledgment(bytes.fromhex(data)) == said


@given(st.integers(0, 3), st.integers(0, 250) | st.none(), st.integers(0, 253), st.integers(0, 0x3FFFF))
def test_the_definition_agrees(catalogue, code, instance, asker, dgn):
    """What the definition of ACKNOWLEDGMENT packs is read back."""
    spec = catalogue.by_name("ACKNOWLEDGMENT")
    more = {} if instance is None else {"instance": instance}
    data = spec.pack(acknowledgment_code=code, source_address_acknowledged=asker, dgn_acknowledged=dgn, **more)
    assert read_acknowledgment(data) == (code, instance, asker, dgn)


@given(st.binary(max_size=12))
def test_no_bytes_break_the_readers(data):
    """Anything is read or is nothing."""
    read_request(data)
    read_acknowledgment(data)
