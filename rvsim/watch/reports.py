"""What nodes say of themselves beside their readings: faults in DM_RV and DM1, product and software in texts.

Knows: that one fault can be carried by several messages of a node, that each heartbeat carries one fault of a
function and several take turns, and that longer reports and texts come as long messages, overheard from whoever sends
them. Does not know what an SPN means: that depends on the function (rv-c.com/node/82). Nothing is asked for. Needs
the changes of heartbeats and of DM1, every frame of the texts.
"""

from collections.abc import Callable

from rvsim.watch.detect.transfers import EXCHANGES, Transfers
from rvsim.watch.identity.records import HEARTBEAT_FLOOR, TopicRecord
from rvsim.watch.transitions import Ended, FaultReported, NodeDescribed, Topic, Transition
from rvsim.wire import texts
from rvsim.wire.commanded_address import COMMANDED_ADDRESS, read_address_command
from rvsim.wire.diagnostics import (
    NO_FAULT_FMI,
    NO_FAULT_SPN,
    Lamps,
    Report,
    ReportedFault,
    count_of,
    is_fault,
    read_dm1,
)
from rvsim.wire.fields import Reading
from rvsim.wire.frame import Frame
from rvsim.wire.name import Name
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.outcomes import LongMessage

DM_RV, DM1 = 0x1FECA, 0x0FECA
_TEXTS = frozenset({texts.PRODUCT_IDENTIFICATION, texts.SOFTWARE_IDENTIFICATION})
HEEDED = frozenset({DM_RV, DM1}) | EXCHANGES | _TEXTS
"""The DGNs that this is about."""
_LAMP = 1

Fault = tuple[int, int, int]
"""Source, SPN and FMI: one fault, whichever message carries it."""


class Reports:
    """What every node of a bus reports of itself."""

    def __init__(
        self,
        emit: Callable[[Transition], None],
        transfers: Transfers,
        command: Callable[[Name, int, int], None] = lambda *_: None,
    ) -> None:
        """Take what is told of each problem, and of each NAME that is commanded to an address, in bus time."""
        self._emit = emit
        self._transfers = transfers
        self._command = command
        self._open: dict[Fault, FaultReported] = {}
        self._carried: dict[Topic, dict[Fault, int]] = {}
        """Which faults each topic carries, and when it said so last."""

    def observe(self, part: TopicRecord, spec: MessageSpec | None) -> bool:
        """Take in a frame of one of the heeded DGNs, or of one that is awaited of its node.

        Returns:
            Whether the same frame again could change nothing here.
        """
        frame, dgn = part.frame, part.topic.dgn
        if dgn in part.node.awaited:
            self._transfers.observe_awaited(part)
        if dgn in EXCHANGES:
            for message in self._transfers.observe(part):  # it ends with a packet of its sender
                self._whole(message, part, frame)
            return False
        if dgn in _TEXTS:
            self._text(dgn, frame.data, part, frame.time)
            return True
        if dgn == DM1:
            self._dm1(frame.data, part, part.topic, frame)
        elif dgn == DM_RV and spec is not None:
            self._heartbeat(part, spec, frame)
        return len(self._carried.get(part.topic, {})) < 2

    def _whole(self, message: LongMessage, part: TopicRecord, frame: Frame) -> None:
        """Take in a long message that somebody has sent."""
        if message.dgn in _TEXTS:
            self._text(message.dgn, message.data, part, frame.time)
        elif message.dgn == DM1:
            self._dm1(message.data, part, Topic(message.source, DM1, "DM1"), frame)
        elif message.dgn == COMMANDED_ADDRESS and (commanded := read_address_command(message.data)) is not None:
            self._command(commanded.name, commanded.address, part.rhythm.times[-1])

    # Texts.

    def _text(self, dgn: int, data: bytes, part: TopicRecord, time: int) -> None:
        node = part.node
        before = node.product, node.software
        if dgn == texts.PRODUCT_IDENTIFICATION:
            node.product = texts.read_product(data)
        else:
            node.software = texts.read_software(data)
        if (node.product, node.software) != before:
            self._emit(NodeDescribed(time, part.device.name, node.address, node.product, node.software))

    # Faults.

    def _heartbeat(self, part: TopicRecord, spec: MessageSpec, frame: Frame) -> None:
        said = {reading.field.name: reading for reading in spec.decode(frame.data)}
        spn, fmi = _raw(said, "spn"), _raw(said, "fmi")
        lamps = Lamps(
            amber=_raw(said, "yellow_lamp_status") == _LAMP,
            red=_raw(said, "red_lamp_status") == _LAMP,
        )
        troubles: tuple[ReportedFault, ...] = ()
        if spn is not None and fmi is not None and is_fault(spn, fmi):
            troubles = (ReportedFault(spn, fmi, count_of(_raw(said, "occurrence_count"))),)
        quiet = not troubles and not any(lamps)
        self._report(Report(lamps, troubles), part, part.topic, frame, keep=not quiet)

    def _dm1(self, data: bytes, part: TopicRecord, topic: Topic, frame: Frame) -> None:
        report = read_dm1(data)
        if report is not None:
            self._report(report, part, topic, frame, keep=False)

    def _report(self, report: Report, part: TopicRecord, topic: Topic, frame: Frame, keep: bool) -> None:
        """Bring what stands open in line with a report; with ``keep`` what it does not name may still be true.

        A lamp that is on without a fault is a fault without a name: SPN "none".
        """
        source = topic.source
        troubles = report.troubles or ((ReportedFault(NO_FAULT_SPN, NO_FAULT_FMI),) if any(report.lamps) else ())
        carried = self._carried.setdefault(topic, {})
        for trouble in troubles:
            fault = source, trouble.spn, trouble.fmi
            carried[fault] = frame.time
            if fault not in self._open:
                named = trouble if is_fault(trouble.spn, trouble.fmi) else None
                found = FaultReported(frame.time, part.device.name, topic, named, report.lamps, frame)
                self._open[fault] = found
                self._emit(found)
        now = {(source, trouble.spn, trouble.fmi) for trouble in troubles}
        for fault, when in list(carried.items()):
            if fault not in now and not (keep and frame.time - when <= HEARTBEAT_FLOOR):
                del carried[fault]
                self._over(fault, frame.time)
        if not carried:
            del self._carried[topic]

    def _over(self, fault: Fault, time: int) -> None:
        """End a fault that no message carries any more."""
        if not any(fault in others for others in self._carried.values()):
            self._emit(Ended(time, self._open.pop(fault).cause))


def _raw(said: dict[str, Reading], field: str) -> int | None:
    return said[field].raw if field in said and isinstance(said[field].raw, int) else None
