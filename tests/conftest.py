"""What many tests need: the shipped message definitions."""

import pytest

from rvsim.wire.database import load


@pytest.fixture(scope="session")
def catalogue(tmp_path_factory):
    """Load the shipped message definitions, with a cache folder of the tests' own."""
    return load(cache=tmp_path_factory.mktemp("cache"))
