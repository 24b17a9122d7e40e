"""The file of a rig for the plan: what is said in its place, and other figures in it."""

import pytest

from rvsim.errors import InputError
from rvsim.plan.rig_file import own_figures, parse_figures, read_rig_file, rig_of, with_figures


def test_a_scenario_is_no_rig(tmp_path):
    """The line names its rig; of a scenario with its rig in it, what to do."""
    with pytest.raises(InputError, match=r'this is a scenario, and the plan checks a rig; name its rig, "ottersby"'):
        read_rig_file("winter_evening")
    path = tmp_path / "night.toml"
    path.write_text('schema = 1\nlasts = "60s"\n[rig]\nname = "x"\n')
    with pytest.raises(InputError, match="write its rig into a file of its own"):
        read_rig_file(str(path))
    with pytest.raises(InputError, match="no rig is called"):
        read_rig_file("nowhere")


def test_devices_need_no_kind_and_settings_are_checked(tmp_path):
    """A device that is not simulated is planned all the same; a setting that cannot be is a mistake here, too."""
    path = tmp_path / "van.toml"
    head = 'schema = 1\nname = "v"\ntitle = "v"\n[[device]]\nname = "a"\naddress = 5\n'
    path.write_text(head)
    assert rig_of(read_rig_file(path)).devices[0].kind == ""
    path.write_text(f'{head}[[device]]\nname = "b"\naddress = 6\nkind = "heater"\nsettings = {{ burner_amps = "x" }}\n')
    with pytest.raises(InputError, match=r"settings\.burner_amps"):
        rig_of(read_rig_file(path))


def test_figures_are_replaced_in_the_rig_alone():
    """Names with lines for blanks, a key without its table, another size of a wire; the file itself stays."""
    file = read_rig_file("brackenlow")
    before = rig_of(file)
    figures = parse_figures(["output.galley_light.amps=6", "branch.outputs.awg=6", "branch.electronics.length_m = 8"])
    rig = rig_of(with_figures(file, figures))
    assert rig.outputs[0].amps == 6
    wires = {branch.name: branch.wire for branch in rig.branches}
    assert (wires["outputs"].awg, wires["outputs"].area_mm2, wires["outputs"].length_m) == ("6", None, 2.5)
    assert (wires["electronics"].area_mm2, wires["electronics"].length_m) == (1.5, 8)
    assert rig_of(file) == before
    assert own_figures(file, figures) == {
        "output.galley_light.amps": 2.0, "branch.outputs.awg": None, "branch.electronics.length_m": 4.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        (["amps"], "--what-if amps: write a key of the rig and its value, like output"),
        (["=5"], "write a key of the rig and its value"),
        (["x="], "write a key of the rig and its value"),
        (["battery.capacity_ah=1", "battery.capacity_ah=2"], "the key is given twice; give it once"),
    ],
)
def test_what_is_no_figure(texts, said):
    """One line each."""
    with pytest.raises(InputError, match=said):
        parse_figures(texts)


def test_keys_that_are_not_there_are_told_together():
    """A line for each."""
    file = read_rig_file("brackenlow")
    for function in (lambda: own_figures(file, ["a.b", "output.x.y"]), lambda: with_figures(file, {"a.b": 1, "c": 2})):
        with pytest.raises(InputError) as refused:
            function()
        assert len(refused.value.problems) == 2
