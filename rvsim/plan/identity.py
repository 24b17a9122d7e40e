"""Check of identity: addresses, NAMEs, instances within a function, and places on modules.

Knows: what two devices cannot both have by RV-C and SAE J1939-81, and who is told to change. Does not know who needs
what of whom (`providers`), nor what a bus really carries (`watch` does).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, path_name, unchecked
from rvsim.plan.starts import few
from rvsim.rig.claimed import name_text
from rvsim.rig.device_plan import DevicePlan
from rvsim.rig.functions import FUNCTIONS, MAX_INSTANCE, Function
from rvsim.rig.model import Rig
from rvsim.rig.module_parts import INPUT_FUNCTION
from rvsim.watch.flag import Severity
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.name import Name

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

ADDRESS_RULE = Rule(
    "RV-C: an address belongs to one node, and a static one cannot move (rv-c.com/book/export/html/17)",
    "read as a public page",
    "a dynamic node tries the next lower address by RV-C, the next higher one by a generic J1939 stack",
)
MIN_DYNAMIC, MAX_DYNAMIC = 128, 247
DYNAMIC_RULE = Rule(
    f"addresses that a node may choose itself: {MIN_DYNAMIC} to {MAX_DYNAMIC} (SAE J1939-81)",
    "from memory",
    "RV-C recommends ranges by category: 128 to 143 for power components (read as a public page), 144 to 159 for "
    "keypads (a device maker's guide)",
)
NAME_RULE = Rule("a NAME belongs to one unit: the lower one wins an address (SAE J1939-81)", "from memory")
INSTANCE_RULE = Rule(
    f"RV-C 3.2.4: an instance, 1 to {MAX_INSTANCE}, belongs to one device of its kind; 0 is seldom valid "
    "(rv-c.com/node/581)",
    "read as a public page",
    "fresh water as tank 0 is from memory",
)
ONE_RULE = Rule("RV-C: a message without an instance allows one device of its kind (rv-c.com/node/581)", "public page")
PLACE_RULE = Rule("as many outputs and inputs as the module has, by its maker", "the figure is the rig's")
_MAX_LISTED = 3


def check_identity(given: "PlanInput") -> Section:
    """Check what identifies the devices of a rig on the network."""
    rig = given.rig
    answers = (
        *_address_answers(rig),
        *_dynamic_answers(rig),
        *_name_answers(rig),
        *_instance_answers(rig, given.catalogue),
        *_place_answers(rig),
    )
    return Section(Check.IDENTITY, answers, (_address_table(rig),))


# Addresses and NAMEs.


def _address_answers(rig: Rig) -> Iterator[Answer]:
    groups: dict[int, list[DevicePlan]] = {}
    for device in rig.devices:
        groups.setdefault(device.address, []).append(device)
    for address, devices in groups.items():
        first, *others = devices
        static = [device for device in devices if not device.dynamic]
        number = f"0x{address:02X} ({address})"
        text = advice = ""
        severity = Severity.FAULT
        if len(static) > 1:
            alike = _alike(static)
            text = (
                f"{_listed(static)} {f'are {alike} and ' if alike else ''}have the address {number}, and a static "
                "address cannot move: one of them stays silent"
            )
            advice = f"set {static[-1].name} to another address, or choose one that is dynamic"
        elif others:
            severity = Severity.WARNING
            mover = next(device for device in reversed(devices) if device.dynamic)
            who = mover.name if static else "the one with the higher NAME"
            text = f"{_listed(devices)} have the address {number}: {who} moves to another one at each start"
            advice = f"set {mover.name} to an address of its own"
        yield Answer(
            key=f"device.{path_name(first.name)}.address", check=Check.IDENTITY,
            subject=", ".join(device.name for device in devices), question="Has each device an address of its own?",
            rule=ADDRESS_RULE, value=address, formula=f"{number}: {_listed(devices)}", limit="one device",
            judgement=Judgement.FLAGGED if text else Judgement.GOOD, severity=severity, text=text, advice=advice,
            unproven="that the fitted unit has this address: the first roll call shows it",
        )  # fmt: skip


def _alike(devices: Sequence[DevicePlan]) -> str:
    """Return what all of these devices are, in the plural; empty where they are no two of one kind."""
    functions = [tuple(sorted(device.functions)) for device in devices]
    if len(set(functions)) != 1 or not functions[0]:
        return ""
    return f"{len(devices)} of one kind ({', '.join(FUNCTIONS[name].title for name in functions[0])})"


def _dynamic_answers(rig: Rig) -> Iterator[Answer]:
    for device in rig.devices:
        if not device.dynamic:
            continue
        inside = MIN_DYNAMIC <= device.address <= MAX_DYNAMIC
        yield Answer(
            key=f"device.{path_name(device.name)}.dynamic_range", check=Check.IDENTITY, subject=device.name,
            question="Does its dynamic address begin where it may move?", rule=DYNAMIC_RULE, value=device.address,
            limit=f"{MIN_DYNAMIC} to {MAX_DYNAMIC}",
            formula=f"{device.address} is {'within' if inside else 'outside'} {MIN_DYNAMIC} to {MAX_DYNAMIC}",
            judgement=Judgement.GOOD if inside else Judgement.FLAGGED, severity=Severity.NOTICE,
            text="" if inside else f"it is dynamic and begins at {device.address}, outside the range of such addresses",
            advice="" if inside else f"let it begin at {MIN_DYNAMIC} to {MAX_DYNAMIC}, as its maker says",
        )  # fmt: skip


def _name_answers(rig: Rig) -> Iterator[Answer]:
    groups: dict[Name, list[DevicePlan]] = {}
    for device in rig.devices:
        if device.claimed_name is not None:
            groups.setdefault(device.claimed_name, []).append(device)
    question = "Has each unit a NAME of its own?"
    for name, devices in groups.items():
        twice = len(devices) > 1
        yield Answer(
            key=f"device.{path_name(devices[0].name)}.name", check=Check.IDENTITY,
            subject=", ".join(device.name for device in devices), question=question, rule=NAME_RULE,
            formula=f"{name_text(name)}: {_listed(devices)}", limit="one unit",
            judgement=Judgement.FLAGGED if twice else Judgement.GOOD, severity=Severity.FAULT,
            text=f"{_listed(devices)} have one NAME, so neither wins an address of the other" if twice else "",
            advice="read the NAME of each unit from a log; no two units have the same one" if twice else "",
        )  # fmt: skip
    without = [device for device in rig.devices if device.claimed_name is None]
    if without:
        if len(without) <= _MAX_LISTED:
            missing = [f"claimed_name of device {device.name}" for device in without]
        else:
            missing = [f"claimed_name of {len(without)} devices, {without[0].name} to {without[-1].name}"]
        yield unchecked("names", Check.IDENTITY, "NAMEs", question, NAME_RULE, missing)


def _listed(devices: Sequence[DevicePlan]) -> str:
    return " and ".join(device.name for device in devices)


# Instances.


def _owners(rig: Rig) -> Mapping[str, Mapping[int, Sequence[str]]]:
    """Return who has each instance of each function: outputs and inputs by their names, else devices."""
    found: dict[str, dict[int, list[str]]] = {}
    device_of = {module.name: module.device for module in rig.modules}
    by_part: set[tuple[str | None, str, int]] = set()
    parts = [(one.module, one.function, one.instance, one.name) for one in rig.outputs]
    parts += [(one.module, INPUT_FUNCTION, place.instance, place.name) for one in rig.inputs for place in one.positions]
    for module, function, instance, name in parts:
        if instance is not None:
            by_part.add((device_of[module], function, instance))
            found.setdefault(function, {}).setdefault(instance, []).append(name)
    for device in rig.devices:
        for function, instances in device.functions.items():
            for instance in instances:
                if (device.name, function, instance) not in by_part:
                    found.setdefault(function, {}).setdefault(instance, []).append(device.name)
    return found


def _instance_answers(rig: Rig, catalogue: Catalogue) -> Iterator[Answer]:
    for name, owners in _owners(rig).items():
        function = FUNCTIONS[name]
        if function.shared:
            continue
        clashes = {instance: who for instance, who in owners.items() if len(who) > 1}
        question = f"Has each {function.title} an instance of its own?"
        if not clashes:
            yield Answer(
                key=f"function.{name}.instances", check=Check.IDENTITY, subject=function.title, question=question,
                rule=INSTANCE_RULE, formula=f"{function.title} {instance_ranges(owners)}: each once", limit="each once",
                unproven="that the fitted units are set so: a replaced one starts with the instance of its maker",
            )  # fmt: skip
        for instance, who in clashes.items():
            free = next(one for one in range(1, MAX_INSTANCE + 2) if one not in owners)
            listed, both = " and ".join(who), "both" if len(who) == 2 else "all"
            yield Answer(
                key=f"function.{name}.{instance}", check=Check.IDENTITY, subject=", ".join(who), question=question,
                rule=INSTANCE_RULE, value=instance, formula=f"{function.label(instance)}: {listed}",
                limit="each once", judgement=Judgement.FLAGGED, severity=Severity.FAULT,
                text=(
                    f"{listed} are {both} {function.label(instance)}: readings jump between them"
                    f"{f', and a command moves {both}' if function.commands else ''}"
                ),
                advice=f"give one of them another instance; {free} is free",
            )  # fmt: skip
        if len(owners) > 1 and _is_without_instance(function, catalogue):
            yield Answer(
                key=f"function.{name}.count", check=Check.IDENTITY, subject=function.title,
                question="Can the network tell them apart?", rule=ONE_RULE, value=len(owners), limit="at most 1",
                formula=f"{len(owners)} > 1: {function.statuses[0]} has no instance", judgement=Judgement.FLAGGED,
                text=f"there are {len(owners)} of {function.title}, and their messages have no instance",
                advice="keep one of them on the network",
            )  # fmt: skip


def _is_without_instance(function: Function, catalogue: Catalogue) -> bool:
    """Tell whether the messages of a function are known and have no instance."""
    specs = [catalogue.by_name(message) for message in function.statuses]
    return any(spec.fields for spec in specs) and all(spec.instance is None for spec in specs)


def instance_ranges(instances: Iterable[int]) -> str:
    """Return instances as ranges: "1 to 4, 11, 12"."""
    parts: list[list[int]] = []
    for instance in sorted(instances):
        if parts and parts[-1][-1] == instance - 1:
            parts[-1].append(instance)
        else:
            parts.append([instance])
    texts = [f"{part[0]} to {part[-1]}" if len(part) > 2 else ", ".join(map(str, part)) for part in parts]
    return ", ".join(texts)


# Places on modules.


def _place_answers(rig: Rig) -> Iterator[Answer]:
    for module in rig.modules:
        for what, count, entries in (
            ("output", module.output_count, [one for one in rig.outputs if one.module == module.name]),
            ("input", module.input_count, [one for one in rig.inputs if one.module == module.name]),
        ):
            if not entries:
                continue
            key, question = f"module.{path_name(module.name)}.{what}s", f"Is there such an {what}?"
            if count is None:
                missing = [f"{what}_count of module {module.name}"]
                yield unchecked(key, Check.IDENTITY, module.name, question, PLACE_RULE, missing)
                continue
            beyond = [one for one in entries if one.terminal > count]
            highest = max(one.terminal for one in entries)
            yield Answer(
                key=key, check=Check.IDENTITY, subject=module.name, question=question, rule=PLACE_RULE, value=highest,
                limit=f"at most {count}", formula=f"highest terminal {highest} {'>' if beyond else '<='} {count}",
                judgement=Judgement.FLAGGED if beyond else Judgement.GOOD, severity=Severity.FAULT,
                text=(
                    f"it has {count} {what}s, and {_listed_parts(beyond)} {'is' if len(beyond) == 1 else 'are'} beyond"
                    if beyond else ""
                ),
                advice="move it to a free terminal or to another module" if beyond else "",
            )  # fmt: skip


def _listed_parts(entries: Sequence[Any]) -> str:
    return " and ".join(few([f"{one.name} (terminal {one.terminal})" for one in entries]))


def _address_table(rig: Rig) -> PlanTable:
    rows = tuple(
        (
            device.name,
            f"0x{device.address:02X}",
            str(device.address),
            "may move" if device.dynamic else "static",
            "; ".join(f"{FUNCTIONS[name].title} {instance_ranges(own)}" for name, own in device.functions.items()),
            "" if device.claimed_name is None else name_text(device.claimed_name),
            device.zone or "",
        )
        for device in rig.devices
    )
    columns = ("device", "address hex", "address", "moves", "functions", "NAME", "zone")
    return PlanTable("addresses", "Addresses and instances as built", columns, rows)
