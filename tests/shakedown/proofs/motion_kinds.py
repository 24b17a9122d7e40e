"""What each kind of fault of motions proves: the duty of a controller, and the mistake that leaves it out.

Plain data, as in `kinds`; `test_motion_proofs` puts the faults into a small van with an awning.
"""

from typing import NamedTuple


class MotionProof(NamedTuple):
    """One kind of fault, and the mistake that it finds."""

    duty: str
    """What a right controller does."""
    mistake: str
    """The name of the mistake by which another does not."""
    fault: str


EXPECTATION = """
says = "the motor is stopped before its output trips"
expect = "never"
sight = { message = "DC_LOAD_STATUS_2", field = "over_current_status", is = "over-current" }
"""
"""What is not met with the mistake, and nothing else."""

PROOFS = {
    "obstruction": MotionProof(
        "stops a motor that is blocked on its way: the current is far above that of a free one",
        "PUSHES_AGAINST_AN_OBSTRUCTION",
        'motion = "awning"\nfrom = "10s"\nuntil = "18s"',
    ),
    "limit_switch_stuck": MotionProof(
        "stops after the time that the way takes, whatever the limit switch does",
        "TRUSTS_THE_LIMIT_SWITCH",
        'motion = "awning"\nfrom = "5s"\nuntil = "30s"',
    ),
}
