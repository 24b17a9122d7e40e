"""What belongs to one module: its outputs, inputs and relays, where they are fed from, and the functions that they are.

Knows: which entries of a rig are parts of which module, and that a load centre has the functions and instances of its
outputs. Does not know how they switch (`devices`), nor what they draw (`world`).
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from rvsim.rig.functions import MAX_INSTANCE, canonical
from rvsim.rig.inputs import InputPlan
from rvsim.rig.quantity import shown
from rvsim.rig.switching import (
    DIMMED,
    FUNCTION_BY_FORM,
    Form,
    ModulePlan,
    OutputPlan,
    RelayPlan,
)
from rvsim.rig.table import Mistake, entry_value
from rvsim.rig.vehicle import VehiclePlan

LOAD_CENTRE = "load_centre"
"""The kind of simulated device that has the functions of its outputs and inputs, beside those that it is given."""

INPUT_FUNCTION = "dc_input"
"""The function of an input."""


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


def unplanned_output(device: str, form: Form, instance: int) -> str:
    """Return the name of an output of a module of which the rig says no more than its functions."""
    return f"{device} {form} {instance}"


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


def fused_owner(output: str) -> str:
    """Return the owner of the current of an output with a fuse of its own."""
    return f"{output} output"


def module_branches(
    modules: Sequence[ModulePlan], outputs: Sequence[OutputPlan], device_branches: Mapping[str, str]
) -> dict[str, str]:
    """Return the branch of each owner of currents of modules and relays, those of ``device_branches`` left out.

    An output with a fuse of its own is at the end of a branch of its name; so is what its relay switches.
    """
    found = {
        fused_owner(output.name) if output.relay is None else contact_owner(output.relay): output.name
        for output in outputs
        if output.fuse_amps is not None
    }
    for module in modules:
        own = device_branches.get(module.device or "")
        branch = module.branch or own
        if branch is None:
            continue
        found[outputs_owner(module, own)] = branch
        for output in outputs:
            if output.module == module.name and output.relay is not None and output.fuse_amps is None:
                found[contact_owner(output.relay)] = branch
    return found


# Functions.


def with_module_functions(given: Any) -> Any:
    """Return the tables of a rig, with the functions of their outputs added to load centres; unchanged without any.

    The tables need not be validated; what is wrong in them is left for their validation.
    """
    if not isinstance(given, Mapping):
        return given
    tables = {key: entry_value(given, key) or () for key in ("device", "module", "output", "input")}
    if not all(isinstance(table, list | tuple) for table in tables.values()):
        return given
    centres = [
        number
        for number, device in enumerate(tables["device"])
        if isinstance(device, Mapping) and device.get("kind") == LOAD_CENTRE
    ]
    if not centres:
        return given
    added = _functions_by_device(tables["module"], tables["output"], tables["input"], tables["device"])
    devices = list(tables["device"])
    for number in centres:
        more = added.get(devices[number].get("name")) if isinstance(devices[number].get("name"), str) else None
        functions = devices[number].get("functions", {})
        if more and isinstance(functions, Mapping):
            devices[number] = {**devices[number], "functions": _merged(functions, more)}
    return {**given, "device": devices}


def _functions_by_device(
    modules: Sequence[Any], outputs: Sequence[Any], inputs: Sequence[Any], devices: Sequence[Any]
) -> dict[str, dict[str, list[int]]]:
    """Return the functions and instances of outputs and inputs by the device of their module; each instance once."""
    device_of = {}
    for module in modules:
        name, device = entry_value(module, "name"), entry_value(module, "device")
        if isinstance(name, str) and isinstance(device, str):
            device_of[name] = device
    found: dict[str, dict[str, list[int]]] = {}
    taken = set(_instances_of_devices(devices))  # the validation of outputs and inputs reports one that is taken
    for entry, function, instance in (*_output_instances(outputs), *_input_instances(inputs)):
        module = entry_value(entry, "module")
        device = device_of.get(module) if isinstance(module, str) else None
        if device is not None and 1 <= instance <= MAX_INSTANCE and (function, instance) not in taken:
            taken.add((function, instance))
            found.setdefault(device, {}).setdefault(function, []).append(instance)
    return found


def _instances_of_devices(devices: Sequence[Any]) -> Iterator[tuple[str, int]]:
    """Yield the digital inputs that devices name themselves."""
    for device in devices:
        functions = entry_value(device, "functions")
        for name, given in functions.items() if isinstance(functions, Mapping) else ():
            if isinstance(name, str) and canonical(name) == INPUT_FUNCTION:
                for instance in given if isinstance(given, list | tuple) else (given,):
                    if type(instance) is int:
                        yield INPUT_FUNCTION, instance


def _output_instances(outputs: Sequence[Any]) -> Iterator[tuple[Any, str, int]]:
    """Yield each output with its function and its instance."""
    for output in outputs:
        instance = entry_value(output, "instance")
        form, load = entry_value(output, "message"), entry_value(output, "load")
        if not (isinstance(form, str) and form in FUNCTION_BY_FORM):
            form = "dimmer" if isinstance(load, str) and load in DIMMED else "load"
        if type(instance) is int:
            yield output, FUNCTION_BY_FORM["dimmer" if form == "dimmer" else "load"], instance


def _input_instances(inputs: Sequence[Any]) -> Iterator[tuple[Any, str, int]]:
    """Yield each input with its function and its instance; a ladder's once for each of its switches."""
    for entry in inputs:
        instance, rungs = entry_value(entry, "instance"), entry_value(entry_value(entry, "ladder"), "rungs")
        if type(instance) is int:
            for place in range(len(rungs) if isinstance(rungs, Mapping) else 1):
                yield entry, INPUT_FUNCTION, instance + place


def _merged(functions: Mapping[str, Any], more: Mapping[str, list[int]]) -> dict[str, Any]:
    merged = dict(functions)
    for function, instances in more.items():
        own = functions.get(function, [])
        own = list(own) if isinstance(own, list | tuple) else [own]
        merged[function] = [*own, *(instance for instance in instances if instance not in own)]
    return merged
