"""Where the values that name a bus come from: each with its origin.

Knows: python-can's sources and their order, read with its own functions. It merges them itself later
(``can.util.load_config``); here is only found out who said what. Does not know what a value means.
"""

import configparser
import json
import os
from collections.abc import Mapping
from typing import Any, NamedTuple

import can
from can import util

from rvsim.edge.drivers import one_line
from rvsim.errors import InputError

VARIABLES = {"interface": "CAN_INTERFACE", "channel": "CAN_CHANNEL", "bitrate": "CAN_BITRATE"}


class Named(NamedTuple):
    """A value as it was written, and where."""

    value: Any
    origin: str


def collect(given: Mapping[str, Named]) -> dict[str, Named]:
    """Return every value that holds, as written, with its origin: the first source that names it, as in python-can.

    ``given`` is the first source; this program's, the environment and the configuration files follow.

    Raises:
        InputError: CAN_CONFIG or a configuration file cannot be read.
    """
    own = {key: Named(value, "can.rc, set inside this program") for key, value in can.rc.items()}
    named: dict[str, Named] = {}
    for source in (given, own, _environment(), _files()):
        values = dict(source)
        older = values.pop("bustype", None)  # python-can's former word
        if older is not None and ("interface" not in values or not values["interface"].value):
            values["interface"] = older
        named = {**values, **named}
    return named


def _environment() -> dict[str, Named]:
    """Return what python-can finds in the environment."""
    try:
        values = json.loads(os.environ.get("CAN_CONFIG", "{}"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"environment CAN_CONFIG: this is not JSON ({error}); correct or unset it") from error
    if not isinstance(values, dict):
        raise InputError('environment CAN_CONFIG: give a JSON object, such as {"interface": "socketcan"}, or unset it')
    found = {}
    for key, value in util.load_environment_config().items():
        variable = VARIABLES.get(key, "")
        found[key] = Named(value, f"environment {variable if os.environ.get(variable) else 'CAN_CONFIG'}")
    return found


def _files() -> dict[str, Named]:
    """Return what python-can finds in its configuration files; what a later file says replaces an earlier one."""
    origins: dict[str, str] = {}
    for path in map(os.path.expanduser, util.CONFIG_FILES):
        if os.path.isfile(path) and not os.access(path, os.R_OK):  # python-can would pass over it in silence
            raise InputError(f"configuration file {path}: no right to read it; give yourself that right, or move it")
        origins |= dict.fromkeys(_read(f"configuration file {path}", path), f"configuration file {path}")
    merged = _read("configuration files", None)
    return {key: Named(value, origins.get(key, "configuration files")) for key, value in merged.items()}


def _read(what: str, path: str | None) -> dict[str, str]:
    try:
        return util.load_file_config(path)
    except (configparser.Error, UnicodeError) as error:
        raise InputError(f"{what}: this cannot be read ({one_line(error)}); correct or move it") from error
