"""The table of single failures, and that a survey names the same places for the same silent devices."""

from rvsim.plan.single_failures import failure_table
from rvsim.rig.shared_parts import shared_parts, single_failures

DEVICES = "".join(
    f'[[device]]\nname = "{name}"\naddress = {number + 0x40}\nfunctions = {{ {function} = 1 }}\n{branch}'
    for number, (name, function, branch) in enumerate(
        [
            ("panel", "control_panel", ""),
            ("heater", "furnace", 'branch = "rear"\n'),
            ("fan", "roof_fan", 'branch = "rear"\n'),
            ("pump", "water_pump", 'branch = "main"\n'),
        ]
    )
)
BARE = DEVICES.replace('branch = "rear"\n', "").replace('branch = "main"\n', "")
BRANCHES = '[[branch]]\nname = "main"\nfuse_amps = 50\n[[branch]]\nname = "rear"\nparent = "main"\n'
TAPS = """
[[tap]]
name = "front"
drops = [{ device = "panel" }]

[[tap]]
name = "middle"
drops = [{ device = "pump" }]

[[tap]]
name = "loft"
on = "middle"
drops = [{ device = "heater" }, { device = "fan" }]
"""


def rows(plans, text):
    """Return the rows of the table by the failure."""
    tables = list(failure_table(plans.rig(text, device=DEVICES)))
    return {row[0]: row[1:3] for table in tables for row in table.rows}


def test_who_falls_silent_with_what(plans):
    """Branches with those behind them, the trunk, the chain and each drop; and what looks the same."""
    found = rows(plans, '[harness]\nrecorder = "front"\n' + BRANCHES + TAPS)
    assert found["the branch main of the supply"] == ("heater, fan, pump", "the trunk between front and middle")
    assert found["the branch rear of the supply"] == ("heater, fan", "the cable from middle to loft")
    assert found["the drop from loft to fan"] == ("fan", "")
    assert len(found) == 2 + 1 + 1 + 4
    assert not list(failure_table(plans.rig("", device=BARE)))
    assert list(rows(plans, BRANCHES)) == ["the branch main of the supply", "the branch rear of the supply"]


def test_without_a_recorder_either_side_can_be_the_silent_one(plans):
    """A row for each side, and the note says so."""
    table = next(failure_table(plans.rig(TAPS, device=BARE)))
    trunk = [row[1] for row in table.rows if row[0] == "the trunk between front and middle"]
    assert trunk == ["heater, fan, pump", "panel"]
    assert table.note.endswith("a break of the trunk has a row for each side")


def test_a_survey_names_the_same_places(plans):
    """For what each failure silences, a survey lists it with the same words and advice, and all that look the same."""
    rig = plans.rig('[harness]\nrecorder = "front"\n' + BRANCHES + TAPS, device=DEVICES)
    everyone = {device.name for device in rig.devices}
    table = next(failure_table(rig))
    for failure in single_failures(rig):
        told = list(shared_parts(rig, failure.devices, everyone - failure.devices))
        assert failure.part in told
        row = next(row for row in table.rows if row[0] == failure.part.text)
        assert [part.text for part in told if part != failure.part] == [text for text in row[2].split("; ") if text]
        assert row[3] == failure.part.advice
