"""Who named a bus: every source is found, in python-can's order, and none is passed over in silence."""

import os

import can
import pytest
from can import util

from rvsim.edge.configuration import ConfigValue, collect_values
from rvsim.errors import InputError


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Where the configuration files of a test lie; python-can is left nothing of this machine's own."""
    for variable in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.setattr(util, "CONFIG_FILES", ["~/first", str(tmp_path / "second"), "~/third"])
    monkeypatch.setattr(can, "rc", {})
    return tmp_path


def refused() -> str:
    """Return the one line with which the sources are refused."""
    with pytest.raises(InputError) as caught:
        collect_values({})
    (line,) = caught.value.problems
    assert "\n" not in line
    return line


def test_nothing_is_named():
    """Without any source there is no value."""
    assert collect_values({}) == {}


def test_what_is_given_comes_first(monkeypatch, home):
    """An option holds before everything else, and what it leaves open the others fill."""
    (home / "first").write_text("[default]\nchannel = file\nbitrate = 1\n")
    monkeypatch.setenv("CAN_INTERFACE", "slcan")
    given = {"interface": ConfigValue("virtual", "--interface"), "channel": ConfigValue("a", "--channel")}
    assert collect_values(given) == given | {"bitrate": ConfigValue("1", f"configuration file {home / 'first'}")}


def test_variables_come_next(monkeypatch, home):
    """Variables hold before files, a variable of its own before CAN_CONFIG, and an empty one counts for nothing."""
    (home / "third").write_text("[default]\ninterface = virtual\nchannel = file\n")
    monkeypatch.setenv("CAN_CONFIG", '{"interface": "virtual", "channel": "x", "bitrate": 125000, "listen_only": true}')
    monkeypatch.setenv("CAN_INTERFACE", "slcan")
    monkeypatch.setenv("CAN_CHANNEL", "COM3")
    monkeypatch.setenv("CAN_BITRATE", "")
    assert collect_values({}) == {
        "interface": ConfigValue("slcan", "environment CAN_INTERFACE"),
        "channel": ConfigValue("COM3", "environment CAN_CHANNEL"),
        "bitrate": ConfigValue(125_000, "environment CAN_CONFIG"),
        "listen_only": ConfigValue(True, "environment CAN_CONFIG"),
    }
    monkeypatch.setenv("CAN_BITRATE", "250000")
    assert collect_values({})["bitrate"] == ConfigValue("250000", "environment CAN_BITRATE")


def test_each_value_from_a_file_names_its_file(home):
    """Files are merged value by value, the later before the earlier; other sections are none of ours."""
    (home / "first").write_text("[default]\ninterface = virtual\nchannel = one\nbitrate = 500000\n")
    (home / "second").write_text("[default]\nchannel = two\n[other]\nbitrate = 1\n")
    (home / "third").write_text("[default]\ninterface = slcan\n")
    assert collect_values({}) == {
        "interface": ConfigValue("slcan", f"configuration file {home / 'third'}"),
        "channel": ConfigValue("two", f"configuration file {home / 'second'}"),
        "bitrate": ConfigValue("500000", f"configuration file {home / 'first'}"),
    }


def test_the_older_name_of_the_interface_counts(monkeypatch, home):
    """In a source with bustype that is the interface, unless the source has a nonempty interface as well."""
    (home / "second").write_text("[default]\nbustype = virtual\n")
    assert collect_values({}) == {"interface": ConfigValue("virtual", f"configuration file {home / 'second'}")}
    monkeypatch.setenv("CAN_CONFIG", '{"bustype": "slcan", "interface": ""}')
    assert collect_values({}) == {"interface": ConfigValue("slcan", "environment CAN_CONFIG")}
    monkeypatch.setenv("CAN_CONFIG", '{"bustype": "slcan", "interface": "pcan"}')
    assert collect_values({}) == {"interface": ConfigValue("pcan", "environment CAN_CONFIG")}


def test_values_for_all_sections_of_all_files_have_an_origin(home):
    """What stands in one file for the section of another is known to come from the files."""
    (home / "first").write_text("[DEFAULT]\nchannel = shared\n")
    (home / "second").write_text("[default]\ninterface = virtual\n")
    assert collect_values({})["channel"] == ConfigValue("shared", "configuration files")


def test_values_set_by_the_program_are_reported(monkeypatch):
    """python-can lets a program set defaults; they hold before the environment."""
    monkeypatch.setattr(can, "rc", {"interface": "virtual"})
    monkeypatch.setenv("CAN_INTERFACE", "slcan")
    assert collect_values({}) == {"interface": ConfigValue("virtual", "can.rc, set inside this program")}


@pytest.mark.parametrize("text", ['{"interface": }', "", "[" * 100_000])
def test_broken_json_is_refused(text, monkeypatch):
    """A slip in CAN_CONFIG is one clear line."""
    monkeypatch.setenv("CAN_CONFIG", text)
    line = refused()
    assert line.startswith("environment CAN_CONFIG: not JSON (")
    assert line.endswith("); correct or unset it")


def test_json_that_is_no_object_is_refused(monkeypatch):
    """A list names nothing."""
    monkeypatch.setenv("CAN_CONFIG", '["virtual"]')
    assert refused().startswith("environment CAN_CONFIG: give a JSON object, such as {")


@pytest.mark.parametrize(
    "content", [b"interface = virtual", b"[default]\nnonsense", b"[default]\na = \xff", b"[default]\na = %(b)s"]
)
def test_a_broken_file_is_refused(content, home):
    """A configuration file that cannot be understood is named, on one line, though options would do without it."""
    (home / "second").write_bytes(content)
    line = refused()
    assert line.startswith(f"configuration file {home / 'second'}: cannot be read (")
    assert line.endswith("); correct or move it")


def test_files_that_are_broken_together_are_refused(home):
    """Two files may each be well and make nonsense together."""
    (home / "first").write_text("[DEFAULT]\nshared = %(nothing)s\n")
    (home / "second").write_text("[default]\n")
    assert refused().startswith("configuration files: cannot be read (")


def test_a_file_that_may_not_be_read_is_refused(home, monkeypatch):
    """python-can passes over such a file in silence; whoever wrote it would wonder. A folder is no file."""
    (home / "second").write_text("[default]\n")
    (home / "first").mkdir()
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert refused() == (f"configuration file {home / 'second'}: no permission to read it; allow it, or move the file")
