"""Every kind of deadline has an order of its own: two of one order would take each other's deadlines away."""

import pytest

from rvsim.rig.model import Rig
from rvsim.watch import traffic
from rvsim.watch.watch import Watch

MOTION = {"name": "step", "what": "step", "extend": "out", "retract": "in", "must_hold": {"ignition": "off"}}
RIG = {
    "schema": 1,
    "name": "r",
    "title": "T",
    "device": [{"name": "centre", "address": 0x90}],
    "module": [{"name": "module", "device": "centre"}],
    "output": [{"name": name, "module": "module", "terminal": place, "instance": place} for place, name in
               enumerate(("out", "in"), 1)],
    "input": [{"name": "ignition", "module": "module", "terminal": 1, "instance": 1}],
    "motion": [MOTION],
}  # fmt: skip


def test_no_two_kinds_have_one_order(catalogue, monkeypatch: pytest.MonkeyPatch):
    """Counted while a watch is made, with a rig that uses all of it."""
    orders: list[int] = []
    new = traffic.DeadlineKind.__new__

    def note(cls, order, *calls):
        orders.append(order)
        return new(cls, order, *calls)

    monkeypatch.setattr(traffic.DeadlineKind, "__new__", note)
    Watch(catalogue, Rig.model_validate(RIG))
    assert len(orders) > 20
    assert sorted(orders) == sorted(set(orders))
