"""The values that name a bus, each with its origin.

Knows: python-can's sources and their order, read with its own functions. python-can itself merges them later
(``can.util.load_config``); this module only finds the origin of each value. Does not know what a value means.
"""

import configparser
import json
import os
from collections.abc import Mapping
from typing import Any, NamedTuple

import can
from can import util

from rvsim.edge.drivers import error_text
from rvsim.errors import InputError

VARIABLES = {"interface": "CAN_INTERFACE", "channel": "CAN_CHANNEL", "bitrate": "CAN_BITRATE"}


class ConfigValue(NamedTuple):
    """A value as it is written, and where it is written."""

    value: Any
    origin: str


def collect_values(given: Mapping[str, ConfigValue]) -> dict[str, ConfigValue]:
    """Return each value as it is written, with its origin: the first source that has it counts, as in python-can.

    ``given`` is the first source; ``can.rc``, the environment and the configuration files follow.

    Raises:
        InputError: CAN_CONFIG or a configuration file cannot be read.
    """
    own = {key: ConfigValue(value, "can.rc, set inside this program") for key, value in can.rc.items()}
    named: dict[str, ConfigValue] = {}
    for source in (given, own, _environment(), _files()):
        values = dict(source)
        older = values.pop("bustype", None)  # python-can's former name of the interface
        if older is not None and ("interface" not in values or not values["interface"].value):
            values["interface"] = older
        named = {**values, **named}
    return named


def _environment() -> dict[str, ConfigValue]:
    """Return the values that python-can finds in the environment."""
    try:
        values = json.loads(os.environ.get("CAN_CONFIG", "{}"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"environment CAN_CONFIG: not JSON ({error}); correct or unset it") from error
    if not isinstance(values, dict):
        raise InputError('environment CAN_CONFIG: give a JSON object, such as {"interface": "socketcan"}, or unset it')
    found = {}
    for key, value in util.load_environment_config().items():
        variable = VARIABLES.get(key, "")
        found[key] = ConfigValue(value, f"environment {variable if os.environ.get(variable) else 'CAN_CONFIG'}")
    return found


def _files() -> dict[str, ConfigValue]:
    """Return the values that python-can finds in its configuration files; a later file replaces an earlier one."""
    origins: dict[str, str] = {}
    for path in map(os.path.expanduser, util.CONFIG_FILES):
        if os.path.isfile(path) and not os.access(path, os.R_OK):  # python-can would skip it without a message
            raise InputError(f"configuration file {path}: no permission to read it; allow it, or move the file")
        origins |= dict.fromkeys(_read(f"configuration file {path}", path), f"configuration file {path}")
    merged = _read("configuration files", None)
    return {key: ConfigValue(value, origins.get(key, "configuration files")) for key, value in merged.items()}


def _read(what: str, path: str | None) -> dict[str, str]:
    try:
        return util.load_file_config(path)
    except (configparser.Error, UnicodeError) as error:
        raise InputError(f"{what}: cannot be read ({error_text(error)}); correct or move it") from error
