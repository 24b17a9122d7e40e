"""The current that an alternator can give, by speed and temperature, and what it takes from the engine.

Knows: an output curve, how it falls when hot, and a usual efficiency. Does not know the regulator's programme: a device
sets its charge with this current as a limit.
"""

from math import exp

PULLEY_RATIO = 2.0
"""Turns of the alternator for one of the engine (worked example of a public page)."""
CUT_IN_RPM, SPEED_SCALE_RPM = 1000.0, 1800.0
"""Below the first it gives nothing; the second is how fast the output rises. From memory."""
HOT_SHARE = 0.75
"""What is left of the cold output when hot: about 75 to 85 % (from memory; makers test at 26 C and at 60 or 90 C)."""
WARMING_S = 15 * 60
"""Time constant of its warming. From memory."""
EFFICIENCY = 0.67
"""An ordinary 12 V alternator (Commission Implementing Decision (EU) 2017/785, annex)."""
DROOP_VOLTS_PER_AMP = 0.01
"""How much its voltage falls with its current. From memory."""


def max_amps(rated_amps: float, engine_rpm: float, hot: float = 0.0, ratio: float = PULLEY_RATIO) -> float:
    """Return the highest current; ``hot`` is 0 for a cold machine and 1 for one at its highest temperature."""
    above = ratio * engine_rpm - CUT_IN_RPM
    if above <= 0:
        return 0.0
    return rated_amps * (1 - (1 - HOT_SHARE) * hot) * (1 - exp(-above / SPEED_SCALE_RPM))


def next_hot(hot: float, load_share: float, seconds: float = 1.0) -> float:
    """Return how hot it is after some seconds at a share of its highest current."""
    return load_share + (hot - load_share) * exp(-seconds / WARMING_S)


def engine_watts(amps: float, volts: float, efficiency: float = EFFICIENCY) -> float:
    """Return the power that it takes from the engine."""
    return amps * volts / efficiency
