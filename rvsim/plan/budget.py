"""The budget of the bus: its load, its busiest second, the longest response of each message, room for more devices.

Knows: the answers and their limits, and how a response is worked out by hand. Does not know which messages a device
sends (`bus_traffic` does), nor the analysis of responses itself (`wire.response` has it).

An average load is that of periodic messages alone. Responses count with what each node may send beside them, one full
frame each 50 ms, ahead of every periodic message.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rvsim.plan.answer import Answer, Check, Judgement, PlanTable, Rule, Section, unchecked
from rvsim.plan.bus_traffic import SAMPLE_US, Traffic, key_of, traffic, unknown_messages
from rvsim.watch.bus.worst_case import PlannedStream, other_frames
from rvsim.watch.flag import Severity
from rvsim.wire.frame import SECOND_US
from rvsim.wire.ident import MAX_ADDRESS, dgn_of
from rvsim.wire.response import PeriodicMessage, are_in_time, response_steps, utilisation_percent, worst_responses
from rvsim.wire.timing import BIT_RATE, max_bits, min_bits

if TYPE_CHECKING:
    from rvsim.plan.report import PlanInput

MAX_AVERAGE_PERCENT = 40.0
"""The highest average load. A recommendation of an engine maker's installation manual, J1939 section 18.1.3."""
FULL_BYTES = 8
DAVIS = "Davis, Burns, Bril, Lukkien, Real-Time Systems 35(3), 2007"
MANUAL = "an engine maker's electrical installation manual, J1939 section 18.1.3"
LENGTH_DISAGREES = (
    "the first papers count floor((g + 8 s) / 5) stuff bits, 154 bits for 8 bytes instead of 160: 3.8 % less"
)
AVERAGE_RULE = Rule(MANUAL, "read at second hand; a recommendation", "the RV-C pages that were read name no limit")
UNSTUFFED_RULE = Rule(f"{DAVIS}, equation 1 without its stuff bits: 67 + 8 s", "read")
LENGTH_RULE = Rule(f"{DAVIS}, equation 1: 80 + 10 s bits", "read", LENGTH_DISAGREES)
SECOND_RULE = Rule("every periodic message due at once, and one claim and one request of each device", "our decision")
RESPONSE_RULE = Rule(
    f"{DAVIS}, revised analysis; jitter 0; each node may send one frame more each 50 ms",
    "read; the frame each 50 ms is our assumption",
    "a response that ends with the frame, without the 3 bits between frames, is 0.012 ms shorter",
)
NOT_PROVEN = "It does not prove the frames of devices that the rig does not name, nor a pair with errors."


def check_budget(given: "PlanInput") -> Section:
    """Check the load of the bus and the response of each message."""
    found = traffic(given.rig, given.catalogue, given.seed)
    answers = [*_unknown_senders(given, found)]
    if not found.periodic:
        missing = ["sends of any device"]
        answers.append(unchecked("bus.load_worst", Check.BUDGET, "bus", _LOAD_WORST, LENGTH_RULE, missing))
        return Section(Check.BUDGET, tuple(answers))
    streams = [one.stream for one in found.periodic]
    together = [*streams, *other_frames(given.rig)]
    worst = dict(zip(together, worst_responses(together), strict=True))
    answers += _loads(found, streams, together)
    answers += _responses(found, together, worst)
    answers += _more_devices(given, found, together)
    return Section(Check.BUDGET, tuple(answers), (_table(found, worst),))


_LOAD_WORST = "How busy is the bus at most on average, with every possible stuff bit?"


def _unknown_senders(given: "PlanInput", found: Traffic) -> Iterator[Answer]:
    question = "What does it send?"
    rule = Rule("what a device sends by its functions, its kind and its list", "our decision")
    for device in found.unknown:
        missing = [f"sends of device {device.name}"]
        yield unchecked(key_of(device), Check.BUDGET, device.name, question, rule, missing)
    for device in given.rig.devices:
        if unknown := unknown_messages(device, given.catalogue):
            listed = ", ".join(unknown)
            yield Answer(
                key=key_of(device), check=Check.BUDGET, subject=device.name, question=question, formula="", rule=rule,
                judgement=Judgement.UNCHECKED,
                text=f"not counted: no definition has {listed}",
                advice="correct the name under sends, or add a DBC file under definitions",
            )  # fmt: skip


