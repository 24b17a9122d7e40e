"""rvsim.wire.database: definition files with a mistake or a gap at any place."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.wire.database import load_catalogue

SOUND = b"""VERSION ""

BU_: any

BO_ 2583625982 OWN_STATUS: 8 any
 SG_ level : 0|8@1+ (0.5,-40) [0|250] "%" any
 SG_ class : 23|12@0- (1,0) [0|0] "" any

CM_ SG_ 2583625982 level "how much";
BA_DEF_ BO_ "BroadcastGap" INT 0 65535;
BA_DEF_ BO_ "Origin" ENUM "published","memory","unsure";
BA_DEF_ SG_ "SpecialCodes" ENUM "none","measured","commanded";
BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;
BA_DEF_DEF_ "BroadcastGap" 0;
BA_DEF_DEF_ "Origin" "unsure";
BA_DEF_DEF_ "SpecialCodes" "none";
BA_DEF_DEF_ "SystemSignalLongSymbol" "";
BA_ "Origin" BO_ 2583625982 1;
BA_ "SystemSignalLongSymbol" SG_ 2583625982 class "class_of_device";
VAL_ 2583625982 level 0 "off" 1 "on" ;
"""
SLIPS = [b"-", b"9", b'"', b";", b"e9", b"SG_", b"BO_ 1 x: 8 y\n", b"M", b"\n", b"\x1b[2J", b"0", b"//", b"m0"]


@pytest.fixture
def own(tmp_path, monkeypatch):
    """Load the given bytes as a file of the user's own, and no other: the shipped ones would be used each time, too."""
    monkeypatch.setattr(shipped, "dbc_files", list)

    def load_bytes(content):
        (tmp_path / "a.dbc").write_bytes(content)
        return load_catalogue([tmp_path / "a.dbc"], tmp_path / "cache")

    return load_bytes


def test_the_sound_file_is_read(own):
    """What the damage is done to is a good file."""
    assert [field.name for field in own(SOUND).by_name("OWN_STATUS").fields] == ["level", "class_of_device"]


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, len(SOUND)), gone=st.integers(0, 12), new=st.binary(max_size=6) | st.sampled_from(SLIPS))
def test_a_damaged_file_is_read_or_refused_in_one_line(own, at, gone, new):
    """Whatever stands in the file, it is taken and works, or is refused as input; nothing else is raised."""
    try:
        catalogue = own(SOUND[:at] + new + SOUND[at + gone :])
    except InputError as error:
        line = str(error)
    else:
        line = "read"
        for message in catalogue:
            assert len(message.encode({})) == message.length
            assert len(message.decode(bytes(8))) == len(message.fields)
    assert line.isprintable()
