"""The command `export`: what it writes, what it says, and what it refuses."""

import json
from pathlib import Path

import polars
import pytest

from rvsim.devices.registry import settings_models
from rvsim.runs.bench import VirtualBenchRun
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.frame import SECOND_US, Frame

STARTED = 1_764_000_000
COLUMNS = "time seconds channel source device message instance field raw value unit state label"


class Kept:
    """A sink that keeps frames."""

    def __init__(self):
        self.frames = []

    def frame(self, frame):
        """Keep it."""
        self.frames.append(frame)

    def events(self, events):
        """Not needed."""

    def end(self, time, watch):
        """Not needed."""

    def flush(self):
        """Nothing waits."""


@pytest.fixture(scope="module")
def van(catalogue):
    """The frames of two minutes in which the heater goes quiet."""
    kept = Kept()
    scenario = load_scenario("heater_goes_quiet", kinds=settings_models())
    VirtualBenchRun(scenario, catalogue, kept, seed=1).until(120 * SECOND_US)
    return kept.frames


def write_log(path, frames, channel="can0", started=STARTED):
    """Write frames as candump text."""
    lines = (
        f"({started + frame.time // SECOND_US}.{frame.time % SECOND_US:06d}) {channel} "
        f"{frame.identifier:08X}#{frame.data.hex().upper()}"
        for frame in frames
    )
    Path(path).write_text("\n".join(lines) + "\n", encoding="ascii")


@pytest.fixture
def log(rvsim, van):
    """A log in the folder in which commands run."""
    write_log("van.log", van)
    return "van.log"


def lines(text):
    """Return JSON lines as objects."""
    return [json.loads(line) for line in text.splitlines()]


def test_readings_in_every_form(rvsim, log):
    """The same table in four forms, with the names of devices from the rig and times in UTC."""
    for form in ("parquet", "csv", "jsonl", "arrow"):
        code, out, err = rvsim("export", log, "--rig", "ottersby", "--output", f"x.{form}")
        assert (code, out) == (0, "")
        assert err.splitlines()[-1].endswith(f"readings written: x.{form}")
    table = polars.read_parquet("x.parquet")
    assert table.columns == COLUMNS.split()
    assert polars.read_csv("x.csv", schema=table.schema).equals(table)
    objects = polars.DataFrame(lines(Path("x.jsonl").read_text()), infer_schema_length=None)
    assert objects.with_columns(polars.col("time").str.to_datetime(time_unit="us", time_zone="UTC")).equals(table)
    assert polars.read_ipc("x.arrow").with_columns(polars.col(polars.Categorical).cast(polars.String)).equals(table)
    assert set(table["device"]) >= {"heater", "control panel", "battery monitor"}
    assert table["time"].min().timestamp() == pytest.approx(STARTED, abs=1)
    assert (table["time"].dt.epoch("us") - (table["seconds"] * SECOND_US).round().cast(polars.Int64)).n_unique() == 1


def test_a_folder_has_all_tables(rvsim, log):
    """A name without a suffix is a folder: a table for each message, long messages, frames, flags and devices."""
    code, _, err = rvsim("export", log, "--rig", "ottersby", "--output", "tables")
    assert (code, "tables with" in err) == (0, True)
    assert {path.name for path in Path("tables").iterdir()} == {
        "messages", "long_messages.parquet", "frames.parquet", "flags.parquet", "devices.parquet"
    }  # fmt: skip
    assert len(list(Path("tables/messages").iterdir())) > 15
    flags = polars.read_parquet("tables/flags.parquet")
    heater = flags.filter(polars.col("kind") == "silent-device").row(0, named=True)
    assert (heater["subject"], heater["severity"], heater["until"] > heater["seconds"]) == ("heater", "fault", True)
    assert heater["time"].timestamp() == pytest.approx(STARTED + heater["seconds"], abs=1)
    devices = polars.read_parquet("tables/devices.parquet")
    assert devices.filter(polars.col("device") == "heater").select("planned", "source").rows() == [(1, 0x5E)]
    frames = polars.read_parquet("tables/frames.parquet")
    assert devices["frames"].sum() == frames.height
    water = polars.read_parquet("tables/messages/WATERHEATER_STATUS.parquet")
    readings = frames.filter(polars.col("message") == "WATERHEATER_STATUS")
    assert water.height == readings.height
    assert max(water["water_temperature"].to_list()) > 15


