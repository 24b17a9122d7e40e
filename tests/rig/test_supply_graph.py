"""The supply of a rig: which devices a branch feeds."""

from hypothesis import given
from hypothesis import strategies as st

from rvsim.rig.electric import BranchPlan
from rvsim.rig.supply_graph import feeds, feeds_that_explain

BRANCHES = [
    BranchPlan(name="main"),
    BranchPlan(name="galley", parent="main", fuse_amps=10.0),
    BranchPlan(name="fridge", parent="galley"),
    BranchPlan(name="rear"),
]
DEVICES = {"panel": "main", "fan": "galley", "fridge": "fridge", "heater": "rear"}


def explaining(*silent):
    """Return the names of the branches that explain these silent devices beside all others."""
    present = set(DEVICES) - set(silent)
    return [feed.branch.name for feed in feeds_that_explain(silent, present, BRANCHES, DEVICES)]


def test_a_branch_feeds_what_is_below_it():
    """Directly and through others; the branch that feeds it feeds that too."""
    found = {feed.branch.name: set(feed.devices) for feed in feeds(BRANCHES, DEVICES)}
    assert found == {
        "main": {"panel", "fan", "fridge"},
        "galley": {"fan", "fridge"},
        "fridge": {"fridge"},
        "rear": {"heater"},
    }


def test_the_branch_that_only_these_devices_share():
    """One whose failure would take others away does not explain it; a device without a branch never counts."""
    assert explaining("fan", "fridge") == ["galley"]
    assert explaining("panel", "fan", "fridge") == ["main"]
    assert explaining("fridge") == ["fridge"]
    assert explaining("fan") == []
    assert explaining("fan", "heater") == []
    assert explaining("lamp") == []


@given(st.lists(st.integers(-1, 8), min_size=1, max_size=9))
def test_every_branch_feeds_what_its_own_branches_feed(parents):
    """For any tree of branches, each with one device."""
    branches = [
        BranchPlan(name=f"b{n}", parent=f"b{parent}" if 0 <= parent < n else None) for n, parent in enumerate(parents)
    ]
    found = {
        feed.branch.name: feed.devices for feed in feeds(branches, {f"d{n}": f"b{n}" for n in range(len(branches))})
    }
    for number, branch in enumerate(branches):
        assert f"d{number}" in found[branch.name]
        if branch.parent is not None:
            assert found[branch.name] < found[branch.parent]
    roots = [found[branch.name] for branch in branches if branch.parent is None]
    assert sum(map(len, roots)) == len(branches)
