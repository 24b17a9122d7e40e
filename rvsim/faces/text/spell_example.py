"""A frame of a message with values as an example, made out of its definition.

Knows: a usual value of each unit. Does not know what any device sends: the values are invented.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction

from rvsim.faces.text.spell_senders import Party
from rvsim.wire import ident
from rvsim.wire.fields import FieldSpec, State
from rvsim.wire.frame import Frame
from rvsim.wire.spec import MessageSpec

USUAL: Mapping[str, Fraction] = {
    "degC": Fraction(21), "%": Fraction(50), "V": Fraction(138, 10), "A": Fraction(8), "Hz": Fraction(60),
    "h": Fraction(2), "min": Fraction(30), "s": Fraction(10), "Ah": Fraction(80), "W": Fraction(120), "K": Fraction(1),
    "bar": Fraction(2), "kPa": Fraction(200), "deg": Fraction(45), "rpm": Fraction(1800), "mm": Fraction(100),
}  # fmt: skip
"""An invented value of each unit for examples, a usual one in a 12 V vehicle."""
SERVICES: Mapping[str, Mapping[str, int]] = {
    "DM_RV": {"yellow_lamp_status": 0, "red_lamp_status": 0, "dsa": 94, "spn": 0x7FFFF, "fmi": 0x1F},
    "DM1": {"protect_lamp": 0, "red_stop_lamp": 0, "malfunction_indicator_lamp": 0, "flash_lamps": 0xFF,
            "spn_low_byte": 100, "spn_second_byte": 0, "spn_high_3_bits": 0, "fmi": 1, "spn_conversion_method": 0},
    "REQUEST_FOR_DGN": {"desired_dgn": 0x0FEEB},
    "ACKNOWLEDGMENT": {"source_address_acknowledged": 0x44, "dgn_acknowledged": 0x0FEEB},
    "ADDRESS_CLAIM": {"serial_number": 12345, "manufacturer_code": 0, "node_instance": 0, "function_instance": 0,
                      "compatibility_field_1": 0, "compatibility_field_2": 0, "compatibility_field_3": 0,
                      "compatibility_field_4": 0, "reserved_bit": 0},
}  # fmt: skip
"""Raw integers of the network's own messages whose fields belong together; the rest has usual values."""
ANNOUNCEMENT = bytes.fromhex("20140003FFEBFE00")
"""The first frame of a long message to all, 20 bytes in 3 packets: its layout depends on byte 0 (SAE J1939-21)."""
ANY_ADDRESS = 0x80
"""The source address of an example for which no shipped rig has a sender: the first one that a node may choose itself
(SAE J1939-81, from memory)."""


def example_frame(spec: MessageSpec, found: Sequence[Party] = ()) -> Frame:
    """Return a frame with an ordinary value in each field.

    Args:
        spec: a message with fields.
        found: the devices that send it or take it; the first of each kind gives address and instance.
    """
    sender = next((one for one in found if one.sends), None)
    known = sender or next(iter(found), None)
    raws = {field.name: _usual(field) for field in spec.fields}
    raws |= {name: raw for name, raw in SERVICES.get(spec.name, {}).items() if name in raws}
    if spec.instance is not None and known is not None and known.instance <= spec.instance.raw_limits[1]:
        raws[spec.instance.name] = known.instance
    destination = None
    if ident.is_addressed(spec.dgn):
        destination = ident.GLOBAL_ADDRESS
    source = sender.address if sender is not None else ANY_ADDRESS
    return Frame(
        0, spec.identifier(source, destination), ANNOUNCEMENT if spec.name == "INITIAL_PACKET" else spec.encode(raws)
    )


def _usual(field: FieldSpec) -> int:
    """Return the raw integer of an ordinary value of a field: a code with a name, or a value that suits its unit."""
    low, high = field.raw_limits
    named = [raw for raw in sorted(field.labels) if low <= raw <= high and field.state(raw) is State.VALUE]
    if named:
        return next((raw for raw in named if raw), named[0])
    wanted = USUAL.get(field.unit)
    if wanted is None:
        return min(max(1, low), high)
    raw = round((wanted * field.unit_steps - field.offset) / field.scale)
    return raw if low <= raw <= high and field.state(raw) is State.VALUE else min(max(1, low), high)
