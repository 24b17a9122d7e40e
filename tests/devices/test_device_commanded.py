"""A simulated device that is told to claim another address, by frames written by hand (SAE J1939-81, SAE J1939-21).

The commanded address is 0FED8 with nine bytes, the NAME's eight and the address: two packets. Here it comes from a tool
at F9 hex, to all (20 09 00 02 FF D8 FE 00) or to the device alone (10 09 00 02 FF D8 FE 00).
"""

import pytest

CLAIM, HEARTBEAT, AMBIENT = 0x0EE00, 0x1FECA, 0x1FF9C
OLD, NEW = 0x85, 0x9A
CHOOSES = "80C0FFEE00000001"
"""A NAME whose highest bit says that it may choose an address."""
STAYS = "00C0FFEE00000001"


class Told:
    """A device at 85 hex and the tool; ``sent`` is everything from ``since`` on, as (seconds, identifier, bytes)."""

    def __init__(self, alone, dynamic=True, name=CHOOSES, kind="ambient", since=3, **functions):
        plan = {"dynamic": dynamic, "claimed_name": name}
        self.device = alone(kind, OLD, plan=plan, **(functions or {"ambient_sensor": 1}))
        self.name = bytes.fromhex(name)[::-1]
        self.sent = []
        self.device.until(since)
        self.device.bench.on_frame = lambda frame: self.sent.append(
            (frame.time / 1e6, f"{frame.identifier:08X}", frame.data.hex(" ").upper())
        )

    def to_all(self, address=NEW, name=None, more=b"", dgn="D8 FE 00"):
        """Announce the commanded address, packets 50 ms apart."""
        data = (name or self.name) + bytes((address,)) + more
        self.device.put(0x1CECFFF9, f"20 {len(data):02X} 00 02 FF {dgn}", wait=0.05)
        for number in (1, 2):
            piece = data[7 * number - 7 : 7 * number].ljust(7, b"\xff")
            self.device.put(0x1CEBFFF9, f"{number:02X} {piece.hex()}", wait=0.05)
        return self

    def until(self, seconds):
        """Go on."""
        self.device.until(seconds)
        return self

    def claims(self):
        """Which claims were sent, by identifier."""
        return [identifier for _, identifier, _ in self.sent if identifier.startswith("18EEFF")]

    def sources(self, since):
        """From where anything was sent from a time on, but for the tool."""
        return {identifier[-2:] for time, identifier, _ in self.sent if time >= since} - {"F9"}


@pytest.fixture
def told(alone):
    """Put a device on a bench with the tool: ``told(dynamic=False)``."""
    return lambda **options: Told(alone, **options)


def test_a_dynamic_one_claims_the_new_address_and_works_there(told):
    """Claim from 9A hex, silence for 250 ms, then status and heartbeat from there at their old times."""
    one = told().to_all().until(30)
    (claimed, identifier, data), *_ = (sent for sent in one.sent if sent[1].startswith("18EE"))
    assert (identifier, bytes.fromhex(data)) == ("18EEFF9A", one.name)
    later = [(time, who) for time, who, _ in one.sent if time > claimed]
    assert later[0][0] - claimed >= 0.25
    assert one.sources(claimed) == {"9A"}
    status = [time for time, who, _ in one.sent if who == "19FF9C9A"]
    assert len(status) >= 4
    assert one.device.bench.devices[0].address == NEW


def test_its_state_goes_with_it(told):
    """A roof fan that was commanded to run keeps running: only its address changes."""
    one = told(kind="roof_fan", roof_fan=1)
    # ROOF_FAN_COMMAND_1 (1FEA6), instance 1, system and fan on (01 01 in the lowest bits), speed C8 = 100 %
    one.device.put(0x19FEA6F9, "01 F5 C8 FF FF FF FF FF", wait=2).until(30)
    one.to_all().until(60)
    before, after = ([data[:8] for _, who, data in one.sent if who == f"19FEA7{at}"] for at in ("85", "9A"))
    assert len(after) >= 4
    assert {before[-1], *after} == {"01 15 C8"}


def test_one_that_stays_leaves_it_alone(told):
    """Without ``dynamic`` in the rig nothing is claimed, and it stays at its address."""
    one = told(dynamic=False).to_all().until(20)
    assert one.claims() == []
    assert one.sources(3) == {"85"}


def test_it_is_obeyed_whether_or_not_the_name_is_address_capable(told):
    """The rig decides: a NAME that cannot choose an address can still be commanded to one."""
    one = told(name=STAYS).to_all().until(20)
    assert one.claims() == ["18EEFF9A"]


