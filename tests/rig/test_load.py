"""A rig is found and loaded, or refused with one line for each mistake: file, line, table, key, what to do."""

from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from rvsim import shipped
from rvsim.errors import InputError
from rvsim.rig.load import check_model, find_file, find_rig, load_rig
from rvsim.rig.model import Rig
from rvsim.rig.toml_file import read_toml


class FanSettings(BaseModel):
    """Settings of an invented kind of device, one in a table of its own; numbers may be given as texts."""

    model_config = ConfigDict(extra="forbid")

    class Motor(BaseModel):
        """A table within the settings."""

        model_config = ConfigDict(extra="forbid")
        watts: float = Field(default=30.0, gt=0, lt=500)
        poles: Literal[2, 4] = 2

    size: Literal["small", "large"] = "small"
    blades: int = Field(default=5, ge=2, le=9)
    pitch: float = 1.0
    quiet: bool = False
    motors: list[Motor] = []
    made: bytes = b""
    span: tuple[float, float] = (0, 1)


class PlainSettings(BaseModel):
    """Settings of a kind that has none."""


KINDS = {"fan": FanSettings, "plain": PlainSettings}
SOUND = """\
schema = 1
name = "small"
title = "A small one"

# the heater, and what hangs on it
[[device]]
name = "heater"
kind = "plain"
address = 0x5E
functions = { furnace = 1, water_heater = [1, 2] }

[[device]]
name = "roof fan"
kind = "fan"
address = 0x90
functions = { roof_fan = 1 }
required = ["air_speed", "ROOF_FAN_STATUS_1.fan_mode"]

[device.settings]
size = "small"
blades = 4
motors = [{ watts = 30.0 }, { watts = 20 }]

[device.limits]
"ROOF_FAN_STATUS_1.air_speed" = [
  0,
  100.0,
]

[cabin]
volume_m3 = 11
"""


@pytest.fixture
def written(tmp_path):
    """Return a function that writes a rig file and returns its path."""

    def write(text):
        path = tmp_path / "x.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def refused(path, kinds=KINDS):
    """Return the lines with which a rig file is refused, without the folder."""
    with pytest.raises(InputError) as error:
        load_rig(path, kinds)
    assert all(line.isprintable() for line in error.value.problems)
    return [line.removeprefix(f"{path.parent}/") for line in error.value.problems]


def test_a_sound_file_is_a_rig(written):
    """Everything in the file reaches the rig."""
    rig = load_rig(written(SOUND), KINDS)  # type: ignore[arg-type]
    assert [device.name for device in rig.devices] == ["heater", "roof fan"]
    assert rig.devices[1].settings_as(FanSettings).motors[1].watts == 20
    assert rig.devices[1].limits == {"ROOF_FAN_STATUS_1.air_speed": (0, 100)}
    assert rig.cabin.volume_m3 == 11


