"""The text of a comparison of two logs."""

from pathlib import Path


def test_a_device_with_many_functions_is_named_by_three(rvsim):
    """Where no rig names it; the lines stay readable."""
    for name, last in (("before.log", 80), ("after.log", 40)):
        frames = sorted(
            (time + 0.1 * n, f"19FEDA8C#{n:02X}FFFFFFFFFFFFFF") for time in range(0, last, 5) for n in range(1, 6)
        )
        frames += [(time + 0.05, "19FFB748#00FF0A32FFFFFFFF") for time in range(0, 80, 5)]
        Path(name).write_text("".join(f"({time:.6f}) can0 {frame}\n" for time, frame in sorted(frames)))
    code, out, _ = rvsim("compare", "before.log", "after.log")
    assert code == 1
    assert "dimmer 1, dimmer 2, dimmer 3 and 2 more (address 8C hex): " in out
    assert "dimmer 4" not in out
