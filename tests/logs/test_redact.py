"""Logs made anonymous: what is replaced, what stays, and that a survey finds the same flags."""

import json
from functools import cache
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rvsim.devices.registry import settings_models
from rvsim.logs.blocks import to_blocks
from rvsim.logs.read import open_log
from rvsim.logs.redact import RedactingWriter, Redactor
from rvsim.logs.survey import survey
from rvsim.rig.load import load_rig
from rvsim.runs.bench import VirtualBenchRun
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario
from rvsim.wire.claim import ADDRESS_CLAIM
from rvsim.wire.database import load_catalogue
from rvsim.wire.frame import SECOND_US, Frame
from rvsim.wire.ident import dgn_of, join_identifier
from rvsim.wire.line_events import ErrorFrame, ErrorState, ListeningResumed, LogEnded, Marked, StateChanged
from rvsim.wire.name import Name
from rvsim.wire.texts import Product, pack_product, read_product
from rvsim.wire.transfer.listener import LongMessageListener
from rvsim.wire.transfer.outcomes import LongMessage, TransferProblem
from rvsim.wire.transfer.packets import BroadcastAnnounce, control_frame, packet_frame, packets_for

MARINE = Path(__file__).parents[1] / "data" / "marine_bus_2014.log"
SCENARIOS = ("new_firmware", "two_on_one_address", "duplicate_instance", "heater_goes_quiet", "babbling_node")
"""Scenarios with NAMEs, long messages, contests, silence and unknown messages."""
PRODUCT_ID, COMMANDED, VIN = 0x0FEEB, 0x0FED8, 0x0FEEC
UNKNOWN = 0x1FABB
WITH_NUMBERS = {"ADDRESS_CLAIM", "DATA_PACKET", "INITIAL_PACKET", "GENERIC_CONFIGURATION_STATUS"}
"""Messages with fields that have a test of their own."""


def redactor(catalogue, seed=1, **more):
    """Return a redactor whose substitutes do not change from run to run."""
    return Redactor(catalogue, random=Random(seed), **more)


def broadcast(dgn, data, source=0x5E, time=0):
    """Return the frames of a long message to all."""
    announce = BroadcastAnnounce(len(data), packets_for(len(data)), dgn)
    frames = [Frame(time, *control_frame(announce, source, 0xFF))]
    for number in range(1, packets_for(len(data)) + 1):
        frames.append(Frame(time + 60_000 * number, *packet_frame(data, number, source, 0xFF)))
    return frames


def messages_in(frames):
    """Return the long messages and the problems that a listener finds."""
    listener, found = LongMessageListener(), []
    for frame in frames:
        found += listener.receive(frame.time, frame.identifier, frame.data)
    return found


def claim(address, name, time=0):
    """Return an address claim."""
    return Frame(time, join_identifier(6, ADDRESS_CLAIM, address, 0xFF), name.to_bytes())


# NAMEs.

NAMES = st.builds(
    Name,
    serial_number=st.integers(1, (1 << 21) - 2),
    manufacturer_code=st.integers(1, (1 << 11) - 2),
    function_instance=st.integers(0, 31),
    compatibility_field_1=st.integers(0, 255),
    arbitrary_address_capable=st.integers(0, 1),
)


@given(st.lists(NAMES, min_size=1, max_size=20))
def test_a_name_keeps_all_but_manufacturer_and_serial_number(catalogue, names):
    """Claims stay valid; two units stay two; of two NAMEs the lower one stays the lower one."""
    made = redactor(catalogue)
    found = {name: Name.from_bytes(made.frame(claim(0x80, name)).data) for name in names}
    for name, other in found.items():
        assert made.frame(claim(0x81, name)).data == other.to_bytes()
        assert (name.serial_number, name.manufacturer_code) != (other.serial_number, other.manufacturer_code)
        assert name.serial_number != other.serial_number
        assert int(name) >> 32 == int(other) >> 32
    ordered = sorted(found, key=int)
    assert [found[name] for name in ordered] == sorted(found.values(), key=int)
    assert len(set(found.values())) == len(found)