OUTPUT = '\n[[module]]\nname = "front"\n[[output]]\nname = "a"\nmodule = "front"\nterminal = 1\n'
"""A module and an output, whose next key is in the line after."""


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            "address = 0x90",
            "address = 0x90\nadress = 0x90",
            'line 16, device 2 "roof fan": unknown key "adress" (did you mean "address"?); '
            "remove it or correct the name",
        ),
        ("address = 0x90\n", "", 'line 12, device 2 "roof fan": the key "address" is missing; add it'),
        ('name = "roof fan"\n', "", 'line 12, device 2: the key "name" is missing; add it'),
        ('title = "A small one"\n', "", ': the key "title" is missing; add it'),
        (
            "[cabin]",
            "[cabins]",
            'line 30: unknown key "cabins" (did you mean "cabin"?); remove it or correct the name',
        ),
        ("volume_m3", '"\\u001B"', 'line 31, cabin: unknown key "\\x1b"; remove it or correct the name'),
        (
            'size = "small"',
            'size = "smal"',
            'line 20, device 2 "roof fan", settings.size: "smal" is unknown (did you mean "small"?); '
            "write one of small, large",
        ),
        (
            "blades",
            "blade",
            'line 21, device 2 "roof fan", settings: unknown key "blade" (did you mean "blades"?); '
            "remove it or correct the name; the keys here are size, blades, pitch, quiet, motors, made, span",
        ),
        (
            "watts = 20 ",
            "wats = 20 ",
            'line 22, device 2 "roof fan", settings, motors 2: unknown key "wats" (did you mean "watts"?); '
            "remove it or correct the name; the keys here are watts, poles",
        ),
        (
            "watts = 20 ",
            "watts = 0 ",
            'line 22, device 2 "roof fan", settings, motors 2, watts: 0 is too low; write more than 0',
        ),
        (
            "watts = 20 ",
            "watts = 500.5 ",
            'line 22, device 2 "roof fan", settings, motors 2, watts: 500.5 is too high; write less than 500',
        ),
        (
            "watts = 20 ",
            "poles = 3 ",
            'line 22, device 2 "roof fan", settings, motors 2, poles: 3 is unknown; write one of 2, 4',
        ),
        ("= 4", "= 10", 'line 21, device 2 "roof fan", settings.blades: 10 is above 9; write 9 or less'),
        ("= 4", "= 1", 'line 21, device 2 "roof fan", settings.blades: 1 is below 2; write 2 or more'),
        (
            "= 4",
            '= "four"',
            'line 21, device 2 "roof fan", settings.blades: "four" is not a whole number; '
            "write one without quotes and decimals, like 1",
        ),
        (
            "= 4",
            "= 4.5",
            'line 21, device 2 "roof fan", settings.blades: 4.5 is not a whole number; '
            "write one without quotes and decimals, like 1",
        ),
        (
            "blades = 4",
            'pitch = "x"',
            'line 21, device 2 "roof fan", settings.pitch: "x" is not a number; write one without quotes, like 21.5',
        ),
        (
            "blades = 4",
            'quiet = "maybe"',
            'line 21, device 2 "roof fan", settings.quiet: "maybe" is neither true nor false; '
            "write one of them, without quotes",
        ),
        (
            "blades = 4",
            "made = 2024-02-29",
            'line 21, device 2 "roof fan", settings.made: 2024-02-29 cannot be used: input should be a valid bytes',
        ),
        ("blades = 4", "span = [1]", 'line 21, device 2 "roof fan", settings.span: item 2 is missing; add it'),
        (
            "blades = 4",
            "span = [1, 2, 3]",
            'line 21, device 2 "roof fan", settings.span: too many entries: 3; write at most 2',
        ),
        (
            "\n[cabin]",
            OUTPUT + 'retry_after = "0s"\n[cabin]',
            'line 36, output 1 "a", retry_after: "0s" is below 0.1s; write 0.1s or more',
        ),
        (
            "\n[cabin]",
            OUTPUT + 'delay_off = "2h"\n[cabin]',
            'line 36, output 1 "a", delay_off: "2h" is above 3600s; write 3600s or less',
        ),
        (
            "\n[cabin]",
            '\n[[module]]\nname = "front"\n[[input]]\nname = "a"\nmodule = "front"\nterminal = 1\n'
            "ladder = { pull_up_ohm = 1000, rungs = {} }\n[cabin]",
            'line 36, input 1 "a", ladder.rungs: too few entries: 0; write at least 1',
        ),
        (
            '"ROOF_FAN_STATUS_1.air_speed" = [',
            '"the air" = 3\nx = [',
            [
                f'line 25, device 2 "roof fan", limits."the air": {text}'
                for text in (
                    '"the air" does not name a field; write it as field or MESSAGE.field',
                    "3 is not a pair of limits; write the lowest and the highest value: [low, high]",
                )
            ],
        ),
        (
            '"air_speed"',
            '"air speed"',
            'line 17, device 2 "roof fan", required, item 1: "air speed" does not name a field; '
            "write it as field or MESSAGE.field",
        ),
        (
            "  100.0",
            "  -100.0",
            'line 25, device 2 "roof fan", limits."ROOF_FAN_STATUS_1.air_speed": '
            "the low limit 0 is above the high limit -100; write [low, high]",
        ),
        (
            "  100.0",
            "  nan",
            'line 27, device 2 "roof fan", limits."ROOF_FAN_STATUS_1.air_speed", item 2: '
            "nan is not a finite number; write one like 21.5",
        ),
        (
            "address = 0x90",
            "address = 0x5E",
            'line 15, device 2 "roof fan", address: 0x5E is already the address of device 1 "heater"; '
            "give each its own address",
        ),
        (
            "water_heater = [1, 2]",
            "water_heater = [1, 0]",
            'line 10, device 1 "heater", functions.water_heater: a water heater cannot have instance 0; write 1 to 250',
        ),
        (
            "{ roof_fan = 1 }",
            "7",
            'line 16, device 2 "roof fan", functions: 7 is not a table; '
            "write one like { key = 1 }, or its keys under a header of its own",
        ),
        ("volume_m3 = 11", "volume_m3 = -1", "line 31, cabin.volume_m3: -1 is below 1; write 1 or more"),
        ('"A small one"', "3", 'line 3, title: 3 is not a text; write it in quotes, "like this"'),
        ("schema = 1", "schema = 7", "line 1, schema: 7 is not a file format that this rvsim reads; write schema = 1"),
        (
            "\n[cabin]",
            'definitions = ["a.dbc"]\n[cabin]',
            'line 29, device 2 "roof fan", limits.definitions: a list is not a pair of limits; '
            "write the lowest and the highest value: [low, high]",
        ),
    ],
)
def test_one_mistake_gives_one_line_at_its_place(written, old, new, line):
    """The line is that of the key, or of its table's header where the key is missing."""
    assert SOUND.count(old) >= 1
    before, _, after = SOUND.rpartition(old)
    lines = [line] if isinstance(line, str) else line
    assert refused(written(before + new + after)) == [f"x.toml{'' if one[0] == ':' else ', '}{one}" for one in lines]


