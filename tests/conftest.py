"""What many tests need: the shipped message definitions."""

import pytest
from hypothesis import settings

from rvsim.wire.database import load_catalogue

settings.register_profile("rvsim", deadline=None)
settings.load_profile("rvsim")  # no test asserts a time


@pytest.fixture(scope="session")
def catalogue(tmp_path_factory):
    """Load the shipped message definitions, with a cache folder of the tests' own."""
    return load_catalogue(cache=tmp_path_factory.mktemp("cache"))