def test_tables_that_are_asked_for(rvsim, log):
    """A folder with some tables in another form; a file with one that is not the readings."""
    assert rvsim("export", log, "--output", "t/", "--table", "devices", "--table", "flags", "--format", "csv")[0] == 0
    assert {path.name for path in Path("t").iterdir()} == {"devices.csv", "flags.csv"}
    assert rvsim("export", log, "--output", "frames.jsonl", "--table", "frames")[0] == 0
    first = lines(Path("frames.jsonl").read_text())[0]
    assert (first["message"], first["destination"], first["device"]) == ("ADDRESS_CLAIM", 255, None)


def test_long_messages(rvsim):
    """From packets and from long lines, on each channel for itself; a part of them by period, sender and message."""
    packets = ("1CECFF44#20090002FFEBFE00", "1CEBFF44#0141434D452A4C41", "1CEBFF44#024D50FFFFFFFFFF")
    moments = [f"({STARTED}.{100_000 * number:06d}) can{{}} {packet}" for number, packet in enumerate(packets)]
    both = [moment.format(channel) for moment in moments for channel in (0, 1)]
    Path("x.log").write_text("\n".join([*both[:-1], f"({STARTED}.5) can0 18EFFF45#00112233445566778899"]) + "\n")

    def found(*options):
        table = ("--table", "long_messages", "--output", "x.jsonl", "--overwrite")
        code, _, err = rvsim("export", "x.log", *table, *options)
        rows = lines(Path("x.jsonl").read_text())
        assert (code, f"{len(rows)} long message{'s' if len(rows) != 1 else ''} written" in err) == (0, True)
        return [(row["seconds"], row["channel"], row["source"], row["text"], row["bytes"]) for row in rows]

    product = (0.2, "can0", 0x44, "ACME*LAMP", "41434D452A4C414D50")
    line = (0.5, "can0", 0x45, None, "00112233445566778899")
    assert found() == [product, line]
    assert found("--from", "0.15", "--to", "0.3") == found("--device", "44") == [product]
    assert found("--message", "PRODUCT_IDENTIFICATION") == [product]
    assert found("--to", "0.15") == []


def test_parts_of_a_log(rvsim, log, van):
    """A period, devices by name and by address, messages, a channel."""

    def frames(*options):
        code, _, err = rvsim("export", log, "--output", "x.jsonl", "--table", "frames", "--overwrite", *options)
        assert code == 0, err
        return lines(Path("x.jsonl").read_text())

    whole = frames()
    assert len(whole) == len(van)
    first = van[0].time
    part = frames("--from", "10", "--to", "20")
    assert [row["seconds"] for row in part] == [
        (frame.time - first) / SECOND_US for frame in van if 10 * SECOND_US <= frame.time - first <= 20 * SECOND_US
    ]
    assert {row["source"] for row in frames("--device", "5E")} == {0x5E}
    both = frames("--rig", "ottersby", "--device", "heater", "--device", "44")
    assert {(row["source"], row["device"]) for row in both} == {(0x5E, "heater"), (0x44, "control panel")}
    assert {row["message"] for row in frames("--message", "TANK_STATUS", "--message", "0EE00")} == {
        "TANK_STATUS", "ADDRESS_CLAIM"
    }  # fmt: skip
    assert len(frames("--channel", "can0")) == len(van)


def test_several_logs(rvsim, van):
    """They stand in one table, each with its name; their times are those of each."""
    write_log("a.log", van[:300])
    write_log("b.log", van[300:500], started=0)
    assert rvsim("export", "a.log", "b.log", "--output", "x.parquet", "--table", "frames")[0] == 0
    table = polars.read_parquet("x.parquet")
    assert table.columns[:3] == ["log", "time", "seconds"]
    counted = table.group_by("log").agg(polars.len(), polars.col("time").null_count().alias("undated"))
    assert sorted(counted.rows()) == [("a.log", 300, 0), ("b.log", 200, 200)]
    assert rvsim("export", "a.log", "b.log", "--output", "m", "--table", "messages")[0] == 0
    claims = polars.read_parquet("m/messages/ADDRESS_CLAIM.parquet")
    assert set(claims["log"]) <= {"a.log", "b.log"}


