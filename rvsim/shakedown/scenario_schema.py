"""A scenario file as a JSON schema, for editors.

Knows: that a scenario has its rig in it, or names it. Does not know how types are said in a schema
(`rig.json_schema`).
"""

from rvsim.rig.device_plan import Kinds
from rvsim.rig.json_schema import JsonSchema, file_schema
from rvsim.shakedown.scenario import Scenario


def scenario_schema(kinds: Kinds) -> JsonSchema:
    """Return the schema of a scenario; ``kinds`` are the settings models of the kinds of simulated device."""
    return file_schema(Scenario, "A scenario of rvsim", kinds)
