"""What each kind of fault of switched loads proves: the duty of a controller, and the mistake that leaves it out.

Plain data, as in `kinds`; `test_switching_proofs` puts the faults into a small van with a load centre.
"""

from typing import NamedTuple


class SwitchingProof(NamedTuple):
    """One kind of fault, and the mistake that it finds."""

    duty: str
    """What a right controller does."""
    mistake: str
    """The name of the mistake by which another does not."""
    fault: str
    expectation: str
    """What is not met then, and nothing else."""
    evidence: tuple[str, ...]
    """Parts of what is told of it, which point at the mistake."""


SAYS_IT_FROM = """
says = "it says what is wrong"
expect = "seen"
sight = {{ device = "control panel", message = "DM_RV", field = "yellow_lamp_status", is = "on" }}
from = "{from_}"
until = "{until}"
"""

PROOFS = {
    "output_overload": SwitchingProof(
        "leaves an output off that has tripped, and does not command it on again and again",
        "INSISTS_ON_A_TRIPPED_OUTPUT",
        'output = "pump"\namps = 30.0\nfrom = "20s"',
        """
says = "what has tripped is not commanded on"
expect = "only_until"
sight = { message = "DC_LOAD_COMMAND", instance = 31, field = "desired_operating_level", above = 0 }
end = { message = "DC_LOAD_STATUS_2", instance = 31, field = "over_current_status", is = "over-current" }
grace = "1s"
""",
        ("19FFBC44 1F FF C8", "over-current"),
    ),
    "lamp_out": SwitchingProof(
        "says that a lamp is out: nobody looks at it",
        "KEEPS_A_LAMP_OUT_TO_ITSELF",
        'output = "galley light"\nfrom = "20s"',
        SAYS_IT_FROM.format(from_="20s", until="30s"),
        ("not seen by 30.000 s", "yellow lamp status off"),
    ),
    "relay_open": SwitchingProof(
        "looks at the battery's current: a load that is on by its status need not be",
        "TAKES_ON_FOR_WARM",
        'relay = "mat relay"\nfrom = "5s"',
        SAYS_IT_FROM.format(from_="10s", until="30s"),
        ("not seen by 30.000 s", "yellow lamp status off"),
    ),
    "relay_welded": SwitchingProof(
        "looks at the battery's current: a load that is off by its status need not be",
        "TAKES_OFF_FOR_COLD",
        'relay = "mat relay"\nfrom = "30s"',
        SAYS_IT_FROM.format(from_="60s", until="80s"),
        ("not seen by 80.000 s", "yellow lamp status off"),
    ),
}
