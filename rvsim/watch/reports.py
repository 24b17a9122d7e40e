"""What nodes report about themselves: faults in DM_RV and DM1, product and software identification.

Knows: that several messages of a node can report one fault, that a heartbeat reports one fault of a function at a time
and several take turns, and that longer reports and texts come as long messages, to whichever node they are sent. Does
not know what an SPN means: that depends on the function (rv-c.com/node/82). Sends no requests. Needs the changes of
heartbeats and of DM1, and every frame of the texts.
"""

from collections.abc import Callable

from rvsim.watch.detect.transfers import EXCHANGES, Transfers
from rvsim.watch.identity.records import MIN_SILENCE_LIMIT_US, TopicRecord
from rvsim.watch.transitions import Ended, FaultReported, NodeDescribed, Topic, Transition
from rvsim.wire import texts
from rvsim.wire.commanded_address import COMMANDED_ADDRESS, read_address_command
from rvsim.wire.diagnostics import (
    NO_FAULT_FMI,
    NO_FAULT_SPN,
    Dm1Report,
    Lamps,
    ReportedFault,
    is_fault,
    occurrence_count,
    read_dm1,
)
from rvsim.wire.fields import FieldSpec, Reading
from rvsim.wire.frame import Frame
from rvsim.wire.ident import GLOBAL_ADDRESS, split_identifier
from rvsim.wire.name import Name
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.outcomes import LongMessage

DM_RV, DM1 = 0x1FECA, 0x0FECA
_TEXTS = frozenset({texts.PRODUCT_IDENTIFICATION, texts.SOFTWARE_IDENTIFICATION})
REPORT_DGNS = frozenset({DM_RV, DM1}) | EXCHANGES | _TEXTS
"""The DGNs that are observed here."""
_FAULT_FIELDS = frozenset({"spn", "fmi", "yellow_lamp_status", "red_lamp_status"})
"""The fields by which a heartbeat reports a fault."""
_LAMP_ON = 1

FaultKey = tuple[int, int, int]
"""Source, SPN and FMI: one fault, whichever message reports it."""


