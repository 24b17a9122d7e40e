"""python-can's drivers: whether one can be loaded, which options it uses, how its listening mode is set.

Knows: the drivers' classes, and the options that the code of their constructors looks up. Does not open a bus.
"""

import ast
import inspect
import logging
import textwrap
from collections.abc import Callable
from typing import Any, NamedTuple

import can
from can import BusState
from can.interface import _get_class_for_interface

from rvsim.edge.needs import missing_package
from rvsim.errors import BusError


class ListeningMode(NamedTuple):
    """The parameter that keeps a driver's adapter from sending anything, acknowledgement included."""

    option: str
    value: Any
    unless: str = ""


# Read in the drivers of python-can 4.6.1; the file, below can/interfaces/, is named above each one.
LISTENING_MODES = {
    # cantact.py: passed to set_monitor, "listen-only monitoring mode"
    "cantact": ListeningMode("monitor", True),
    # kvaser/canlib.py: DRIVER_MODE_SILENT is False, and gives canDRIVER_SILENT
    "kvaser": ListeningMode("driver_mode", False),
    # nixnet.py: looked up in kwargs, sets can_lstn_only
    "nixnet": ListeningMode("listen_only", True),
    # pcan/pcan.py: sets PCAN_LISTEN_ONLY before the channel is started
    "pcan": ListeningMode("state", BusState.PASSIVE),
    # seeedstudio/seeedstudio.py: 2 in the first frame to the adapter
    "seeedstudio": ListeningMode("operation_mode", "silent"),
    # slcan.py: the channel is opened by the command L instead of O
    "slcan": ListeningMode("listen_only", True),
    # systec/ucanbus.py: MODE_LISTEN_ONLY, "receiving only, no ACK at CAN bus"
    "systec": ListeningMode("state", BusState.PASSIVE),
    # vector/canlib.py: XL_OUTPUT_MODE_SILENT; python-can only logs it where the right to set the channel is not given
    "vector": ListeningMode("listen_only", True, ", unless another program holds the right to set this channel"),
}


def load_driver(name: str) -> type[can.BusABC]:
    """Return the bus class of an interface that python-can knows.

    Raises:
        BusError: the driver's library is missing.
    """
    logging.disable(logging.CRITICAL)  # a driver whose library is missing would log it
    try:
        return _get_class_for_interface(name)
    except can.CanInterfaceNotImplementedError as error:
        package = missing_package(name)
        what = f"pip install {package.name}" if package else "install what it needs"
        raise BusError(
            f"{name}: its driver cannot be loaded ({error_text(error)}); {what}, or use another interface"
        ) from error
    finally:
        logging.disable(logging.NOTSET)


def driver_options(driver: type[can.BusABC]) -> set[str]:
    """Return the parameters that a bus class uses: those that its constructors name or look up."""
    names: set[str] = set()
    named = (inspect.Parameter.POSITIONAL_OR_KEYWORD, inspect.Parameter.KEYWORD_ONLY)
    for base in driver.__mro__:
        constructor = vars(base).get("__init__")
        if constructor is None:
            continue
        parameters = inspect.signature(constructor).parameters.values()
        rest = [parameter.name for parameter in parameters if parameter.kind is parameter.VAR_KEYWORD]
        names |= {parameter.name for parameter in parameters if parameter.kind in named}
        if not rest:
            break
        names |= _names_looked_up(constructor, rest[0])
    return {name for name in names - {"self"} if not name.startswith("_")}


def required_parameters(driver: type[can.BusABC]) -> list[str]:
    """Return the parameters without which a bus class cannot be made."""
    named = (inspect.Parameter.POSITIONAL_OR_KEYWORD, inspect.Parameter.KEYWORD_ONLY)
    parameters = inspect.signature(driver).parameters.values()
    return [each.name for each in parameters if each.kind in named and each.default is each.empty]


def _names_looked_up(constructor: Callable[..., None], rest: str) -> set[str]:
    """Return the names that a constructor looks up in its ``**kwargs``: some drivers declare few parameters."""
    try:
        tree = ast.parse(textwrap.dedent(inspect.getsource(inspect.unwrap(constructor))))
    except (OSError, TypeError):  # a driver without source
        return set()
    found: set[str] = set()
    for node in ast.walk(tree):
        match node:
            case (
                ast.Call(func=ast.Attribute(value=ast.Name(id=where)), args=[ast.Constant(value=str(name)), *_])
                | ast.Subscript(value=ast.Name(id=where), slice=ast.Constant(value=str(name)))
                | ast.Compare(left=ast.Constant(value=str(name)), comparators=[ast.Name(id=where)])
            ) if where == rest:
                found.add(name)
    return found


def error_text(error: Exception) -> str:
    """Return the text of an error on one line, or the name of its class if it has no text.

    Some drivers append a traceback; it is left out.
    """
    text, _, _ = str(error).partition("Traceback (most recent call last)")
    return " ".join(text.split()) or type(error).__name__