def test_every_mistake_is_reported_at_once_in_the_order_of_the_file(written):
    """Mistakes of the file, of devices, between devices, of settings and of the vehicle come together."""
    text = SOUND.replace("schema = 1\n", "").replace("0x90", "0x5E").replace("blades", "blade").replace("11", "'11'")
    assert refused(written(text.replace('kind = "plain"', 'kind = "plan"'))) == [
        'x.toml: the key "schema" is missing; add it',
        'x.toml, line 7, device 1 "heater", kind: "plan" is unknown (did you mean "plain"?); the kinds are fan, plain',
        'x.toml, line 14, device 2 "roof fan", address: 0x5E is already the address of device 1 "heater"; '
        "give each its own address",
        'x.toml, line 20, device 2 "roof fan", settings: unknown key "blade" (did you mean "blades"?); '
        "remove it or correct the name; the keys here are size, blades, pitch, quiet, motors, made, span",
        'x.toml, line 30, cabin.volume_m3: "11" is not a number; write one without quotes, like 21.5',
    ]


def test_a_single_bracket_header_is_explained(written):
    """[device] for [[device]] says how to write it; a list of no tables says so item by item."""
    head = 'schema = 1\nname = "a"\ntitle = "b"\n'
    assert refused(written(head + "[device]\nname = 'x'")) == [
        "x.toml, line 4, device: a table is not a list; "
        "write one like [1, 2], or each table under a header like [[device]]"
    ]
    assert refused(written(head + "device = [[1]]")) == [
        "x.toml, line 4, device, item 1: a list is not a table; "
        "write one like { key = 1 }, or its keys under a header of its own"
    ]


def test_an_address_can_have_any_length_in_hex(written):
    """A number that cannot even be written in decimal is refused by name."""
    assert refused(written(SOUND.replace("0x90", "0x" + "F" * 5000))) == [
        'x.toml, line 15, device 2 "roof fan", address: '
        "a number that is too large is not an address that a device can have; write 0 to 0xFD (253)"
    ]