class Reports:
    """The reports of all nodes of a bus."""

    def __init__(
        self,
        emit: Callable[[Transition], None],
        transfers: Transfers,
        command: Callable[[Name, int, int], None] = lambda *_: None,
    ) -> None:
        """Take what is called with each transition, and with each NAME that is commanded to an address, in bus time."""
        self._emit = emit
        self._transfers = transfers
        self._command = command
        self._open: dict[FaultKey, FaultReported] = {}
        self._carried: dict[Topic, dict[FaultKey, int]] = {}
        """The faults that each topic reports, with the time of the last report."""

    def observe(self, record: TopicRecord, spec: MessageSpec | None) -> bool:
        """Take in a frame of one of ``REPORT_DGNS``, or of a DGN that is awaited of its node.

        Returns:
            Whether the same frame again would change nothing here.
        """
        frame, dgn = record.frame, record.topic.dgn
        if dgn in record.node.awaited_dgns:
            self._transfers.observe_awaited(record)
        if dgn in EXCHANGES:
            for message in self._transfers.observe(record):  # it ends with a packet of its sender
                self._observe_long_message(message, record, frame)
            return False
        if dgn in _TEXTS:
            self._text(dgn, frame.data, record, frame.time)
            return True
        if dgn == DM1:
            self._dm1(frame.data, record, record.topic, frame)
        elif dgn == DM_RV and spec is not None:
            self._heartbeat(record, spec, frame)
        return len(self._carried.get(record.topic, {})) < 2

    def carries_fault(self, record: TopicRecord) -> bool:
        """Return whether a topic reports a fault at present, or has just done so: each change of it is needed."""
        return record.topic in self._carried

    @staticmethod
    def needed_fields(record: TopicRecord) -> tuple[FieldSpec, ...]:
        """Return the fields of a heartbeat that report a fault."""
        spec = record.layout.spec
        if record.topic.dgn != DM_RV or spec is None:
            return ()
        return tuple(field for field in spec.fields if field.name in _FAULT_FIELDS)

    def observe_joined(self, data: bytes, record: TopicRecord) -> None:
        """Take in a long message that a log has in one entry; the record's frame has its first bytes."""
        frame = record.frame
        parts = split_identifier(frame.identifier)
        destination = GLOBAL_ADDRESS if parts.destination is None else parts.destination
        message = LongMessage(parts.source, destination, record.topic.dgn, data, frame.time, frame.time)
        self._transfers.observe_joined(message)
        self._observe_long_message(message, record, frame)

    def _observe_long_message(self, message: LongMessage, record: TopicRecord, frame: Frame) -> None:
        """Take in a complete long message."""
        if message.dgn in _TEXTS:
            self._text(message.dgn, message.data, record, frame.time)
        elif message.dgn == DM1:
            self._dm1(message.data, record, Topic(message.source, DM1, "DM1"), frame)
        elif message.dgn == COMMANDED_ADDRESS and (commanded := read_address_command(message.data)) is not None:
            self._command(commanded.name, commanded.address, record.rhythm.times[-1])

    # Texts.

    def _text(self, dgn: int, data: bytes, record: TopicRecord, time: int) -> None:
        node = record.node
        before = node.product, node.software
        if dgn == texts.PRODUCT_IDENTIFICATION:
            node.product = texts.read_product(data)
        else:
            node.software = texts.read_software(data)
        if (node.product, node.software) != before:
            self._emit(NodeDescribed(time, record.device.name, node.address, node.product, node.software))

    # Faults.

    def _heartbeat(self, record: TopicRecord, spec: MessageSpec, frame: Frame) -> None:
        readings = {reading.field.name: reading for reading in spec.decode(frame.data)}
        spn, fmi = _raw(readings, "spn"), _raw(readings, "fmi")
        lamps = Lamps(
            amber=_raw(readings, "yellow_lamp_status") == _LAMP_ON,
            red=_raw(readings, "red_lamp_status") == _LAMP_ON,
        )
        faults: tuple[ReportedFault, ...] = ()
        if spn is not None and fmi is not None and is_fault(spn, fmi):
            faults = (ReportedFault(spn, fmi, occurrence_count(_raw(readings, "occurrence_count"))),)
        quiet = not faults and not any(lamps)
        self._report(Dm1Report(lamps, faults), record, record.topic, frame, keep=not quiet)

    def _dm1(self, data: bytes, record: TopicRecord, topic: Topic, frame: Frame) -> None:
        report = read_dm1(data)
        if report is not None:
            self._report(report, record, topic, frame, keep=False)

    def _report(self, report: Dm1Report, record: TopicRecord, topic: Topic, frame: Frame, *, keep: bool) -> None:
        """Begin and end faults by a report; with ``keep`` a fault that it does not name may still be present.

        A lamp that is on without a fault counts as a fault without a number: SPN "none".
        """
        source = topic.source
        faults = report.faults or ((ReportedFault(NO_FAULT_SPN, NO_FAULT_FMI),) if any(report.lamps) else ())
        carried = self._carried.setdefault(topic, {})
        for fault in faults:
            key = source, fault.spn, fault.fmi
            carried[key] = frame.time
            if key not in self._open:
                named_fault = fault if is_fault(fault.spn, fault.fmi) else None
                found = FaultReported(frame.time, record.device.name, topic, named_fault, report.lamps, frame)
                self._open[key] = found
                self._emit(found)
        now = {(source, fault.spn, fault.fmi) for fault in faults}
        for key, when in list(carried.items()):
            if key not in now and not (keep and frame.time - when <= MIN_SILENCE_LIMIT_US):
                del carried[key]
                self._end_fault(key, frame.time)
        if not carried:
            del self._carried[topic]

    def _end_fault(self, key: FaultKey, time: int) -> None:
        """End a fault that no message reports any more."""
        if not any(key in others for others in self._carried.values()):
            self._emit(Ended(time, self._open.pop(key).problem_key))


def _raw(readings: dict[str, Reading], field: str) -> int | None:
    return readings[field].raw if field in readings and isinstance(readings[field].raw, int) else None