@pytest.mark.parametrize(
    ("case", "order"),
    [
        ("another NAME", {"name": bytes.fromhex("02000000EEFFC080")}),
        ("a NAME that differs in its highest bit", {"name": bytes.fromhex("01000000EEFFC000")}),
        ("the null address", {"address": 254}),
        ("the address of all", {"address": 255}),
        ("ten bytes", {"more": b"\x9b"}),
        ("fourteen bytes", {"more": bytes(5)}),
        ("another message of nine bytes", {"dgn": "D9 FE 00"}),
    ],
)
def test_what_does_not_concern_it_changes_nothing(told, case, order):
    """Another node's NAME, an address that no node can have, another length: no claim, and no pause."""
    one = told().to_all(**order).until(20)
    assert one.claims() == [], case
    assert one.sources(3) == {"85"}


def test_commanded_to_its_own_address_it_claims_it_and_does_not_pause(told):
    """The commander sees the claim; the sensor's next status comes when it would have come."""
    quiet, one = told().until(20), told().to_all(OLD).until(20)
    assert one.claims() == ["18EEFF85"]
    status = [[time for time, who, _ in each.sent if who == "19FF9C85"] for each in (quiet, one)]
    assert status[1] == pytest.approx(status[0], abs=0.002)


def test_a_stronger_holder_drives_it_on(told):
    """The holder answers the claim with its own, lower NAME: this one claims the next lower address and works there."""
    one = told().to_all()
    one.device.put(0x18EEFF9A, "00 00 00 00 00 00 00 00").until(20)
    assert one.claims() == ["18EEFF9A", "18EEFF9A", "18EEFF99"]
    assert one.sources(4) == {"99"}


def test_a_weaker_holder_loses_it(told):
    """The holder of the address loses the contest, and the device works at the new address."""
    one = told().to_all()
    one.device.put(0x18EEFF9A, "FF FF FF FF FF FF FF FF").until(20)
    assert one.claims() == ["18EEFF9A", "18EEFF9A", "18EEFF9A"]
    assert one.device.bench.devices[0].address == NEW


def test_one_without_an_address_receives_it_too(told):
    """Driven off by a lower NAME, with no choice: a command to all gives it an address again."""
    one = told(name=STAYS)
    one.device.put(0x18EEFF85, "00 00 00 00 00 00 00 00").until(5)
    assert one.claims() == ["18EEFF85", "18EEFFFE"]
    one.to_all().until(20)
    assert one.claims()[2:] == ["18EEFF9A"]
    assert one.sources(6) == {"9A"}
    assert one.device.bench.devices[0].address == NEW


def test_one_that_never_had_an_address_begins_its_work_at_the_new_one(told):
    """It lost its first contest before it had said anything: its status begins once it has been told where to be."""
    one = told(name=STAYS, since=0.1)
    one.device.put(0x18EEFF85, "00 00 00 00 00 00 00 00").until(5)
    assert one.sources(0.2) == {"FE"}
    one.to_all().until(12)
    assert one.claims() == ["18EEFF85", "18EEFFFE", "18EEFF9A"]
    assert {"19FECA9A", "19FF9C9A"} <= {who for _, who, _ in one.sent}


def test_it_may_come_to_the_device_alone(told):
    """Request to send, clear to send, two packets; acknowledged from the old address before the new one is claimed."""
    one = told()
    one.device.put(0x1CEC85F9, "10 09 00 02 FF D8 FE 00", wait=0.05)
    one.device.put(0x1CEB85F9, f"01 {one.name[:7].hex()}", wait=0.05)
    one.device.put(0x1CEB85F9, f"02 {one.name[7:].hex()} 9A FF FF FF FF FF", wait=0.05).until(20)
    own = [(who, data) for _, who, data in one.sent if who[-2:] in ("85", "9A") and who[2:4] in ("EC", "EE")]
    assert [who for who, _ in own] == ["1CECF985", "1CECF985", "18EEFF9A"]
    assert [data[:2] for _, data in own] == ["11", "13", own[2][1][:2]]


def test_a_single_frame_of_that_number_is_none(told):
    """Nine bytes do not fit in a frame: what comes in one is no commanded address."""
    one = told()
    one.device.put(0x18FED8F9, one.name.hex()).until(20)
    assert one.claims() == []


def test_a_reboot_keeps_the_commanded_address(told):
    """GENERAL_RESET, reboot: it claims the commanded address; only without power it forgets that (our decision)."""
    one = told().to_all()
    one.until(5).device.put(0x197F9AF9, "01 FF FF FF FF FF FF FF").until(8)
    assert one.claims() == ["18EEFF9A", "18EEFF9A"]
    one.device.bench.switch_off("ambient")
    one.device.bench.switch_on("ambient")
    one.until(9)
    assert one.claims()[2:] == ["18EEFF85"]


def test_a_request_reaches_it_at_the_new_address_only(told):
    """It ignores a request for an unknown DGN at the old address, and refuses it at the new one."""
    one = told().to_all().until(5)
    one.device.put(0x18EA85F9, "E4 FF 01").put(0x18EA9AF9, "E4 FF 01")
    assert [who for _, who, _ in one.sent if who[2:4] == "E8"] == ["18E8FF9A"]
