"""Logs that are tables, or in archives, on the command line: survey, replay, a drafted rig, a rig with columns."""

import json
import tomllib
import zipfile
from pathlib import Path

import pytest

TABLE = "Zeit;ID;Laenge;Daten\n" + "".join(
    f"{n // 10},{n % 10};19FFE45E;8;01 00 C8 64 FF FF FF FF\n" for n in range(200)
)
PROPOSED = "time=Zeit,id=ID,data=Daten"
RIG = """schema = 1
name = "van"
title = "A van"
log = { columns = "time=1,id=2,data=4" }

[[device]]
name = "heater"
address = 0x5E
functions = { furnace = 1 }
"""


@pytest.fixture
def table():
    """A table of frames."""
    Path("trip.csv").write_text(TABLE)
    return "trip.csv"


@pytest.mark.parametrize("command", [("survey",), ("replay", "--speed", "max", "--plain")])
def test_an_unknown_table_is_shown_with_what_would_read_it(rvsim, table, command):
    """The first lines, the guess, and the option that sets it; exit code 2, and with the option it is read."""
    name, *options = command
    code, out, err = rvsim(name, table, *options)
    assert (code, out) == (2, "")
    lines = err.splitlines()
    assert lines[0].startswith("rvsim: trip.csv: not a log of a known format: give one of JSON lines")
    assert lines[0].endswith("also packed as zip, gzip, xz, bz2; or a table with --columns")
    assert lines[1:4] == [
        "rvsim: trip.csv: its first lines are:",
        "rvsim: trip.csv:     Zeit;ID;Laenge;Daten",
        "rvsim: trip.csv:     0,0;19FFE45E;8;01 00 C8 64 FF FF FF FF",
    ]
    assert lines[-1] == (
        f'rvsim: trip.csv: as a table of frames: --columns {PROPOSED}, or in a rig: [log] columns = "{PROPOSED}"'
    )
    code, out, err = rvsim(name, table, *options, "--columns", PROPOSED)
    assert code == 0
    assert "trip.csv, table of frames" in out
    assert "could not be read" not in out + err


def test_a_rig_keeps_the_columns(rvsim, table):
    """All logs of that vehicle are read so; the option wins over the rig."""
    Path("van.toml").write_text(RIG)
    assert json.loads(rvsim("survey", table, "--rig", "van.toml", "--json")[1])["frames"] == 200
    code, _, err = rvsim("survey", table, "--rig", "van.toml", "--columns", "time=1,id=2,data=9")
    assert code == 2
    assert "--columns time=1,id=2,data=9 fits none of its first lines: there is no column 9: the line has 4" in err
    Path("van.toml").write_text(RIG.replace("data=4", "daten=4"))
    code, _, err = rvsim("survey", table, "--rig", "van.toml")
    assert code == 2
    assert err.startswith("rvsim: van.toml, line 4")
    assert "daten is not a key; the keys are time, id, data, length, channel, separator; write the columns like" in err


def test_a_drafted_rig_has_the_columns(rvsim, table):
    """The next log of that vehicle is read with it."""
    code, _, err = rvsim("survey", table, "--columns", PROPOSED, "--draft-rig", "learnt.toml")
    assert (code, "a rig learnt from the log is in learnt.toml" in err) == (0, True)
    assert tomllib.loads(Path("learnt.toml").read_text())["log"] == {"columns": PROPOSED}
    assert json.loads(rvsim("survey", table, "--rig", "learnt.toml", "--json")[1])["frames"] == 200


def test_a_mapping_that_is_none_is_one_clear_line(rvsim, table):
    """Before the log is opened."""
    code, out, err = rvsim("survey", table, "--columns", "time=1")
    assert (code, out) == (2, "")
    assert err == "rvsim: --columns: id and data are missing; write the columns like time=1,id=2,data=4-\n"


def test_the_log_in_a_mails_archive(rvsim):
    """It is found beside a readme; several are named, and one is chosen."""
    with zipfile.ZipFile("mail.zip", "w") as archive:
        archive.writestr("readme.txt", "Dear support\n")
        archive.writestr("logs/trip.log", "(1.0) can0 19FFE45E#0100C864FFFFFFFF\n")
    out = rvsim("survey", "mail.zip")[1]
    assert out.startswith("mail.zip, candump text, zip (logs/trip.log): 1 frame")
    with zipfile.ZipFile("mail.zip", "a") as archive:
        archive.writestr("second.log", "(1.0) can0 19FFE45E#01\n" * 3)
    code, out, err = rvsim("survey", "mail.zip")
    assert (code, out) == (2, "")
    assert err == "rvsim: mail.zip: it has 2 logs: logs/trip.log, second.log: name one, as in mail.zip/logs/trip.log\n"
    assert json.loads(rvsim("survey", "mail.zip/second.log", "--json")[1])["frames"] == 3


def test_long_messages_in_one_line_are_told(rvsim):
    """Their faults are flags, and the bus load says what it lacks."""
    Path("x.log").write_text("(1.0) can0 19FFE45E#0100C864FFFFFFFF\n(2.0) can0 18FECA5E#10FF6E000001D2000302\n")
    out = rvsim("survey", "x.log")[1]
    assert "1 long message was in one entry; the bus load lacks its packets" in out
    assert "reports SPN 210, FMI 3" in out
    assert json.loads(rvsim("survey", "x.log", "--json")[1])["damage"]["joined"] == 1


def test_a_log_that_was_just_written_and_ends_in_half_a_line(rvsim):
    """It says up to where it was read, and does not call the half line damage."""
    line = "(1.5) can0 19FFE45E#0100C864FFFFFFFF\n"
    Path("live.log").write_text(line + line + line[:15])
    out = rvsim("survey", "live.log")[1]
    assert "the file ends within an entry and was just written: read up to 0.000 s, byte 74; if it is still" in out
    assert "could not be read" not in out
    damage = json.loads(rvsim("survey", "live.log", "--json")[1])["damage"]
    assert (damage["growing"], damage["unreadable"]) == ({"seconds": 0.0, "byte": 74, "certain": False}, 0)
