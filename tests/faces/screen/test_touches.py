"""What the screen keeps of what moved."""

from rvsim.faces.screen.touches import MAX_MOMENTS, Touches
from rvsim.watch.watch import MomentMarked, ReadingChanged
from rvsim.wire.fields import Reading
from rvsim.wire.frame import SECOND_US


def test_each_touch_counts_anew_and_moments_are_bounded(catalogue):
    """After a touch is over, a reading has to move by more than it does by itself again."""
    touches, spec = Touches(), catalogue.by_name("DC_SOURCE_STATUS_1")
    field, last = spec.by_name["dc_voltage"], None
    for second, volts in ((0, 13.0), (20, 12.0), (40, 12.05), (60, 12.15)):
        raw = field.raw(volts)
        reading = Reading(field, raw, field.state(raw))
        touches.observe([ReadingChanged(second * SECOND_US, "monitor", 0x45, spec, 1, reading, last)])
        last = reading
        assert bool(touches.recent(second * SECOND_US)) is (second == 20), second
    for number in range(MAX_MOMENTS + 5):
        touches.observe([MomentMarked(number, str(number))])
    assert [moment.note for moment in touches.moments[:2]] == [str(MAX_MOMENTS + 4), str(MAX_MOMENTS + 3)]
    assert len(touches.moments) == MAX_MOMENTS
