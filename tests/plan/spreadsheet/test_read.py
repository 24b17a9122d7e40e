"""Rigs out of spreadsheets: what rows and heads mean, mistakes with their cells, and the way back."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.errors import InputError
from rvsim.plan.rig_file import read_rig_file, rig_of
from rvsim.plan.spreadsheet.read import read_spreadsheet
from rvsim.plan.spreadsheet.write import left_out, spreadsheet_text
from rvsim.rig.toml_file import TomlFile

SHEET = """part,name,module,terminal,load,current (A),wire,length (m),address
device,load centre,,,,,,,0x8E
output,galley light,cupboard,1,led,1.5,1.5 mm2,4,
output,pump,cupboard,2,pump,5,14 AWG,3.5,
"""


@pytest.fixture
def sheet(tmp_path):
    """Write a spreadsheet: ``sheet(text)``; returns its path."""

    def go(text, encoding="utf-8"):
        path = tmp_path / "van.csv"
        path.write_bytes(text.encode(encoding))
        return path

    return go


def told(path, base=None):
    """Return what is said of a sheet that cannot be used, without its path."""
    with pytest.raises(InputError) as refused:
        rig_of(read_spreadsheet(path, base))
    return [problem.replace(str(path), "S") for problem in refused.value.problems]


def test_a_sheet_is_a_rig(sheet):
    """With wires, and the module by its name alone, which is said."""
    file = read_spreadsheet(sheet(SHEET))
    rig = rig_of(file)
    assert [output.name for output in rig.outputs] == ["galley light", "pump"]
    assert rig.outputs[0].wire.area_mm2 == 1.5
    assert (rig.outputs[1].wire.awg, rig.outputs[1].wire.length_m) == ("14", 3.5)
    assert rig.devices[0].address == 0x8E
    assert [module.name for module in rig.modules] == ["cupboard"]
    assert (rig.name, rig.title) == ("van", "from van.csv")
    assert file.notes == ("only by name: module cupboard; rows of their own can give their figures",)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_encodings_and_delimiters(sheet, encoding, delimiter):
    """As spreadsheets save them in different countries; UTF-16 is told."""
    file = read_spreadsheet(sheet(SHEET.replace(",", delimiter), encoding))
    assert rig_of(file).outputs[1].amps == 5
    assert any("UTF-16" in note for note in file.notes) == (encoding == "utf-16")


def test_a_decimal_comma(sheet):
    """In a sheet with semicolons, and in quotes in one with commas; the first line may name the delimiter."""
    text = "sep=;\nname;module;terminal;current A;address\nlamp;m;1;1,250;\nload centre;;;;142\n"
    assert rig_of(read_spreadsheet(sheet(text))).outputs[0].amps == 1.25
    text = 'name,module,terminal,current A,address\nlamp,m,1,"1,25",\nload centre,,,,142\n'
    assert rig_of(read_spreadsheet(sheet(text))).outputs[0].amps == 1.25


def test_columns_in_any_order_with_a_title_above_and_two_sets_of_heads(sheet):
    """Rows belong to the heads above them; empty rows and columns of others are passed over, which is said."""
    text = """My van,,,
,,,
terminal,Load current [mA],Circuit,Load centre,Supplier
1,1500,lamp,m,somebody
,,,,
part,name,source address (hex),,
node,heater,5E,,
"""
    file = read_spreadsheet(sheet(text))
    rig = rig_of(file)
    assert (rig.outputs[0].name, rig.outputs[0].amps, rig.devices[0].address) == ("lamp", 1.5, 0x5E)
    assert 'E3: the column "Supplier" is not read' in file.notes


def test_all_mistakes_are_told_with_their_cells(sheet):
    """Those of heads, rows and cells together."""
    text = """part,name,module,terminal,lenght (m),current (A),fuse (A),peak time,length,wire