def test_channels_are_kept_apart(rvsim, van):
    """Each channel is a bus of its own, with devices of its own."""
    write_log("one.log", van[:400], "can0")
    write_log("two.log", van[:200], "can1")
    rows = Path("one.log").read_text().splitlines() + Path("two.log").read_text().splitlines()
    Path("both.log").write_text("\n".join(sorted(rows)) + "\n")
    assert rvsim("export", "both.log", "--rig", "ottersby", "--output", "t", "--format", "jsonl")[0] == 0
    frames = polars.read_ndjson("t/frames.jsonl")
    assert dict(frames.group_by("channel").agg(polars.len()).rows()) == {"can0": 400, "can1": 200}
    messages = [polars.read_ndjson(path) for path in Path("t/messages").iterdir()]
    assert sum(table.filter(channel="can1").height for table in messages) == 200
    devices = polars.read_ndjson("t/devices.jsonl")
    assert {*devices.filter(channel="can1", device="heater")["source"]} == {0x5E}
    assert rvsim("export", "both.log", "--output", "one.csv", "--table", "frames", "--channel", "can1")[0] == 0
    assert len(Path("one.csv").read_text().splitlines()) == 201


def test_from_stdin(rvsim, log):
    """Read once without a rig; with one a copy is read twice."""
    for more in ((), ("--rig", "ottersby")):
        text = Path(log).read_bytes()
        code, _, err = rvsim("export", "-", "--output", "x.csv", "--overwrite", *more, input=text)
        assert code == 0, err
    assert "heater" in Path("x.csv").read_text()


def test_own_definitions(rvsim, log):
    """A user's message is decoded as the file has it."""
    Path("own.dbc").write_text(
        'VERSION ""\nBO_ 2581572350 TANKS: 8 Vector__XXX\n SG_ depth : 8|16@1+ (0.1,-3) [0|0] "mm" Vector__XXX\n',
        encoding="ascii",
    )
    frames = [Frame(0, 0x19DFAAFE, bytes([0, 0x10, 0x27, 0, 0, 0, 0, 0]))]
    write_log("own.log", frames)
    code, _, err = rvsim("export", "own.log", "--dbc", "own.dbc", "--output", "x.jsonl")
    assert code == 0, err
    (row,) = lines(Path("x.jsonl").read_text())
    assert (row["message"], row["field"], row["raw"], row["value"], row["unit"]) == ("TANKS", "depth", 10000, 997, "mm")


def test_a_log_without_frames(rvsim):
    """The tables are there, and have no rows."""
    Path("empty.log").write_text("")
    code, _, err = rvsim("export", "empty.log", "--output", "x.parquet")
    assert (code, "0 readings written: x.parquet" in err) == (0, True)
    assert polars.read_parquet("x.parquet").height == 0
    assert rvsim("export", "empty.log", "--output", "t")[0] == 0
    assert polars.read_parquet("t/flags.parquet").height == 0


def test_what_could_not_be_read_is_told(rvsim, log):
    """On stderr, as replay tells it; the rest is exported."""
    Path("odd.log").write_text(Path(log).read_text() + "what is this\n")
    code, out, err = rvsim("export", "odd.log", "--output", "x.csv")
    assert (code, out, "odd.log: " in err) == (0, "", True)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (
            ("--output", "x.txt"),
            "--output x.txt: the name decides the form: end it in one of .parquet, .csv",
        ),
        (
            ("--output", "x.csv", "--table", "flagz"),
            "--table flagz: give one of readings, messages, long_messages, frames",
        ),
        (("--output", "x.csv", "--table", "flags", "--table", "frames"), "a file has one table"),
        (("--output", "x.csv", "--table", "messages"), "--table messages needs a folder: --output x/"),
        (("--output", "x.csv", "--format", "jsonl"), "--format jsonl is for a folder"),
        (("--output", "x", "--format", "xml"), "--format xml: give one of parquet, csv, jsonl, arrow"),
        (("--output", "van.log/x.csv"), "--output van.log/x.csv: "),
        (("--output", "gone/x.csv"), "the folder gone is not there"),
        (("--output", "x.csv", "--channel", "can9"), "--channel can9: not in van.log"),
        (("--output", "x.csv", "--from", "500"), "--from 500: van.log ends 119."),
        (("--output", "x.csv", "--from", "5", "--to", "4"), "--to 4: give more than 5"),
        (("--output", "x.csv", "--device", "heater"), "--device heater: give a device of a rig given by --rig"),
        (("--output", "x.csv", "--message", "NONE_OF_IT"), "--message NONE_OF_IT: not defined"),
        (("--output", "x.csv", "--rig", "nowhere"), "nowhere"),
        (("--output", "there.csv"), "there.csv: the file exists"),
        (("--output", "van.csv"), "--output van.csv: this is the log that is exported"),
    ],
)
def test_bad_input(rvsim, log, arguments, told):
    """One clear line, exit code 2, and nothing is written."""
    Path("there.csv").write_text("kept")
    logs = [log]
    if "van.csv" in arguments:
        Path("van.csv").symlink_to(log)
        arguments = (*arguments, "--overwrite")
    before = sorted(Path().rglob("*"))
    code, out, err = rvsim("export", *logs, *arguments)
    assert (code, out) == (2, "")
    assert told in err
    assert len([line for line in err.splitlines() if line.startswith("rvsim: ")]) == 1
    assert sorted(path for path in Path().rglob("*") if "cache" not in path.parts) == [
        path for path in before if "cache" not in path.parts
    ]
    assert Path("there.csv").read_text() == "kept"


