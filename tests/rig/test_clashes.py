"""What two devices cannot both have, validated or not."""

import pytest

from rvsim.rig.clashes import find_clashes
from rvsim.rig.device_plan import DevicePlan

ONE, OTHER = "00000000DDC1E240", "00000000DDC1E241"


def device(number, **given):
    """A device as a file would give it."""
    return {"name": f"device {number}", "address": number, **given}


@pytest.mark.parametrize("read", [False, True])
def test_a_name_belongs_to_one_unit(read):
    """However it is written; the second is told whose it is."""
    entries = [device(1, claimed_name=ONE), device(2, claimed_name=OTHER), device(3, claimed_name=ONE.lower())]
    if read:
        entries = [DevicePlan.model_validate(entry) for entry in entries]
    (problem,) = find_clashes(entries)
    assert problem.place == (2, "claimed_name")
    assert problem.text == (
        'ONE is already the NAME of device 1 "device 1"; no two units have the same one'.replace("ONE", ONE)
    )


def test_what_is_no_name_does_not_clash():
    """It is refused for that reason alone."""
    assert (
        list(find_clashes([device(n, claimed_name=wrong) for n, wrong in enumerate(["x", "x", 3, 3, None, None])]))
        == []
    )


def test_two_devices_of_which_only_the_address_is_known_need_two():
    """Nothing else could tell one from the other."""
    (problem,) = find_clashes([device(1), {"name": "other", "address": 1}])
    assert problem.place == (1, "address")


@pytest.mark.parametrize(("address", "instance"), [(0, 0), (253, 250)])
def test_the_lowest_and_the_highest_can_clash(address, instance):
    """The ends of what is valid are held against each other too."""
    same = {"address": address, "functions": {"tank": instance}}
    entries = [{"name": "one", **same}, {"name": "other", **same}]
    assert [problem.place for problem in find_clashes(entries)] == [(1, "address"), (1, "functions", "tank")]  # type: ignore[arg-type]
