"""The devices of the small vans of the proofs, as tables of a rig; a file with a rig chooses from them by name.

Plain data. The circulation pump hangs on a branch with a breaker, which no proof but one loads.
"""

_TABLES = {
    "control panel": ("panel", 0x44, "{ control_panel = 1, thermostat = 1 }", ""),
    "heater": ("heater", 0x5E, "{ furnace = 1, water_heater = 1 }", ""),
    "furnace": ("air_furnace", 0x5E, "{ furnace = 1 }", ""),
    "circulation pump": ("circulation_pump", 0x95, "{ circulation_pump = 1 }", 'branch = "pump"'),
    "roof fan": ("roof_fan", 0x90, "{ roof_fan = 1 }", ""),
    "battery monitor": ("battery_monitor", 0x45, "{ battery_monitor = 1, dc_source = 1 }", ""),
    "fresh tank": ("tank", 0x48, "{ tank = 0 }", ""),
    "indoor sensor": (
        "ambient", 0x91, "{ ambient_sensor = 1 }",
        'limits = { "THERMOSTAT_AMBIENT_STATUS.ambient_temperature" = [-30.0, 60.0] }',
    ),
    "outdoor sensor": ("ambient", 0x92, "{ ambient_sensor = 2 }", 'settings = { place = "outdoors" }'),
    "bed sensor": ("ambient", 0x96, "{ ambient_sensor = 3 }", ""),
}  # fmt: skip
_BRANCH = '[[rig.branch]]\nname = "pump"\nfuse_amps = 5.0\nbreaker = "automatic"\n'


def device_tables(*names):
    """Return the tables of these devices, and of the branch."""
    tables = [_BRANCH]
    for name in names:
        kind, address, functions, more = _TABLES[name]
        head = f'[[rig.device]]\nname = "{name}"\nkind = "{kind}"\naddress = 0x{address:02X}\n'
        tables.append(f"{head}functions = {functions}\n{more}\n")
    return "\n".join(tables)
