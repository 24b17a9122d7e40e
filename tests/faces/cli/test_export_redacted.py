"""A log made anonymous by `rvsim export --frames --redact`: in every form, consistently, with the same survey."""

import json
from pathlib import Path

import pytest

from rvsim.logs.formats.log_writers import WRITERS
from rvsim.logs.read import open_log
from rvsim.wire.frame import Frame

MARINE = Path(__file__).parents[2] / "data" / "marine_bus_2014.log"


def frames_of(name):
    """Return the frames of a log."""
    with open_log(Path(name)) as log:
        return list(log.frames())


@pytest.mark.parametrize("suffix", WRITERS)
def test_a_redacted_log_has_the_same_survey(rvsim, suffix):
    """Flags, devices and gaps; but for the NAME, and no unknown data are left."""
    code, _, err = rvsim("export", "--frames", str(MARINE), "--redact", "--output", f"x{suffix}")
    assert code == 0
    assert "rvsim: redacted: 1 NAME and 0 pieces of text replaced; the data of 10 unknown" in err
    assert "rvsim: what may remain: dates and times" in err
    before, after = frames_of(MARINE), frames_of(f"x{suffix}")
    assert [frame[:2] for frame in after] == [frame[:2] for frame in before]
    assert [len(frame.data) for frame in after] == [len(frame.data) for frame in before]
    changed = {frame.identifier & 0xFFFF00 for frame, other in zip(before, after, strict=True) if frame != other}
    assert 0xEEFF00 in changed
    surveys = [json.loads(rvsim("survey", str(log), "--json")[1]) for log in (MARINE, f"x{suffix}")]
    found = [
        [(flag["kind"], flag["subject"], flag["since"], flag["until"]) for flag in one["flags"]] for one in surveys
    ]
    assert found[0] == found[1]


def test_no_name_of_the_log_or_of_its_channels_is_left(rvsim):
    """In the head of JSON lines, and in each of them."""
    Path("smith_2014.log").write_text(
        "".join(f"({n}.000000) smiths{n % 2} 19FFE45E#0100C864FFFFFFFF\n" for n in range(6)), encoding="utf-8"
    )
    code, _, _ = rvsim("export", "--frames", "smith_2014.log", "--redact", "--output", "x.jsonl")
    text = Path("x.jsonl").read_text(encoding="utf-8")
    assert code == 0
    assert "smith" not in text
    lines = [json.loads(line) for line in text.splitlines()]
    assert lines[0]["log"] == "log_1"
    assert [line["channel"] for line in lines[1:]] == ["bus_1", "bus_2"] * 3


def test_unknown_data_can_be_kept(rvsim):
    """And it is said that they may hold anything."""
    code, _, err = rvsim("export", "--frames", str(MARINE), "--redact", "--keep-unknown", "--output", "x.log")
    assert code == 0
    assert "unknown and proprietary messages, which may hold anything" in err
    pairs = zip(frames_of(MARINE), frames_of("x.log"), strict=True)
    changed = {frame.identifier >> 8 & 0x1FFFF for frame, other in pairs if frame != other}
    assert changed <= {0x0EEFF, 0x0FEF3, 0x1F801, 0x1F802, 0x1F805}


def test_without_it_nothing_is_changed(rvsim):
    """The frames are those of the log."""
    assert rvsim("export", "--frames", str(MARINE), "--output", "x.log")[0] == 0
    assert frames_of("x.log") == frames_of(MARINE)
    assert all(isinstance(frame, Frame) for frame in frames_of("x.log"))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--redact", "--output", "x.csv"), "--redact goes with --frames: it makes a log anonymous, not tables"),
        (("--keep-unknown", "--output", "x.csv"), "--redact goes with --frames"),
        (("--frames", "--keep-unknown", "--output", "x.log"), "--keep-unknown goes with --redact: add it"),
    ],
)
def test_options_that_do_not_fit(rvsim, arguments, said):
    """One clear line, exit code 2, and no file."""
    code, _, err = rvsim("export", str(MARINE), *arguments)
    assert code == 2
    assert said in err.splitlines()[-1]
    assert list(Path().glob("x.*")) == []
