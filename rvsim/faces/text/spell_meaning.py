"""The meaning of a frame of the network's own services as a whole: texts, reported faults, the DGN of another message.

Knows: which messages mean more than their single fields. Does not know the text of a field, nor where the lines go.
"""

from collections.abc import Callable, Mapping

from rvsim.faces.text import spell_transport
from rvsim.faces.text.spell_transport import FrameMeaning, listed, named_dgn
from rvsim.rig.functions import by_dsa
from rvsim.wire import texts
from rvsim.wire.catalogue import Catalogue
from rvsim.wire.diagnostics import (
    FAILURE_MODES,
    NO_FAULT_FMI,
    NO_FAULT_SPN,
    SPN_PARTS,
    fault_in_fields,
    fault_origins,
    fault_text,
)
from rvsim.wire.fields import Origin, Reading, weakest
from rvsim.wire.ident import Identifier
from rvsim.wire.spec import MessageSpec
from rvsim.wire.transfer.packets import CONNECTION_MANAGEMENT, DATA_TRANSFER

_HOLD_A_DGN = ("desired_dgn", "dgn_acknowledged")
_PRODUCT_PARTS = ("make", "model", "serial number", "unit number")


def meaning_of(spec: MessageSpec, parts: Identifier, data: bytes, catalogue: Catalogue) -> FrameMeaning | None:
    """Return what a frame means as a whole; None if that is only the meaning of its fields."""
    service = _SERVICES.get(parts.dgn)
    if service is not None:
        return service(parts, data, catalogue)
    readings = {reading.field.name: reading for reading in spec.decode(data)}
    return _fault(readings) or _number(readings, catalogue)


# Texts.


def _product(_: Identifier, data: bytes, __: Catalogue) -> FrameMeaning:
    product = texts.read_product(data)
    parts = [f"{title} {text!r}" for title, text in zip(_PRODUCT_PARTS, product, strict=True) if text]
    sentence = f"As text: {listed(parts)}." if parts else "As text: all parts are empty."
    return FrameMeaning(
        "product identification", texts.TEXT_ORIGIN, (sentence,), product._asdict(), _not_ended(data, 0)
    )


def _software(_: Identifier, data: bytes, __: Catalogue) -> FrameMeaning:
    software = texts.read_software(data)
    sentence = f"As text: {listed([repr(text) for text in software]) or 'nothing'}."
    problems = _not_ended(data, 1)
    if data and not problems and data[0] != len(software):
        problems = (f"byte 0 counts {data[0]} texts, but there are {len(software)}",)
    facts = {"software": list(software)}
    return FrameMeaning("software identification", texts.TEXT_ORIGIN, (sentence,), facts, problems)


def spoken_text(spec: MessageSpec, data: bytes) -> tuple[str, list[Origin]] | None:
    """Return the texts of an identification and the origin of their order; None for other messages."""
    if spec.dgn == texts.PRODUCT_IDENTIFICATION:
        return f"product {texts.read_product(data)}", [texts.TEXT_ORIGIN]
    if spec.dgn == texts.SOFTWARE_IDENTIFICATION:
        return f"software {', '.join(texts.read_software(data)) or 'not named'}", [texts.TEXT_ORIGIN]
    return None


def _not_ended(data: bytes, start: int) -> tuple[str, ...]:
    """Return a problem if the last text of a frame does not end with an asterisk: it is cut off, or not a text."""
    text = data[start:].rstrip(b"\xff\x00 ")
    return () if not text or text.endswith(b"*") else ("the last text does not end with an asterisk",)


# Faults.


def _fault(readings: Mapping[str, Reading]) -> FrameMeaning | None:
    found = fault_in_fields({name: reading.raw for name, reading in readings.items()})
    if found is None:
        return None
    spn, fmi = found
    dsa = readings["dsa"].raw if "dsa" in readings else None
    reported = (
        None
        if spn == NO_FAULT_SPN and fmi == NO_FAULT_FMI
        else {"spn": spn, "fmi": fmi, "fmi_text": FAILURE_MODES.get(fmi)}
    )
    text = fault_text(spn, fmi)
    sentences = [
        f"{text[0].upper()}{text[1:]}." if reported is None else f"{text[0].upper()}{text[1:]}, by SAE J1939-73."
    ]
    function = None
    if dsa is not None:
        function = by_dsa(dsa)
        sentences.append(_function_text(dsa))
    origins = [reading.origin for name, reading in readings.items() if name in ("dsa", "fmi", "spn", *SPN_PARTS)]
    origins += fault_origins(spn, fmi)
    if function is not None and dsa is not None:
        origins.append(function.origin_of(dsa))
    facts = {"fault": reported, "dsa": dsa, "function": function.title if function is not None else None}
    return FrameMeaning("fault report", weakest(*origins), tuple(sentences), facts)


def _function_text(dsa: int) -> str:
    function = by_dsa(dsa)
    if function is None:
        return f"The reporting function is not known here (DSA {dsa})."
    source = f" ({function.source})" if not function.source.startswith("from memory") else ""
    return f"The reporting function has the DSA {dsa}: {function.title}{source}."


# Numbers of other messages.


def _number(readings: Mapping[str, Reading], catalogue: Catalogue) -> FrameMeaning | None:
    reading = next((readings[name] for name in _HOLD_A_DGN if name in readings), None)
    if reading is None or reading.raw is None:
        return None
    title = reading.field.title.replace("dgn", "DGN")
    other, origin = named_dgn(reading.raw, catalogue)
    sentence = f"The {title} {reading.raw:05X} hex is {other or 'not known'}."
    facts = {"dgn": f"{reading.raw:05X}", "message": other}
    return FrameMeaning(title, weakest(reading.origin, origin), (sentence,), facts)


_SERVICES: Mapping[int, Callable[[Identifier, bytes, Catalogue], FrameMeaning | None]] = {
    CONNECTION_MANAGEMENT: spell_transport.connection,
    DATA_TRANSFER: spell_transport.packet,
    texts.PRODUCT_IDENTIFICATION: _product,
    texts.SOFTWARE_IDENTIFICATION: _software,
}
