"""Words and signs that a person may write in an answer beside its numbers.

Knows: them alone; they are read, and never printed. Does not know exercises, nor which answer is right.
"""

import re

LABELS = re.compile(r"\b(?:spn|fmi|line|instance|addresse?s?|identifier|data)\b\s*[:=]?", re.IGNORECASE)
"""Words that a person writes before a part of an answer, and that say nothing."""
UNIT_WORDS = {
    "%": ("percent", "per cent"),
    "V": ("volt", "volts"),
    "A": ("ampere", "amperes", "amp", "amps"),
    "W": ("watt", "watts"),
    "Hz": ("hertz",),
    "K": ("kelvin",),
    "°C": ("°", "degrees", "celsius", "deg c", "degrees c", "° c", "degrees celsius"),
    "L": ("litre", "litres", "liter", "liters"),
    "min": ("minute", "minutes"),
    "s": ("second", "seconds"),
    "ohm": ("ohms", "ω"),
}
"""What a person may write for a unit, in small letters."""
MINUS = str.maketrans("−–", "--")
"""Signs that a person, or what a person has copied, writes for a minus."""