def _ms(microseconds: float) -> str:
    return f"{microseconds / 1000:.2f} ms"


def _rates(streams: Sequence[PeriodicMessage], bits: int) -> str:
    """Return the sum of frames by their gaps, like "3 x 131 bits / 0.5 s + 20 x 131 bits / 5 s"."""
    by_gap = sorted(Counter(stream.gap for stream in streams).items())
    return " + ".join(f"{number} x {bits} bits / {gap / SECOND_US:g} s" for gap, number in by_gap)


def _load(
    key: str, question: str, formula: str, rule: Rule, percent: float, most: float, severity: Severity, text: str,
    advice: str,
) -> Answer:  # fmt: skip
    is_over = percent > most
    return Answer(
        key=key, check=Check.BUDGET, subject="bus", question=question, formula=f"{formula} = {percent:.2f} %",
        rule=rule, value=percent, unit="%", limit=f"at most {most:g} %",
        judgement=Judgement.FLAGGED if is_over else Judgement.GOOD, severity=severity,
        text=f"{text}: {percent:.1f} %" if is_over else "", advice=advice if is_over else "", unproven=NOT_PROVEN,
    )  # fmt: skip


def _loads(found: Traffic, streams: list[PeriodicMessage], together: list[PeriodicMessage]) -> Iterator[Answer]:
    fewer = "lengthen gaps, or leave out a device that sends most (see the table of messages)"
    least, most = min_bits(FULL_BYTES), max_bits(FULL_BYTES)
    unstuffed = sum(100 * least * SECOND_US / (stream.gap * BIT_RATE) for stream in streams)
    yield _load(
        "bus.load_unstuffed", "How busy is the bus on average, without any stuff bit?",
        f"({_rates(streams, least)}) / {BIT_RATE} bit/s", UNSTUFFED_RULE, unstuffed, MAX_AVERAGE_PERCENT,
        Severity.WARNING, "the average load is above what is recommended even without stuff bits", fewer,
    )  # fmt: skip
    exact = 100 * found.exact_bits_per_s / BIT_RATE
    parts = []
    if found.sampled_frames:
        seconds = SAMPLE_US / SECOND_US
        parts.append(f"{found.sampled_bits} bits of {found.sampled_frames} simulated frames / {seconds:g} s")
    if found.typical:
        what = f"{len(found.typical)} messages with a typical payload (instance 1, all other bytes FF)"
        parts.append(f"{found.typical_bits_per_s:.0f} bit/s of {what}")
    if found.problem:
        parts.append(f"0 (nothing could be simulated: {found.problem})")
    yield _load(
        "bus.load_exact", "How busy is the bus on average, with the stuff bits of what is really sent?",
        f"({' + '.join(parts)}) / {BIT_RATE} bit/s", AVERAGE_RULE, exact, MAX_AVERAGE_PERCENT, Severity.WARNING,
        "the average load is above what is recommended", fewer,
    )  # fmt: skip
    yield _load(
        "bus.load_worst", _LOAD_WORST, f"({_rates(streams, most)}) / {BIT_RATE} bit/s", LENGTH_RULE,
        utilisation_percent(streams), 100.0, Severity.FAULT, "the periodic messages alone do not fit on the bus", fewer,
    )  # fmt: skip
    others = len(together) - len(streams)
    yield _load(
        "bus.load_with_others", "How busy is the bus if each node also sends a frame each 50 ms?",
        f"({_rates(together, most)}) / {BIT_RATE} bit/s",
        RESPONSE_RULE, utilisation_percent(together), 100.0, Severity.NOTICE,
        "if every node sent a frame each 50 ms beside its periodic messages, the bus would be full", fewer,
    )  # fmt: skip
    periodic = sum(-(-SECOND_US // stream.gap) for stream in streams)
    claim, request = max_bits(FULL_BYTES), max_bits(3)
    bits = periodic * most + others * (claim + request)
    yield _load(
        "bus.busiest_second", "How busy is the second after power comes on, with everything due at once?",
        f"({periodic} frames x {most} bits + {others} claims x {claim} bits + {others} requests x {request} bits) "
        f"/ {BIT_RATE} bit/s x 1 s",
        SECOND_RULE, 100 * bits / BIT_RATE, 100.0, Severity.WARNING,
        "what is due in the second after power comes on does not fit in it",
        "let devices start one after another, or lengthen gaps",
    )  # fmt: skip


def by_message(found: Traffic) -> dict[int, list[PlannedStream]]:
    """Return the periodic messages by their DGN."""
    grouped: dict[int, list[PlannedStream]] = defaultdict(list)
    for one in found.periodic:
        grouped[dgn_of(one.stream.identifier)].append(one)
    return grouped


def _slowest(
    same: Sequence[PlannedStream], worst: dict[PeriodicMessage, int | None]
) -> tuple[PeriodicMessage, int | None]:
    """Return the stream of a message whose response is longest, and that response; None where it is unlimited."""
    streams = [one.stream for one in same]
    unlimited = [stream for stream in streams if worst[stream] is None]
    if unlimited:
        return unlimited[0], None
    slowest = max(streams, key=lambda stream: worst[stream] or 0)
    return slowest, worst[slowest]


def steps_text(streams: Sequence[PeriodicMessage], stream: PeriodicMessage, worst_us: int | None, *, all: bool) -> str:
    """Return how a response is worked out by hand, with each step or only the last one."""
    steps = response_steps(streams, stream)
    waits = steps.waits if all else steps.waits[-1:]
    lower = f"one lower frame under way {_ms(steps.blocking_us)}" if steps.blocking_us else "no lower frame"
    said = [f"own frame {stream.bits} bits = {_ms(steps.own_us)}, {lower}"]
    for number, (frames, wait) in enumerate(waits):
        again = "" if number == 0 else " (as before)" if wait == waits[number - 1][1] else " (due again meanwhile)"
        said.append(f"{frames} frames go first{again}: wait {_ms(wait)}")
    first = steps.waits[-1][1] + steps.own_us
    said.append(f"response {_ms(first)}")
    if worst_us is not None and worst_us > first:
        said.append(f"a later frame of the same busy time waits longer: {_ms(worst_us)}")
    return "; ".join(said)


def _responses(
    found: Traffic, together: list[PeriodicMessage], worst: dict[PeriodicMessage, int | None]
) -> Iterator[Answer]:
    streams = [one.stream for one in found.periodic]
    alone: dict[PeriodicMessage, int | None] = {}
    if None in worst.values():
        alone = dict(zip(streams, worst_responses(streams), strict=True))
    longest: tuple[int, int, str, PeriodicMessage] = (-1, 0, "", streams[0])
    for same in by_message(found).values():
        name = same[0].spec.name
        stream, worst_us = _slowest(same, worst)
        is_lost = worst_us is None
        if worst_us is not None:  # of equals the one of the lowest priority
            longest = max(longest, (worst_us, stream.identifier, name, stream), key=lambda one: one[:2])
        is_lost_alone = is_lost and alone[stream] is None
        yield Answer(
            key=f"bus.response.{name}", check=Check.BUDGET, subject=name,
            question="How long can it take at most from due to sent?",
            formula=steps_text(together, stream, worst_us, all=False), rule=RESPONSE_RULE,
            value=None if worst_us is None else worst_us / 1000, unit="ms",
            limit=f"at most its gap, {stream.gap / 1000:g} ms",
            judgement=Judgement.FLAGGED if is_lost else Judgement.GOOD,
            severity=Severity.FAULT if is_lost_alone else Severity.NOTICE,
            text="" if not is_lost
            else "it can be due again before it is sent" if is_lost_alone
            else "it can be due again before it is sent, if every node sends a frame each 50 ms beside its messages",
            advice="lengthen its gap, or that of messages with a higher priority" if is_lost else "",
            unproven=NOT_PROVEN,
        )  # fmt: skip
    worst_us, _, name, stream = longest
    if name:
        yield Answer(
            key="bus.response_slowest", check=Check.BUDGET, subject="bus",
            question=f"Which message can take longest, and how is that worked out by hand? {name}",
            formula=steps_text(together, stream, worst_us, all=True), rule=RESPONSE_RULE, value=worst_us / 1000,
            unit="ms", limit="none: shown by hand", unproven=NOT_PROVEN,
        )  # fmt: skip


def _more_devices(given: "PlanInput", found: Traffic, together: list[PeriodicMessage]) -> Iterator[Answer]:
    """Yield how many devices more fit, each like the one that sends most."""
    by_device: dict[str, list[PeriodicMessage]] = defaultdict(list)
    for one in found.periodic:
        by_device[one.device].append(one.stream)
    name = max(by_device, key=lambda device: utilisation_percent(by_device[device]))
    own = by_device[name]
    each, now = utilisation_percent(own), utilisation_percent(one.stream for one in found.periodic)
    free = MAX_ADDRESS + 1 - len(given.rig.devices)
    more = max(0, min(free, int((MAX_AVERAGE_PERCENT - now) / each)))
    rule = Rule(f"{MANUAL}; {DAVIS}, equation 1", "read at second hand; read", LENGTH_DISAGREES)
    kind = f"like {name}, which sends most"
    yield Answer(
        key="bus.more_devices_load", check=Check.BUDGET, subject="bus",
        question=f"How many devices more, {kind}, until the average load is {MAX_AVERAGE_PERCENT:g} %?",
        formula=f"({MAX_AVERAGE_PERCENT:g} % - {now:.2f} %) / {each:.3f} % each = {more}, at most {free} addresses",
        rule=rule, value=more, unit="devices", limit="none: room that is left", unproven=NOT_PROVEN,
    )  # fmt: skip
    beside = other_frames(given.rig)[0]

    def is_in_time(devices: int) -> bool:
        return are_in_time([*together, *[*own, beside] * devices])

    low, high = (0, free + 1) if is_in_time(0) else (-1, 0)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if is_in_time(middle) else (low, middle)
    more = max(low, 0)
    formula = f"with {more} every message is sent before it is due again, with {more + 1} not"
    if low < 0:
        formula = "a message is too late already"
    yield Answer(
        key="bus.more_devices_deadline", check=Check.BUDGET, subject="bus",
        question=f"How many devices more, {kind}, until a message is due again before it is sent?",
        formula=formula, rule=RESPONSE_RULE, value=more, unit="devices", limit="none: room that is left",
        unproven=NOT_PROVEN,
    )  # fmt: skip


def _table(found: Traffic, worst: dict[PeriodicMessage, int | None]) -> PlanTable:
    rows = []
    for same in by_message(found).values():
        _, worst_us = _slowest(same, worst)
        senders = ", ".join(dict.fromkeys(one.device for one in same))
        gap = min(one.stream.gap for one in same)
        response = "unlimited" if worst_us is None else f"{worst_us / 1000:.2f}"
        share = f"{utilisation_percent(one.stream for one in same):.3f}"
        rows.append((same[0].spec.name, str(len(same)), f"{gap / 1000:g}", share, response, senders))
    rows.sort(key=lambda row: -float(row[3]))
    columns = ("message", "how many", "gap, ms", "share of the bus at most, %", "longest response, ms", "from")
    return PlanTable("messages", "Periodic messages on the bus", columns, tuple(rows), NOT_PROVEN)