output,lamp,m,1,3,two,5,,,
outptu,fan,m,2,,,,,,
input,switch,m,1,,,5,,,
output,,m,3,,,,,,
output,lamp,m,4,,,,9 days,,
output,mat,m,5,,,,,,12
,pump,m,6,,,,,,,stray
"""
    assert told(sheet(text)) == [
        'S, E1: "lenght (m)": unknown head (did you mean "length"?); correct it',
        'S, I1: "length" has no unit; write it into the head, like length (m)',
        'S, F2: "two" is not a number; write one like 2.5',
        'S, A3: "outptu" is no part of a rig (did you mean "output"?); write one of device, module, relay, branch, '
        "output, input",
        "S, G4: an input has no fuse; clear the cell",
        "S, B5: the output has no name; write one",
        'S, H6: "9 days": the unit days is not known here; write s, ms or min',
        'S, B6: the output "lamp" stands in B2 already; write it once',
        'S, J7: "12" has no unit; write 12 mm2 or 12 AWG',
        "S, A8: the row does not say what it is; write one of device, module, relay, branch, output, input",
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SHEET.replace("1.5 mm2,4", "1.5 mm2,-4"), 'S, H3, output 1 "galley light", wire.length_m: -4.0 is below 0.01'),
        (SHEET.replace("0x8E", "0xFE"), 'S, I2, device 1 "load centre", address: 0xFE is not an address'),
        (SHEET.replace(",2,pump", ",1,pump"), "S, D4, output 2"),
        (SHEET.replace("1.5 mm2,4", ",4"), "S, B3, output 1"),
        (SHEET.replace("14 AWG", "13 AWG"), 'S, G4, output 2 "pump", wire.awg: "13" is not a known gauge'),
        (
            SHEET.replace("galley light,cupboard,1", "galley light,cupboard,"),
            'B3, output 1 "galley light": the key "ter',
        ),
    ],
)
def test_mistakes_of_the_rig_are_told_with_their_cells(sheet, text, said):
    """Where the value stands, or else the name of the part."""
    (line,) = told(sheet(text))
    assert said in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "S: no row has heads that are known; the first row should have them, like part, name"),
        ("a,b\n1,2\n", "S: no row has heads that are known"),
        ("part,name,module\n", "S: there is no row with a part below the heads; add one"),
        ("name,module,terminal\nlamp,m,1\n", "S: no row is a device, and a rig needs one"),
        ('part,name,load\noutput,"lamp,led\n', "S: this is no table of cells"),
        ("part,name,terminal\noutput,lamp,1,stray\ndevice,x,\n", 'S, D2: "stray" has no head above it'),
        (
            "part,name,current A,amps,address\noutput,lamp,1,2,\ndevice,x,,,5\n",
            "S: C2 and D2 both give amps; clear one of them",
        ),
        (
            "part,name,current (A),functions,address\ndevice,x,5,furnace 1; thermostat 1,5\n",
            "S, C2: the current of a device belongs to its one function",
        ),
    ],
)
def test_sheets_that_cannot_be_used(sheet, text, said):
    """One line says what, where and what to do."""
    assert any(line.startswith(said) for line in told(sheet(text))), told(sheet(text))


def test_files_that_are_no_sheets(tmp_path):
    """A workbook, a folder, nothing, another encoding, something huge."""
    (tmp_path / "a.csv").write_bytes(b"PK\x03\x04 and so on")
    (tmp_path / "b.csv").write_bytes("name;Stärke\n".encode("latin-1"))
    (tmp_path / "c.csv").write_bytes(b"x" * (4 << 20) + b"x")
    said = {
        "a.csv": "is a workbook; save its sheet as CSV",
        "b.csv": "line 1: byte E4 hex is not UTF-8",
        "c.csv": "larger than 4 MiB",
        "d.csv": "cannot be read (No such file",
        ".": "is a folder; name a .csv file in it",
    }
    for name, text in said.items():
        assert text in told(tmp_path / name)[0]


def test_no_more_than_a_hundred_mistakes_are_told(sheet):
    """The rest is counted."""
    rows = "".join(f"output,lamp {number},m,{number},x\n" for number in range(1, 301))
    found = told(sheet(f"part,name,module,terminal,current (A)\n{rows}"))
    assert len(found) == 101
    assert found[-1] == "S: 200 more mistakes; correct these first"


def test_the_current_of_a_device_with_one_function(sheet):
    """Is that of its function."""
    text = "part,name,current (A),functions,address\ndevice,x,5,furnace 1,5\n"
    assert rig_of(read_spreadsheet(sheet(text))).devices[0].amps == {"furnace": (0.0, 5.0)}


def test_cells_are_counted_from_the_first_line_of_the_file(sheet):
    """Also where that names the delimiter."""
    text = "sep=;\nname;module;terminal;current A;address\nlamp;m;1;x;\nload centre;;;;142\n"
    assert told(sheet(text)) == ['S, D3: "x" is not a number; write one like 2.5']


def test_mistakes_of_the_rig_come_in_the_order_of_the_rows(sheet):
    """And not in that of the tables of a rig."""
    text = "part,name,module,terminal,current (A),address\noutput,lamp,m,1,-5,\ndevice,x,,,,255\noutput,fan,m,2,-5,\n"
    assert [re.search("S, ([A-Z]+[0-9]+)", line)[1] for line in told(sheet(text))] == ["E2", "F3", "E4"]


def test_heads_count_down_to_the_next_heads(sheet):
    """A column of the first ones is not one of the second."""
    text = "part,name,module,terminal,current (A)\noutput,lamp,m,1,5\npart,name,address\ndevice,x,5,,7\n"
    assert told(sheet(text)) == ['S, E4: "7" has no head above it; write one, or clear the cell']


def test_parts_that_are_only_named(sheet):
    """Are there by their names; another battery does not become the house battery."""
    text = "part,name,battery,branch,ground,address\nbranch,main,starter,,,\ndevice,x,,main,bar,5\n"
    rig = rig_of(read_spreadsheet(sheet(text)))
    assert [battery.name for battery in rig.batteries] == ["house", "starter"]
    assert [ground.name for ground in rig.grounds] == ["bar"]


def test_another_size_replaces_the_one_of_the_rig(sheet, tmp_path):
    """In whichever form either is; a minus takes both away."""
    head = 'schema = 1\nname = "x"\ntitle = "x"\n[[device]]\nname = "a"\naddress = 5\n'
    (tmp_path / "own.toml").write_text(
        f'{head}[[branch]]\nname = "b"\nwire = {{ area_mm2 = 2.5, length_m = 1.0 }}\n'
        '[[branch]]\nname = "c"\nwire = { awg = 12, length_m = 1.0 }\n'
    )
    base = read_rig_file(tmp_path / "own.toml")
    text = "part,name,wire,length (m)\nbranch,b,12 AWG,\nbranch,c,4 mm2,\n"
    wires = [branch.wire for branch in rig_of(read_spreadsheet(sheet(text), base)).branches]
    assert [(wire.area_mm2, wire.awg) for wire in wires] == [(None, "12"), (4.0, None)]
    text = "part,name,wire,length (m)\nbranch,b,-,-\nbranch,c,-,-\n"
    assert [branch.wire for branch in rig_of(read_spreadsheet(sheet(text), base)).branches] == [None, None]


def test_a_type_is_that_of_the_part(sheet):
    """The load of an output in an installer's word, the switch of an input, the kind of a device as it is."""
    text = """part,name,type,module,terminal,address
device,heater,heater,,,5
output,mat,Heater,m,1,
input,switch,Toggle,m,1,
"""
    rig = rig_of(read_spreadsheet(sheet(text)))
    assert (rig.devices[0].kind, rig.outputs[0].load, rig.inputs[0].switch) == ("heater", "heater mat", "maintained")


