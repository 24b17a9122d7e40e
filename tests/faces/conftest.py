"""Commands as they are typed."""

import pytest
from typer.testing import CliRunner

from rvsim.faces.cli import app


@pytest.fixture
def rvsim(monkeypatch, tmp_path):
    """Run a command in a folder of its own: (exit code, stdout, stderr)."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)

    def go(*arguments, **more):
        done = CliRunner().invoke(app, arguments, **more)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.stdout, done.stderr

    return go
