"""What belongs to one module: its outputs, inputs and relays, where they are fed from, and the functions that they are.

Knows: which entries of a rig are parts of which module, and that a load centre has the functions and instances of its
outputs. Does not know how they switch (`devices`), nor what they draw (`world`).
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from rvsim.rig.functions import MAX_INSTANCE
from rvsim.rig.quantity import shown
from rvsim.rig.switching import (
    DIMMED,
    FUNCTION_BY_FORM,
    InputPlan,
    ModulePlan,
    OutputPlan,
    RelayPlan,
)
from rvsim.rig.table import Mistake, entry_value
from rvsim.rig.vehicle import VehiclePlan

LOAD_CENTRE = "load_centre"
"""The kind of simulated device that has the functions of its outputs and inputs, beside those that it is given."""


class ModuleParts(NamedTuple):
    """One module of the rig with all that belongs to it."""

    module: ModulePlan
    outputs: tuple[OutputPlan, ...] = ()
    inputs: tuple[InputPlan, ...] = ()
    relays: Mapping[str, RelayPlan] = {}
    """The relays of its outputs, by their names."""


def module_parts(plan: VehiclePlan, device: str) -> ModuleParts | None:
    """Return the module that a device is, None for a device that is none."""
    module = next((one for one in plan.modules if one.device == device), None)
    if module is None:
        return None
    outputs = tuple(one for one in plan.outputs if one.module == module.name)
    relays = {one.relay for one in outputs if one.relay is not None}
    return ModuleParts(
        module,
        outputs,
        tuple(one for one in plan.inputs if one.module == module.name),
        {relay.name: relay for relay in plan.relays if relay.name in relays},
    )


def device_clashes(modules: Sequence[ModulePlan], devices: Sequence[Any] | None) -> Iterator[Mistake]:
    """Yield each module whose device, a load centre, is another module already."""
    centres = {one.name for one in devices or () if one.kind == LOAD_CENTRE}
    owners: dict[str, str] = {}
    for number, module in enumerate(modules):
        if module.device is None or module.device not in centres:
            continue
        first = owners.setdefault(module.device, module.name)
        if first != module.name:
            text = f"{shown(module.device)} is already the module {shown(first)}; give each its own device"
            yield Mistake((number, "device"), text, module.device)


# Supply.


def outputs_owner(module: ModulePlan, device_branch: str | None) -> str:
    """Return the owner of the currents of a module's outputs: its device, or a name of their own.

    Outputs have a name of their own where another branch feeds them than the device's electronics.
    """
    own_branch = module.branch is not None and device_branch is not None and module.branch != device_branch
    return f"{module.name} outputs" if own_branch or module.device is None else module.device


def contact_owner(relay: str) -> str:
    """Return the owner of the current through the contact of a relay."""
    return f"{relay} contact"


def module_branches(
    modules: Sequence[ModulePlan], outputs: Sequence[OutputPlan], device_branches: Mapping[str, str]
) -> dict[str, str]:
    """Return the branch of each owner of currents of modules and relays, those of ``device_branches`` left out."""
    found = {}
    for module in modules:
        own = device_branches.get(module.device or "")
        branch = module.branch or own
        if branch is None:
            continue
        found[outputs_owner(module, own)] = branch
        for output in outputs:
            if output.module == module.name and output.relay is not None:
                found[contact_owner(output.relay)] = branch
    return found


# Functions.


def with_module_functions(given: Any) -> Any:
    """Return the tables of a rig, with the functions of their outputs added to load centres; unchanged without any.

    The tables need not be validated; what is wrong in them is left for their validation.
    """
    tables = {key: entry_value(given, key) for key in ("device", "module", "output")}
    if not isinstance(given, Mapping) or not all(isinstance(table, list | tuple) for table in tables.values()):
        return given
    centres = [
        number
        for number, device in enumerate(tables["device"])
        if isinstance(device, Mapping) and device.get("kind") == LOAD_CENTRE
    ]
    if not centres:
        return given
    added = _functions_by_device(tables["module"], tables["output"])
    devices = list(tables["device"])
    for number in centres:
        more = added.get(devices[number].get("name")) if isinstance(devices[number].get("name"), str) else None
        functions = devices[number].get("functions", {})
        if more and isinstance(functions, Mapping):
            devices[number] = {**devices[number], "functions": _merged(functions, more)}
    return {**given, "device": devices}


def _functions_by_device(modules: Sequence[Any], outputs: Sequence[Any]) -> dict[str, dict[str, list[int]]]:
    """Return the functions and instances of outputs by the device of their module; each instance once."""
    device_of = {}
    for module in modules:
        name, device = entry_value(module, "name"), entry_value(module, "device")
        if isinstance(name, str) and isinstance(device, str):
            device_of[name] = device
    found: dict[str, dict[str, list[int]]] = {}
    taken: set[tuple[str, int]] = set()
    for output in outputs:
        module, instance = entry_value(output, "module"), entry_value(output, "instance")
        device = device_of.get(module) if isinstance(module, str) else None
        if device is None or type(instance) is not int or not 1 <= instance <= MAX_INSTANCE:
            continue
        form, load = entry_value(output, "message"), entry_value(output, "load")
        if not (isinstance(form, str) and form in FUNCTION_BY_FORM):
            form = "dimmer" if isinstance(load, str) and load in DIMMED else "load"
        function = FUNCTION_BY_FORM["dimmer" if form == "dimmer" else "load"]
        if (function, instance) not in taken:  # the validation of outputs reports one that is taken
            taken.add((function, instance))
            found.setdefault(device, {}).setdefault(function, []).append(instance)
    return found


def _merged(functions: Mapping[str, Any], more: Mapping[str, list[int]]) -> dict[str, Any]:
    merged = dict(functions)
    for function, instances in more.items():
        own = functions.get(function, [])
        own = list(own) if isinstance(own, list | tuple) else [own]
        merged[function] = [*own, *(instance for instance in instances if instance not in own)]
    return merged
