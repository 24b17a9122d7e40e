"""What a command may import: help and spelling come at once, because nothing heavy is loaded for them."""

import os
import subprocess
import sys

import pytest

HEAVY = ("can", "cantools", "pydantic", "textual", "pyarrow", "numpy", "rich", "asyncio")
RUN = "from rvsim.faces.cli.commands import app; app({}, standalone_mode=False)"
TABS = "import os; from rvsim.faces.cli.commands import run; " + "; ".join(
    f"os.environ.update(_RVSIM_COMPLETE='complete_zsh', _TYPER_COMPLETE_ARGS={typed!r}); run()"
    for typed in (
        "rvsim sp", "rvsim spell THERM", "rvsim spell THERMOSTAT_STATUS_1 fan_mode=", "rvsim bench --except he",
        "rvsim survey x.log --rig ottersby --device he", "rvsim about --words ad", "rvsim about --keys he",
        "rvsim practice --kind re", "rvsim about --guide st",
    )
)  # fmt: skip
"""Tab behind each of these."""
CASES = {
    "import rvsim; rvsim.__all__; dir(rvsim)": (*HEAVY, "typer", "rvsim.errors", "rvsim.faces"),
    "from rvsim import Frame, BusError": HEAVY,
    "import rvsim.faces.cli.commands": HEAVY,
    RUN.format(["--help"]): HEAVY,
    RUN.format(["spell", "19FFE45E", "00"]): HEAVY,
    TABS: HEAVY,
}


@pytest.mark.parametrize("code", CASES)
def test_nothing_heavy_is_imported(code, tmp_path):
    """After this code the named packages are not loaded; the definitions are read from the cache the second time."""
    heavy = CASES[code]
    program = (
        "import sys\n"
        "try:\n"
        f" exec({code!r})\n"
        "finally:\n"
        f" print(sorted(m for m in {heavy!r} if m in sys.modules), file=sys.stderr)"
    )
    assert [said_by(program, tmp_path) for _ in range(2)][-1] == "[]"


def test_cached_definitions_need_no_cantools(tmp_path):
    """With a warm cache one frame is spelled without cantools ever being imported."""
    program = (
        f"import sys\n{RUN.format(['spell', '19FFE45E', '00'])}\nprint('cantools' in sys.modules, file=sys.stderr)"
    )
    assert [said_by(program, tmp_path) for _ in range(2)] == ["True", "False"]


def test_pyarrow_is_for_its_own_forms(tmp_path):
    """Tables as text are written without it."""
    (tmp_path / "x.log").write_text("(0.000000) can0 19FFE45E#0101FFFFFFFFFFFF\n")
    program = "import sys\nloaded = []\n"
    for form in ("csv", "arrow"):
        command = ["export", str(tmp_path / "x.log"), "--output", str(tmp_path / f"x.{form}")]
        program += f"{RUN.format(command)}\nloaded.append('pyarrow' in sys.modules)\n"
    assert said_by(f"{program}print(loaded, file=sys.stderr)", tmp_path) == "[False, True]"


def test_a_survey_without_a_rig_needs_no_models(tmp_path):
    """Importing pydantic takes longer than surveying a hundred thousand frames: it comes with a rig only."""
    (tmp_path / "x.log").write_text("(0.000000) can0 19FFE45E#0101FFFFFFFFFFFF\n")
    program = "import sys\nloaded = []\n"
    for more in ([], ["--rig", "ottersby"]):
        program += (
            f"{RUN.format(['survey', str(tmp_path / 'x.log'), *more])}\nloaded.append('pydantic' in sys.modules)\n"
        )
    assert said_by(f"{program}print(loaded, file=sys.stderr)", tmp_path) == "[False, True]"


def said_by(program, cache):
    """Run a program in an interpreter of its own and return the last line that it wrote to stderr."""
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "XDG_CACHE_HOME": str(cache), "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stderr.splitlines()[-1]