def test_units_of_one_manufacturer_stay_so(catalogue):
    """And the number of NAMEs is told."""
    made = redactor(catalogue)
    found = [
        Name.from_bytes(made.frame(claim(0x80, Name(serial_number=number, manufacturer_code=maker))).data)
        for number, maker in ((5, 111), (6, 111), (5, 112))
    ]
    assert found[0].manufacturer_code == found[1].manufacturer_code != found[2].manufacturer_code
    assert next(made.closing_lines()).startswith("redacted: 3 NAMEs and 0 pieces of text replaced")


def test_a_commanded_address_names_the_same_unit(catalogue):
    """In the packets of its long message."""
    name, made = Name(serial_number=4711, manufacturer_code=99, function_instance=3), redactor(catalogue)
    claimed = made.frame(claim(0x80, name)).data
    frames = [made.frame(frame) for frame in broadcast(COMMANDED, name.to_bytes() + b"\x90")]
    (message,) = messages_in(frames)
    assert isinstance(message, LongMessage)
    assert message.data == claimed + b"\x90"


@pytest.mark.parametrize("data", [b"", b"\1\2\3"])
def test_a_claim_that_is_too_short_is_blanked(catalogue, data):
    """Nobody knows what it says; its length stays."""
    frame = Frame(0, join_identifier(6, ADDRESS_CLAIM, 0x80, 0xFF), data)
    assert redactor(catalogue).frame(frame).data == b"\xff" * len(data)


# Texts.


def test_a_product_identification_is_replaced_over_all_its_packets(catalogue):
    """Valid packets, the same fields of the same lengths, none of the old words; the same for the same."""
    product, made = Product("Ottersby Works", "Warm 5000", "SN-998877", "unit 1"), redactor(catalogue)
    (message,) = messages_in([made.frame(frame) for frame in broadcast(PRODUCT_ID, pack_product(product))])
    found = read_product(message.data)
    assert [len(field) for field in found] == [len(field) for field in product]
    assert not set(found) & set(product)
    assert "998877" not in str(found)
    again = messages_in([made.frame(frame) for frame in broadcast(PRODUCT_ID, pack_product(product), 0x44, SECOND_US)])
    assert again[0].data == message.data
    other = pack_product(product._replace(serial_number="SN-998878"))
    (different,) = messages_in([made.frame(frame) for frame in broadcast(PRODUCT_ID, other, 0x45, 2 * SECOND_US)])
    assert read_product(different.data)[:2] == found[:2]
    assert read_product(different.data) != found


def test_a_vehicle_identification_is_replaced(catalogue):
    """Digits by digits, letters by letters."""
    vin = b"1ABCD23EFGH456789*"
    made = redactor(catalogue)
    (message,) = messages_in([made.frame(frame) for frame in broadcast(VIN, vin)])
    assert len(message.data) == len(vin)
    assert message.data != vin
    assert message.data.endswith(b"*")
    assert [byte in b"0123456789" for byte in message.data] == [byte in b"0123456789" for byte in vin]


def test_packets_of_several_senders_do_not_mix(catalogue):
    """Each belongs to the message that its own sender announced."""
    product, fault = pack_product(Product("Make", "Model", "12345678")), bytes(range(20))
    frames = sorted([*broadcast(PRODUCT_ID, product, 0x10), *broadcast(0x0FECA, fault, 0x20)])
    made = redactor(catalogue)
    found = {message.source: message.data for message in messages_in([made.frame(frame) for frame in frames])}
    assert found[0x20] == fault
    assert found[0x10] != product


def test_packets_of_several_channels_do_not_mix(catalogue):
    """One address on two buses: each packet belongs to the message of its own bus."""
    product, made = pack_product(Product("Make", "Model", "12345678")), redactor(catalogue)
    texts, faults = broadcast(PRODUCT_ID, product, 0x10), broadcast(0x0FECA, bytes(range(20)), 0x10)
    for text, fault in zip(texts, faults, strict=False):
        assert (made.frame(text, "can0").data == text.data) == (text is texts[0])
        assert made.frame(fault, "can1") == fault


def test_a_packet_without_its_beginning_is_blanked(catalogue):
    """A log may begin in the middle of a message; its number stays."""
    frames = broadcast(PRODUCT_ID, pack_product(Product("Make", "Model", "12345678")))
    made = redactor(catalogue)
    for frame in frames[1:]:
        assert made.frame(frame).data == frame.data[:1] + b"\xff" * 7