def test_a_hundred_mistakes_are_enough(written):
    """What lies beyond the first hundred mistakes is counted."""
    lines = refused(
        written(SOUND.replace("schema = 1\n", "schema = 1\n" + "\n".join(f"k{i} = 1" for i in range(103)) + "\n"))
    )
    assert len(lines) == 101
    assert lines[-1] == "x.toml: 3 more mistakes; correct these first"
    assert refused(written("\n".join(f"k{i} = 1" for i in range(96))))[-1].startswith("x.toml, line 96: unknown key")


def test_a_rig_is_found_by_name_or_by_path(tmp_path, written, monkeypatch):
    """A shipped rig by its name; a path by its ending or its slash, seen from a folder if one is given."""
    (shipped_rig, *_) = sorted((shipped.scenario_folder() / "rigs").glob("*.toml"))
    assert load_rig(shipped_rig.stem) == load_rig(shipped_rig)
    written(SOUND)
    assert find_rig("x.toml", tmp_path) == find_rig("../x.toml", tmp_path / "a").resolve() == tmp_path / "x.toml"
    assert find_rig("a/x", tmp_path) == tmp_path / "a/x"
    assert str(find_rig("a\\x")) == "a\\x"
    monkeypatch.chdir(tmp_path)
    assert load_rig("x.toml").name == "small"


def test_an_unknown_name_lists_the_shipped_ones(tmp_path):
    """Nearest first, then all of them in order, then how to name a file of one's own."""
    for name in ("van", "bus"):
        (tmp_path / f"{name}.toml").touch()
    with pytest.raises(InputError) as error:
        find_file("vann", tmp_path, "rig")
    assert error.value.problems == (
        'no rig is called "vann" (did you mean "van"?); the shipped ones are bus, van; '
        "for your own give its path, ending in .toml",
    )
    with pytest.raises(InputError, match=r'^no rig is called "nothing like it"; the shipped ones are '):
        load_rig("nothing like it")


def test_the_models_can_be_told_more(written):
    """What else is handed in reaches the validators, beside the kinds and the folder; kinds may be left out."""
    file = read_toml(written(SOUND.replace('"plain"', '"unheard of"')))
    assert check_model(Rig, file).devices[0].kind == "unheard of"

    class Told(BaseModel):
        """Takes anything and keeps what it was told."""

        def model_post_init(self, context):
            """Keep the context."""
            told.append(context)

    told = []
    check_model(Told, file, KINDS, devices=["a"])  # type: ignore[arg-type]
    assert told == [{"kinds": KINDS, "folder": file.path.parent, "devices": ["a"]}]


PIECES = [
    "[",
    "]",
    "[[device]]\n",
    "[device]\n",
    "=",
    '"',
    "\n",
    ",",
    "{",
    "}",
    "0",
    "-1",
    "'",
    "true",
    "x = 1\n",
    "nan",
    "0x",
    "\0",
    "é",
]


@given(
    cuts=st.lists(
        st.tuples(st.integers(0, len(SOUND)), st.integers(0, 12), st.sampled_from(["", *PIECES]) | st.text(max_size=3)),
        min_size=1,
        max_size=4,
    )
)
def test_a_mangled_file_is_a_rig_or_is_refused(cuts, tmp_path_factory):
    """Whatever is cut out or put in, the answer is a rig or clear lines that name the file."""
    text = SOUND
    for place, length, new in cuts:
        text = text[:place] + new + text[place + length :]
    path = tmp_path_factory.getbasetemp() / "mangled.toml"
    path.write_text(text, encoding="utf-8", errors="surrogatepass", newline="")
    try:
        lines = () if isinstance(load_rig(path, KINDS), Rig) else ("no rig",)  # type: ignore[arg-type]
    except InputError as error:
        lines = error.problems  # type: ignore[assignment]
    assert all(line.startswith(str(path)) and line.isprintable() for line in lines)