def test_rows_replace_and_complete_those_of_a_rig(sheet):
    """What a row leaves out stays, a minus takes away, a new name is added, the base stays as it was."""
    base = read_rig_file("brackenlow")
    before = rig_of(base)
    text = """part,name,module,terminal,current (A),wire,length (m),groups of mine,min_amps
output,galley light,,,2.5,1.5 mm2,4,x,
output,new light,cupboard,9,1,,,,
branch,electronics,,,,-,-,,
"""
    rig = rig_of(read_spreadsheet(sheet(text), base))
    galley, new = rig.outputs[0], rig.outputs[-1]
    assert (galley.amps, galley.wire.length_m, galley.limit_amps, galley.groups) == (2.5, 4.0, 5.0, (1,))
    assert (new.name, new.terminal, len(rig.outputs)) == ("new light", 9, len(before.outputs) + 1)
    assert next(one for one in rig.branches if one.name == "electronics").wire is None
    assert rig_of(base) == before


def test_mistakes_of_the_rig_below_a_sheet_are_told_in_its_file(sheet, tmp_path):
    """With the line there."""
    own = tmp_path / "own.toml"
    head = 'schema = 1\nname = "x"\ntitle = "x"\ndefinitions = []\nlongest_pause = "5"\n'
    own.write_text(head + '[[device]]\nname = "a"\naddress = 5\n')
    (line,) = told(sheet("part,name,address\ndevice,b,6\n"), read_rig_file(str(own)))
    assert line.startswith(f"{own}, line 5, longest_pause: ")