def test_a_packet_long_after_its_message_is_blanked(catalogue):
    """What was announced minutes ago has ended."""
    frames = broadcast(0x0FECA, bytes(range(20)))
    made = redactor(catalogue)
    assert made.frame(frames[0]) == frames[0]
    assert made.frame(frames[1]) == frames[1]
    late = frames[2]._replace(time=60 * SECOND_US)
    assert made.frame(late).data == late.data[:1] + b"\xff" * 7


def test_packets_after_the_last_one_are_blanked(catalogue):
    """A message to all has ended with its last packet."""
    made = redactor(catalogue)
    frames = broadcast(0x0FECA, bytes(range(20)))
    for frame in frames:
        assert made.frame(frame) == frame
    assert made.frame(frames[1]).data == frames[1].data[:1] + b"\xff" * 7


def test_a_message_between_two_nodes_keeps_its_repeated_packets(catalogue):
    """A repeated packet is the same again, so that nobody calls it contradicted; after the end nothing is known."""
    data = pack_product(Product("Make", "Model", "12345678"))
    from rvsim.wire.transfer.packets import ClearToSend, EndOfMessage, RequestToSend

    count = packets_for(len(data))
    frames = [
        Frame(0, *control_frame(RequestToSend(len(data), count, 255, PRODUCT_ID), 0x10, 0x20)),
        Frame(1000, *control_frame(ClearToSend(count, 1, PRODUCT_ID), 0x20, 0x10)),
        *(Frame(2000 + n, *packet_frame(data, n, 0x10, 0x20)) for n in range(1, count + 1)),
        Frame(3000, *control_frame(ClearToSend(1, 2, PRODUCT_ID), 0x20, 0x10)),
        Frame(4000, *packet_frame(data, 2, 0x10, 0x20)),
        Frame(5000, *control_frame(EndOfMessage(len(data), count, PRODUCT_ID), 0x20, 0x10)),
    ]
    made = redactor(catalogue)
    found = messages_in([made.frame(frame) for frame in frames])
    assert [event.kind for event in found if isinstance(event, TransferProblem)] == [
        event.kind for event in messages_in(frames) if isinstance(event, TransferProblem)
    ]
    assert sum(isinstance(event, LongMessage) for event in found) == 1
    after = Frame(6000, *packet_frame(data, 3, 0x10, 0x20))
    assert made.frame(after).data == after.data[:1] + b"\xff" * 7


# What is unknown.


@pytest.mark.parametrize("dgn", [UNKNOWN, 0x0EF00, 0x1EF00, 0x0FF12, 0x0FFFF, 0x1FF82])
def test_unknown_and_proprietary_data_are_blanked_or_kept_on_request(catalogue, dgn):
    """Also of a message that is known by name only; length and identifier stay, and both ways are said."""
    frame = Frame(7, join_identifier(6, dgn, 0x80, 0x20 if dgn >> 8 & 0xFF < 0xF0 else None), b"\1\2\3\4\5")
    made = redactor(catalogue)
    assert made.frame(frame) == frame._replace(data=b"\xff" * 5)
    assert "the data of 1 unknown, proprietary or position messages blanked" in next(made.closing_lines())
    kept = redactor(catalogue, keep_unknown=True)
    assert kept.frame(frame) == frame
    assert "the data of 1 unknown and proprietary messages, which may hold anything" in list(kept.closing_lines())[1]


@pytest.mark.parametrize("dgn", [0x0FEF3, 0x1F801, 0x1F805, 0x17E00])
@pytest.mark.parametrize("keep", [False, True])
def test_positions_and_terminals_are_blanked_in_any_case(catalogue, dgn, keep):
    """They are not what somebody wants to keep as unknown."""
    frame = Frame(7, join_identifier(6, dgn, 0x80, 0xFF if dgn >> 8 & 0xFF < 0xF0 else None), bytes(8))
    assert redactor(catalogue, keep_unknown=keep).frame(frame).data == b"\xff" * 8


def test_an_unknown_long_message_is_blanked(catalogue):
    """Over all its packets, unless it is kept."""
    frames = broadcast(UNKNOWN, bytes(range(20)))
    made, kept = redactor(catalogue), redactor(catalogue, keep_unknown=True)
    assert {made.frame(frame).data[1:] for frame in frames[1:2]} == {b"\xff" * 7}
    assert [kept.frame(frame) for frame in frames] == frames
    assert [made.frame(frame).data[0] for frame in broadcast(UNKNOWN, bytes(20))[1:]] == [1, 2, 3]


