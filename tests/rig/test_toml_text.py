"""The content of a rig as TOML: what is written is read again, by Python's own reader."""

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.toml_text import toml_text

VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text('ab _."ä\n', max_size=4), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=6), VALUES, max_size=5))
def test_what_is_written_is_read_again(data):
    """Texts with any sign, numbers, lists and tables in tables, by an independent reader."""
    assert tomllib.loads(toml_text(data)) == data


def test_how_a_file_looks():
    """Plain keys first, a header for each table, inner tables on one line, addresses in hex."""
    data = {
        "device": [{"name": "heater", "address": 94, "functions": {"furnace": [1]}}],
        "name": "van",
        "rules": {"base_volts": 12.0, "trip": [[2.0, 5.0]]},
        "accepted": [],
    }
    assert toml_text(data, "A head\nof two lines") == (
        "# A head\n# of two lines\n\n"
        'name = "van"\naccepted = []\n\n'
        '[[device]]\nname = "heater"\naddress = 0x5E\nfunctions = { furnace = [1] }\n\n'
        "[rules]\nbase_volts = 12.0\ntrip = [[2.0, 5.0]]\n"
    )
