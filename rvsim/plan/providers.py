"""Check of providers: who needs and who sends what, who commands it, and who can move something.

Knows: what is needed and sent by nobody, what two controllers command, a motion without an interlock. Does not know
where a rig says all this (`network_needs`), nor in which zone a sensor is (`zone_sensors`).
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rvsim.errors import InputError, did_you_mean
from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, path_name, unchecked
from rvsim.plan.identity import instance_ranges
from rvsim.plan.network_needs import NetworkPlan, Target, Topic, network_plan, read_topic
from rvsim.plan.zone_sensors import COMMANDER_RULE, sensor_answers, thermostat_answers
from rvsim.rig.functions import FUNCTIONS
from rvsim.rig.model import Rig
from rvsim.rig.motions import NEEDS_INTERLOCK
from rvsim.watch.flag import Severity
from rvsim.wire.catalogue import Catalogue

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

NEED_RULE = Rule("what a device needs is sent by another one of the rig", "common practice, no source")
MOTION_RULE = Rule(
    "an interlock for what does harm outside a vehicle that drives off",
    "our decision; a recall of 2023 was for awnings that extended while driving",
)
BY_PERSON = frozenset(
    {
        "dc_dimmer",
        "dc_load",
        "ac_load",
        "lock",
        "awning",
        "window_shade",
        "slide",
        "thermostat",
        "dc_disconnect",
        "water_pump",
    }
)
"""What persons switch from several places: two who command it do not disturb each other by themselves."""
MOTION_CAUTION = "A command can start a motor with nobody looking: keep people clear, and test each interlock."
HEATS = ("furnace", "air_conditioner", "heat_pump", "floor_heat")
"""What a thermostat in the same device commands."""
_OWN_THERMOSTAT = " (its own thermostat)"
_AC_PAGE, _AC_MASK = "_AC_STATUS", 0x0F
"""Messages whose instance has line and direction in its upper bits (device makers' appendices)."""


def check_providers(given: "PlanInput") -> Section:
    """Check who sends what is needed, and who commands what."""
    rig, network = given.rig, network_plan(given.rig, given.catalogue)
    answers = [
        *_need_answers(rig, network, given.catalogue),
        *_sent_answers(rig, given.catalogue),
        *_commander_answers(rig, network),
        *thermostat_answers(rig, _told_together(rig, network)),
        *sensor_answers(rig),
        *_motion_answers(rig, network),
    ]
    tables = (_matrix(network), _command_table(rig, network))
    return Section(Check.PROVIDERS, tuple(answers), tables, (MOTION_CAUTION,) if rig.motions else ())


# Needed and sent.


def _need_answers(rig: Rig, network: NetworkPlan, catalogue: Catalogue) -> Iterator[Answer]:
    if not any(network.needs.values()):
        yield unchecked(
            "needs", Check.PROVIDERS, "needs", "Is what each device needs sent by another one?", NEED_RULE,
            ["needs of any device"],
        )  # fmt: skip
    for device in rig.devices:
        if device.name in network.unread:
            key, question = f"device.{path_name(device.name)}.needs", "Is what it needs sent by another one?"
            missing = [f"settings of device {device.name} that its kind can read"]
            yield unchecked(key, Check.PROVIDERS, device.name, question, NEED_RULE, missing)
        for topic, by in network.needs[device.name].items():
            yield _need_answer(device.name, topic, by, network, catalogue)


def _need_answer(device: str, topic: Topic, by: str, network: NetworkPlan, catalogue: Catalogue) -> Answer:
    key = f"device.{path_name(device)}.needs.{path_name(str(topic))}"
    question = "Is what it needs sent by another device?"
    if problem := _unknown_message(topic, catalogue):
        return _flagged(key, device, question, NEED_RULE, f"{by}: {topic}", problem, "correct its name")
    senders = [name for name in _senders(topic, network) if name != device]
    if not senders:
        loose = [
            name for sent, names in network.senders.items()
            if sent.message == topic.message and sent.instance is None for name in names if name != device
        ]  # fmt: skip
        missing = [f"the instance of {topic.message} under sends of device {name}" for name in loose]
        missing += [f"sends of device {name}" for name in (*network.unknown, *_perhaps(topic, network))]
        missing = [one for one in dict.fromkeys(missing) if not one.endswith(f"device {device}")]
        if missing:
            return unchecked(key, Check.PROVIDERS, device, question, NEED_RULE, missing)
        others = sorted(
            f"{sent} ({', '.join(names)})" for sent, names in network.senders.items() if sent.message == topic.message
        )
        text = f"it needs {topic} ({by}), and no device of the rig sends it"
        advice = "add the device that sends it, or correct the instance" + (
            f"; there is {', '.join(others)}" if others else ""
        )
        return _flagged(key, device, question, NEED_RULE, f"{topic}: sent by nobody", text, advice)
    return Answer(
        key=key, check=Check.PROVIDERS, subject=device, question=question, rule=NEED_RULE, limit="a sender",
        formula=f"{topic} ({by}): sent by {', '.join(senders)}",
        unproven="that the fitted unit really sends it: the first log shows it",
    )  # fmt: skip


def _unknown_message(topic: Topic, catalogue: Catalogue) -> str:
    try:
        catalogue.by_name(topic.message)
    except InputError:
        return f"no message is called {topic.message}{did_you_mean(topic.message, catalogue.names)}"
    return ""


def _senders(topic: Topic, network: NetworkPlan) -> list[str]:
    found = dict.fromkeys(network.senders.get(topic, ()))
    for sent in network.by_message.get(topic.message, ()):
        if topic.instance is None or _is_same(sent, topic):
            found |= dict.fromkeys(network.senders[sent])
    return list(found)


def _is_same(sent: Topic, needed: Topic) -> bool:
    if sent.instance is None or needed.instance is None:
        return sent.instance is needed.instance
    mask = _AC_MASK if _AC_PAGE in sent.message else 0xFF
    return sent.instance & mask == needed.instance & mask


def _perhaps(topic: Topic, network: NetworkPlan) -> Iterator[str]:
    """Yield devices that may send a message which no function declares: those whose own begin with the same words."""
    if any(topic.message in function.statuses for function in FUNCTIONS.values()):
        return
    for sent, names in network.senders.items():
        stem = sent.message.partition("_STATUS")[0]
        if topic.message.startswith(f"{stem}_") and topic.instance in (None, sent.instance):
            yield from names


def _sent_answers(rig: Rig, catalogue: Catalogue) -> Iterator[Answer]:
    """Yield the names under ``sends`` that no definition has."""
    for device in rig.devices:
        for text in device.sends:
            topic = read_topic(text)
            if problem := _unknown_message(topic, catalogue):
                key = f"device.{path_name(device.name)}.sends.{path_name(str(topic))}"
                question = "Is what it sends a message?"
                yield _flagged(key, device.name, question, NEED_RULE, f"sends: {topic}", problem, "correct its name")


def _flagged(
    key: str, subject: str, question: str, rule: Rule, formula: str, text: str, advice: str,
    severity: Severity = Severity.WARNING,
) -> Answer:  # fmt: skip
    return Answer(
        key=key, check=Check.PROVIDERS, subject=subject, question=question, rule=rule, formula=formula,
        judgement=Judgement.FLAGGED, severity=severity, text=text, advice=advice,
    )  # fmt: skip


# Commanded.


def _commanders(target: Target, rig: Rig, network: NetworkPlan) -> list[str]:
    """Return who commands a function and instance by itself, its own thermostat included."""
    found = dict.fromkeys(
        name
        for one, names in network.commanders.items()
        if one.function == target.function and one.instance in (None, target.instance)
        for name in names
    )
    if target.function in HEATS:
        found |= dict.fromkeys(
            f"{device.name}{_OWN_THERMOSTAT}"
            for device in rig.devices
            if target.instance in device.functions.get(target.function, ())
            and "thermostat" in device.functions
            and device.name not in found
        )
    return list(found)


def _targets(rig: Rig) -> dict[Target, list[str]]:
    """Return what of the rig can be commanded, with the devices that it is."""
    found: dict[Target, list[str]] = {}
    for device in rig.devices:
        for name, instances in device.functions.items():
            if FUNCTIONS[name].commands:
                for instance in instances:
                    found.setdefault(Target(name, instance), []).append(device.name)
    return found


def _commander_answers(rig: Rig, network: NetworkPlan) -> Iterator[Answer]:
    for target, owners in _targets(rig).items():
        commanders = _commanders(target, rig, network)
        if target.function in BY_PERSON or not commanders:
            continue
        assert target.instance is not None
        label = FUNCTIONS[target.function].label(target.instance)
        twice = len(commanders) > 1
        own = any(name.endswith(_OWN_THERMOSTAT) for name in commanders)
        yield Answer(
            key=f"function.{target.function}.{target.instance}.commanders", check=Check.PROVIDERS,
            subject=", ".join(owners), question="Does one controller alone command it?", rule=COMMANDER_RULE,
            value=len(commanders), limit="at most 1", formula=f"{label}: commanded by {' and '.join(commanders)}",
            judgement=Judgement.FLAGGED if twice else Judgement.GOOD,
            text=f"{label} is commanded by {' and '.join(commanders)}, which undo each other's commands" if twice
            else "",
            advice="" if not twice
            else "disable its own thermostat, or let the other one command that thermostat" if own
            else "let one of them command it, and the other one ask that one",
            unproven="that nothing else on the bus commands it: a log shows who does",
        )  # fmt: skip


def _told_together(rig: Rig, network: NetworkPlan) -> list[set[str]]:
    """Return the devices of each group of controllers that is told as commanding one thing."""
    groups = [
        {name.removesuffix(_OWN_THERMOSTAT) for name in _commanders(target, rig, network)}
        for target in _targets(rig)
        if target.function not in BY_PERSON
    ]
    return [group for group in groups if len(group) > 1]


# Motions.


def _motion_answers(rig: Rig, network: NetworkPlan) -> Iterator[Answer]:
    for motion in rig.motions:
        key = f"motion.{path_name(motion.name)}"
        switchers = {way: network.switchers.get(output, []) for way, output in motion.outputs.items()}
        if motion.device is not None and not motion.outputs:
            function = next(
                (
                    one for one in ("lock", "window_shade")
                    for device in rig.devices if device.name == motion.device and one in device.functions
                ), None,
            )  # fmt: skip
            names = [name for target, by in network.commanders.items() if target.function == function for name in by]
            switchers = {"extend": names}
        listed = "; ".join(
            f"{way}: {', '.join(names) if names else 'nobody by the plan'}" for way, names in switchers.items()
        )
        everyone = dict.fromkeys(name for names in switchers.values() for name in names)
        yield Answer(
            key=f"{key}.senders", check=Check.PROVIDERS, subject=motion.name, question="Who can command this motion?",
            rule=MOTION_RULE, value=len(everyone), formula=listed,
            unproven="that nothing else on the bus can: any node can send the command",
        )  # fmt: skip
        if motion.what not in NEEDS_INTERLOCK:
            continue
        holds = ", ".join(f"{name} {state}" for name, state in motion.must_hold.items())
        yield Answer(
            key=f"{key}.interlock", check=Check.PROVIDERS, subject=motion.name,
            question="What must hold while it moves?", rule=MOTION_RULE, limit="an interlock",
            formula=f"must_hold: {holds or 'nothing'}",
            judgement=Judgement.GOOD if holds else Judgement.FLAGGED, severity=Severity.NOTICE,
            text="" if holds else f"nothing keeps the {motion.what} from moving in a vehicle that drives",
            advice="" if holds else 'give it must_hold = { "ignition" = "off" }, and a relay that the ignition opens',
            unproven="that the interlock works when a node fails: only a contact in the motor's own circuit does",
        )  # fmt: skip


# Tables.


def _matrix(network: NetworkPlan) -> PlanTable:
    needed: dict[Topic, list[str]] = {}
    for device, topics in network.needs.items():
        for topic in topics:
            needed.setdefault(topic, []).append(device)
    rows: dict[tuple[str, str, str], list[int]] = {}
    for topic in sorted({*needed, *network.senders}, key=lambda topic: (topic.message, topic.instance or 0)):
        sent, asked = ", ".join(_senders(topic, network)) or "nobody", ", ".join(needed.get(topic, ()))
        own = [] if topic.instance is None else [topic.instance]
        rows.setdefault((topic.message, sent, asked), []).extend(own)
    listed = tuple((message, instance_ranges(own), sent, asked) for (message, sent, asked), own in rows.items())
    columns = ("message", "instance", "sent by", "needed by")
    return PlanTable("providers", "Who sends and who needs what", columns, listed)


def _command_table(rig: Rig, network: NetworkPlan) -> PlanTable:
    outputs = {(one.function, one.instance): one for one in rig.outputs if one.instance is not None}
    rows = []
    for target, owners in _targets(rig).items():
        assert target.instance is not None
        output = outputs.pop((target.function, target.instance), None)
        names = _commanders(target, rig, network) if output is None else network.switchers.get(output.name, [])
        what = ", ".join(owners) if output is None else output.name
        rows.append((FUNCTIONS[target.function].label(target.instance), what, ", ".join(names) or "nobody by the plan"))
    for (function, instance), output in outputs.items():
        names = network.switchers.get(output.name, [])
        rows.append((FUNCTIONS[function].label(instance), output.name, ", ".join(names) or "nobody by the plan"))
    return PlanTable("commanders", "Who commands what", ("function", "what", "commanded by"), tuple(rows))