@pytest.mark.parametrize("keep", [False, True])
@pytest.mark.parametrize("dgn", [0x1F805, 0x0FEF3])
def test_a_position_in_a_long_message_is_blanked_in_any_case(catalogue, dgn, keep):
    """Whatever is kept of unknown messages, and whether the position has a name or not."""
    made = redactor(catalogue, keep_unknown=keep)
    frames = [made.frame(frame) for frame in broadcast(dgn, bytes(range(20)))]
    assert {frame.data[1:] for frame in frames[1:]} == {b"\xff" * 7}


def test_a_proprietary_message_that_the_user_defines_is_blanked(tmp_path):
    """Its maker's numbers are nobody else's business, known or not; on request they stay."""
    (tmp_path / "own.dbc").write_text(
        'VERSION ""\nBU_: x\nBO_ 2566853374 OWN: 8 x\n SG_ level : 0|8@1+ (1,0) [0|0] "" x\n'
    )
    catalogue = load_catalogue([tmp_path / "own.dbc"], cache=tmp_path / "cache")
    spec = catalogue.by_name("OWN")
    frame = Frame(0, spec.identifier(0x80), bytes(8))
    assert 0x0FF00 <= spec.dgn <= 0x0FFFF
    assert redactor(catalogue).frame(frame).data == b"\xff" * 8
    assert redactor(catalogue, keep_unknown=True).frame(frame) == frame


def test_known_messages_stay(catalogue):
    """Every message with fields but those with numbers of units."""
    made = redactor(catalogue)
    for name in catalogue.names:
        spec = catalogue.by_name(name)
        if not spec.fields or name in (
            "ADDRESS_CLAIM",
            "DATA_PACKET",
            "INITIAL_PACKET",
            "GENERIC_CONFIGURATION_STATUS",
        ):
            continue
        frame = Frame(0, spec.identifier(0x80, 0xFF if spec.dgn >> 8 & 0xFF < 0xF0 else None), bytes(range(8)))
        assert made.frame(frame) == frame, name


def test_a_manufacturer_code_elsewhere_is_that_of_the_names(catalogue):
    """GENERIC_CONFIGURATION_STATUS has it too; its other fields stay."""
    made, spec = redactor(catalogue), catalogue.by_name("GENERIC_CONFIGURATION_STATUS")
    claimed = Name.from_bytes(made.frame(claim(0x80, Name(serial_number=5, manufacturer_code=321))).data)
    frame = Frame(0, spec.identifier(0x80), spec.pack(manufacturer_code=321))
    found = made.frame(frame)
    before, after = ({one.field.name: one.raw for one in spec.decode(data)} for data in (frame.data, found.data))
    assert after["manufacturer_code"] == claimed.manufacturer_code != 321
    assert {**before, "manufacturer_code": 0} == {**after, "manufacturer_code": 0}
    short = frame._replace(data=frame.data[:1])
    assert made.frame(short) == short


def test_fields_of_the_users_own_definitions(tmp_path):
    """Serial numbers get a substitute, positions are blanked, in both byte orders; everything else stays."""
    (tmp_path / "own.dbc").write_text(
        'VERSION ""\nBU_: x\nBO_ 2583642366 OWN: 8 x\n SG_ serial_number : 7|16@0+ (1,0) [0|0] "" x\n'
        ' SG_ latitude : 16|24@1+ (1,0) [0|0] "" x\n SG_ level : 40|8@1+ (1,0) [0|0] "" x\n'
    )
    catalogue = load_catalogue([tmp_path / "own.dbc"], cache=tmp_path / "cache")
    spec, made = catalogue.by_name("OWN"), redactor(catalogue)
    frame = Frame(0, spec.identifier(0x80), bytes.fromhex("1234ABCDEF5099AA"))
    found = made.frame(frame).data
    assert found[:2] != frame.data[:2]
    assert found[2:] == bytes.fromhex("FFFFFF5099AA")
    assert made.frame(frame).data == found


# Names and events.


def test_names_of_files_channels_and_nodes(catalogue):
    """Numbered by their kind, the same for the same; no name stays no name."""
    made = redactor(catalogue)
    names = [
        made.name("log", "smith.log"),
        made.name("bus", "can0"),
        made.name("log", "b"),
        made.name("log", "smith.log"),
    ]
    assert names == ["log_1", "bus_1", "log_2", "log_1"]
    assert made.name("bus", "") == ""