def test_a_missing_log_ends_it(rvsim, log):
    """The other logs are not exported without it: a table that lacks a log would not show that."""
    code, _, err = rvsim("export", log, "gone.log", "--output", "x.csv")
    assert (code, "gone.log: no such file" in err, Path("x.csv").exists()) == (2, True, False)


def test_frames_as_a_log(rvsim, log, van):
    """A part of a log in another form, of a device by its name in the rig, with the clock of the log."""
    code, out, err = rvsim(
        "export", "--frames", log, "--output", "x.asc", "--rig", "ottersby", "--device", "heater", "--from", "60"
    )  # fmt: skip
    first = van[0].time
    wanted = [frame for frame in van if frame.identifier & 0xFF == 0x5E and frame.time - first >= 60 * SECOND_US]
    assert (code, out, err.splitlines()[-1]) == (0, "", f"rvsim: {len(wanted)} frames written: x.asc")
    code, out, _ = rvsim("survey", "x.asc", "--json")
    assert (json.loads(out)["frames"], json.loads(out)["started"] > "2025-11-24T16:01:00") == (len(wanted), True)
    code, _, err = rvsim("export", "--frames", "-", "--output", "y.blf", input=Path(log).read_bytes())
    assert (code, f"{len(van)} frames written: y.blf" in err) == (0, True)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("van.log", "--output", "x.parquet"), "--output x.parquet: the name decides the form of the log"),
        (("van.log", "--output", "x.log", "--table", "flags"), "--frames writes a log, not tables"),
        (("van.log", "--output", "x.log", "--format", "csv"), "--frames writes a log, not tables"),
        (("van.log", "--output", "van.log", "--overwrite"), "this is the log that is exported"),
        (("van.log", "--output", "x.log", "--from", "900"), "--from 900: van.log ends 119."),
        (("gone.log", "--output", "x.log"), "gone.log: no such file"),
    ],
)
def test_bad_input_for_a_log(rvsim, log, arguments, told):
    """One clear line, exit code 2, and nothing is written."""
    code, out, err = rvsim("export", "--frames", *arguments)
    assert (code, out, told in err) == (2, "", True)
    assert not list(Path().glob("*x.*"))


def test_logs_of_two_recorders_become_one_in_the_order_of_time(rvsim, van, catalogue):
    """The clock of the second was 2.5 s ahead, and its lines are mixed; nothing of it is lost."""
    write_log("front.log", van[::2])
    write_log("rear.log", van[1::2][::-1], started=STARTED + 2)
    write_log("whole.log", van)
    code, _, err = rvsim(
        "export", "--frames", "front.log", "rear.log", "--sort", "--offset", "0", "--offset=-2", "--output", "both.log"
    )
    assert (code, err) == (0, f"rvsim: {len(van)} frames written: both.log\n")
    lines = [line.removesuffix(" R") for line in Path("both.log").read_text().splitlines()]
    assert sorted(lines) == sorted(Path("whole.log").read_text().splitlines())
    times = [float(line[1:].partition(")")[0]) for line in lines]
    assert times == sorted(times)


def test_what_cannot_be_merged_is_told_in_one_line(rvsim, log):
    """Offsets without their logs, tables, and names of devices, which are found in one log only."""
    for arguments, told in [
        (("--frames", "van.log", "van.log", "--offset", "1"), "--offset: 2 logs and 1 offsets: give one for each log"),
        (("--frames", "van.log", "--offset", "nan"), "--offset nan: give seconds, at most"),
        (("--frames", "-", "-"), "-: stdin is one log: name it once"),
        (("van.log", "--offset", "1"), "--offset goes with --frames: write the log first"),
        (("van.log", "--sort"), "--sort goes with --frames: write the log first"),
        (
            ("--frames", "van.log", "--sort", "--rig", "ottersby", "--device", "heater"),
            "--device with --rig needs one log",
        ),
    ]:
        code, out, err = rvsim("export", *arguments, "--output", "new.log")
        assert (code, out) == (2, "")
        assert err.startswith(f"rvsim: {told}")
        assert err.count("\n") == 1
        assert not Path("new.log").exists()