@pytest.mark.parametrize("name", ["brackenlow", "ottersby", "quillhaven"])
def test_shipped_rigs_come_back_as_they_were(name, sheet):
    """Written as a sheet and read again into the same rig: nothing is lost, and nothing has another value."""
    base = read_rig_file(name)
    assert rig_of(read_spreadsheet(sheet(spreadsheet_text(base.data)), base)) == rig_of(base)


NAMES = st.text(st.characters(exclude_categories=["C", "Z"], include_characters=" "), min_size=1, max_size=8).map(
    lambda text: " ".join(text.split())
)
NAME = NAMES.filter(lambda text: text not in ("", "-"))
AMPS = st.floats(0, 1000) | st.integers(0, 1000)
LENGTH = st.floats(0.01, 100)
WIRE = (
    st.builds(lambda area, length: {"area_mm2": area, "length_m": length}, st.floats(0.1, 150), LENGTH)
    | st.builds(lambda awg, length: {"awg": awg, "length_m": length}, st.sampled_from(["12", 8, "1/0"]), LENGTH)
    | st.builds(lambda ohm: {"milliohm": ohm}, st.floats(0, 10_000))
)


def some(**keys):
    """Return tables with any of these keys."""
    return st.fixed_dictionaries({}, optional=keys)


OUTPUT = some(
    instance=st.integers(1, 250),
    load=st.sampled_from(["lamp", "heater mat"]),
    amps=AMPS,
    peak_amps=AMPS,
    peak=st.sampled_from(["1ms", "2.5s", "3min"]),
    fuse_amps=st.floats(0.1, 1000),
    wire=WIRE,
    critical=st.booleans(),
    suppressed=st.booleans(),
    cut_off_volts=st.floats(5, 20),
    zone=NAME,
)
INPUT = some(
    switch=st.sampled_from(["momentary", "maintained"]),
    ladder=st.builds(
        lambda rungs, ohm: {"rungs": rungs, "pull_up_ohm": ohm},
        st.dictionaries(NAME, st.floats(0, 1e6), min_size=1, max_size=3),
        st.floats(10, 1e6),
    ),
)
DEVICE = some(
    functions=st.just({"furnace": 1, "thermostat": [1, 2]}) | st.just({"furnace": [3]}),
    standing_milliamps=st.floats(0, 1e5),
    needs=st.just(["TANK_STATUS 1", "DATE_TIME_STATUS"]),
    real=st.booleans(),
)


@given(
    st.dictionaries(NAME, OUTPUT, max_size=4),
    st.dictionaries(NAME, INPUT, max_size=3),
    st.dictionaries(NAME, DEVICE, min_size=1, max_size=3),
)
def test_what_is_written_is_read_again(outputs, inputs, devices):
    """Outputs, inputs, wires and devices with any names and figures: the same rig."""
    fused = set(devices)
    data: dict[str, Any] = {
        "schema": 1,
        "name": "van",
        "title": "from van.csv",
        "device": [{"name": name, "address": n, **keys} for n, (name, keys) in enumerate(devices.items())],
        "module": [{"name": "m"}],
        "output": [
            {"name": name, "module": "m", "terminal": n, **keys}
            for n, (name, keys) in enumerate(outputs.items(), 1)
            if name not in fused
        ],
        "input": [
            {"name": name, "module": "m", "terminal": n, **keys} for n, (name, keys) in enumerate(inputs.items(), 1)
        ],
    }
    for output in data["output"]:
        output.pop("instance", None)  # two outputs cannot have one
    for number, device in enumerate(data["device"]):
        device["functions"] = dict.fromkeys(device.get("functions", {}), number + 1)
    given_file = TomlFile(Path("van.csv"), "", data)
    whole = rig_of(given_file)
    assert left_out(data) == []
    path = Path(SHEETS) / "van.csv"
    path.write_text(spreadsheet_text(data), encoding="utf-8", newline="")
    assert rig_of(replace(read_spreadsheet(path))) == whole


SHEETS = ""


@pytest.fixture(autouse=True, scope="module")
def sheets(tmp_path_factory):
    """A folder for the sheets of the test above, which has no fixture of its own in each example."""
    global SHEETS
    SHEETS = str(tmp_path_factory.mktemp("sheets"))


def test_what_a_sheet_has_no_column_for_is_said():
    """Whole tables, and keys of the parts that are written."""
    found = left_out(read_rig_file("brackenlow").data)
    assert {"scene", "battery", "settings of device", "groups of output"} <= set(found)
    assert not any(re.search("amps of output|wire", text) and "min_amps" not in text for text in found)