def test_events_have_no_names_and_no_free_text(catalogue):
    """The node of a state, why nobody listened, and a long description of an error; the rest stays."""
    made = redactor(catalogue)
    state = StateChanged(1, "Smith's heater", ErrorState.PASSIVE, 128, 0)
    assert made.event(state) == state._replace(node="node_1")
    assert made.event(state._replace(node="this adapter")) == state._replace(node="this adapter")
    gap = ListeningResumed(9, 2, "no route to 10.1.2.3")
    assert made.event(gap) == ListeningResumed(9, 2, "")
    assert made.event(Marked(9, "at Anna's house")) == Marked(9, "")
    error = ErrorFrame(3, "bit error")
    assert made.event(error) == error
    assert made.event(ErrorFrame(3, "x" * 61)).about == ""
    assert made.event(LogEnded(3)) == LogEnded(3)


# Whole logs.


@cache
def shared_catalogue():
    """Return the shipped definitions."""
    return load_catalogue()


class Keeper:
    """Keeps what a run records."""

    def __init__(self):
        self.entries = []

    def write(self, frame):
        """Keep a frame."""
        self.entries.append(frame)

    def write_event(self, event):
        """Keep an event that recordings have."""
        if isinstance(event, ErrorFrame | StateChanged):
            self.entries.append(event)

    def flush(self):
        """Nothing waits."""


@cache
def entries_of(name):
    """Return the entries of a recorded bus, or of a scenario's run."""
    if name == "marine":
        with open_log(MARINE) as log:
            return list(log.contents())
    keeper = Keeper()
    loaded = load_scenario(name, settings_models())
    run = VirtualBenchRun(loaded, shared_catalogue(), NullSink(), seed=7, recorder=keeper)
    run.run(loaded.scenario.lasts)
    return keeper.entries


def flags_of(entries, rig=None):
    """Return the kinds and subjects of the flags that a survey finds."""
    return sorted((flag.kind, flag.subject) for flag in survey(entries, shared_catalogue(), rig).flags)


@pytest.mark.parametrize("name", ["marine", *SCENARIOS])
@pytest.mark.parametrize("keep", [False, True])
def test_a_redacted_log_surveys_to_the_same_flags(name, keep):
    """Kinds and subjects, with a rig and without one; no serial number of a unit is left."""
    entries = entries_of(name)
    redacted = list(map(redactor(shared_catalogue(), keep_unknown=keep).entry, entries))
    assert [(entry.time, type(entry)) for entry in redacted] == [(entry.time, type(entry)) for entry in entries]
    assert flags_of(redacted) == flags_of(entries)
    if name != "marine":
        rig = load_rig("ottersby")
        assert flags_of(redacted, rig) == flags_of(entries, rig)
    claims = {entry.data for entry in entries if isinstance(entry, Frame) and dgn_of(entry.identifier) == ADDRESS_CLAIM}
    left = {entry.data for entry in redacted if isinstance(entry, Frame) and dgn_of(entry.identifier) == ADDRESS_CLAIM}
    assert claims
    assert len(claims) == len(left)
    assert not claims & left


@pytest.mark.parametrize("name", ["marine", "two_on_one_address"])
@pytest.mark.parametrize("most", [7, 1 << 16])
def test_blocks_are_made_anonymous_as_frames_are(name, most):
    """The same substitutes from the same drawing, entry by entry."""
    entries = entries_of(name)
    one, other = redactor(shared_catalogue()), redactor(shared_catalogue())
    found = []
    for _, block in to_blocks((("", entry) for entry in entries), most):
        found += one.block(block).entries()
    assert found == list(map(other.entry, entries))


def test_a_writer_passes_everything_on(catalogue):
    """Frames, events and flushes."""
    kept = Keeper()
    writer = RedactingWriter(kept, redactor(catalogue))
    name = Name(serial_number=4711, manufacturer_code=99)
    writer.write(claim(0x80, name))
    writer.write_event(StateChanged(1, "mine", ErrorState.PASSIVE, 128, 0))
    writer.flush()
    assert kept.entries[0].data != name.to_bytes()
    assert kept.entries[1].node == "node_1"
    assert json.dumps(list(redactor(catalogue).closing_lines())).count("may remain") == 1
