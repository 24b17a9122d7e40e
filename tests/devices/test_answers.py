"""What a node answers to requests and commands written by hand, byte by byte (SAE J1939-21; RV-C's instance)."""

from itertools import pairwise

import pytest

REQUEST, ACK, HEARTBEAT, AMBIENT = 0x0EA00, 0x0E800, 0x1FECA, 0x1FF9C
PRODUCT, SOFTWARE, DM1, CONNECTION, PACKET, CLAIM = 0x0FEEB, 0x0FEDA, 0x0FECA, 0x0EC00, 0x0EB00, 0x0EE00
TOOL = 0xF9


@pytest.fixture
def sensor(alone):
    """A temperature sensor at address 80 hex, instance 1, three seconds after it was switched on."""
    return alone("ambient", ambient_sensor=1).until(3)


def packets(sensor) -> str:
    """The text of the packets sent so far."""
    data = b"".join(bytes.fromhex(text)[1:] for _, text in sensor.of(PACKET))
    return data.rstrip(b"\xff").decode("ascii")


def test_its_status_comes_at_once_on_request(sensor):
    """After a request for 1FF9C (9C FF 01) to it alone it sends it now; the next one is due a whole gap later."""
    before = len(sensor.of(AMBIENT))
    sensor.put(0x18EA80F9, "9C FF 01")
    times = [time for time, _ in sensor.until(9).of(AMBIENT)]
    assert times[before] == pytest.approx(3.0, abs=0.01)
    assert times[before + 1] == pytest.approx(8.0, abs=0.01)
    assert sensor.of(ACK) == []


def test_each_node_answers_a_request_to_all_after_its_own_delay(alone):
    """To all: within 153 ms, and two devices of one seed do not wait alike."""
    waits = []
    for kind, functions in (("ambient", {"ambient_sensor": 1}), ("roof_fan", {"roof_fan": 1})):
        device = alone(kind, **functions).until(3)
        before = len(device.of(HEARTBEAT))
        device.put(0x18EAFFF9, "CA FE 01", wait=0.2)
        (time, _), *_ = device.of(HEARTBEAT)[before:]
        waits.append(time - 3)
    assert all(0 < wait < 0.155 for wait in waits)
    assert abs(waits[0] - waits[1]) > 0.001


@pytest.mark.parametrize(("instance", "answers"), [("01", 1), ("FF", 1), ("02", 0)])
def test_an_instance_is_heeded(sensor, instance, answers):
    """Byte 3 names it: its own or none is answered, another one is refused with that instance in the refusal."""
    before = len(sensor.of(AMBIENT))
    sensor.put(0x18EA80F9, f"9C FF 01 {instance} FF FF FF FF")
    assert len(sensor.of(AMBIENT)) - before == answers
    refusals = [data for _, data in sensor.of(ACK)]
    assert refusals == ([] if answers else ["01 02 FF FF F9 9C FF 01"])


def test_an_unknown_dgn_is_refused_only_after_a_request_to_it_alone(sensor):
    """FURNACE_STATUS (E4 FF 01): code 1, asker F9 in byte 4, the DGN in the last three; to all: nothing."""
    sensor.put(0x18EA80F9, "E4 FF 01")
    assert sensor.of(ACK)[0][1] == "01 FF FF FF F9 E4 FF 01"
    sensor.put(0x18EAFFF9, "E4 FF 01", wait=0.3)
    sensor.put(0x18EA81F9, "E4 FF 01", wait=0.3)
    assert len(sensor.of(ACK)) == 1


def test_what_only_a_maker_can_read_is_denied(sensor):
    """EF00: access denied, code 2."""
    sensor.put(0x18EA80F9, "00 EF 00")
    assert sensor.last(ACK) == "02 FF FF FF F9 00 EF 00"


def test_a_request_that_is_cut_off_is_none(sensor):
    """Two bytes name no DGN."""
    sensor.put(0x18EA80F9, "E4 FF")
    assert sensor.of(ACK) == []


def test_its_product_goes_in_packets_to_the_requester(sensor):
    """Request to send, and after the answer "send all from 1 on" the packets; then it is acknowledged."""
    sensor.put(0x18EA80F9, "EB FE 00")
    (_, offer), *_ = sensor.of(CONNECTION)
    body = bytes.fromhex(offer)
    size, count = int.from_bytes(body[1:3], "little"), body[3]
    assert (body[0], body[5:].hex().upper(), count) == (16, "EBFE00", -(-size // 7))
    sensor.put(0x1CEC80F9, f"11 {count:02X} 01 FF FF EB FE 00", wait=1)
    assert packets(sensor)[:size].startswith("rvsim bench*simulated ambient*")
    assert len(packets(sensor)) == size
    assert [bytes.fromhex(data)[0] for _, data in sensor.of(PACKET)] == list(range(1, count + 1))


def test_its_product_is_announced_after_a_request_to_all(sensor):
    """An announcement to all, then packets at least 50 ms apart (SAE J1939-21)."""
    sensor.put(0x18EAFFF9, "EB FE 00", wait=2)
    (_, offer), *more = sensor.of(CONNECTION)
    assert (offer[:2], more) == ("20", [])
    times = [time for time, _ in sensor.of(PACKET)]
    assert all(0.05 <= round(later - earlier, 6) <= 0.2 for earlier, later in pairwise(times))
    assert packets(sensor).count("*") == 4


def test_a_busy_node_answers_that_it_is_busy(sensor):
    """The same text requested again and again before the first was sent: at some point "cannot respond now", code 3."""
    for _ in range(40):
        sensor.put(0x18EA80F9, "EB FE 00", wait=0.001)
    sensor.until(3.5)
    assert "03 FF FF FF F9 EB FE 00" in [data for _, data in sensor.of(ACK)]


def test_its_software_fits_one_frame_or_goes_in_packets(sensor):
    """The first byte counts the fields."""
    sensor.put(0x18EAFFF9, "DA FE 00", wait=2)
    assert sensor.of(CONNECTION)[0][1].endswith("DA FE 00")
    assert packets(sensor) == "\x01ambient 1.0*"


def test_without_a_fault_its_report_is_one_frame(sensor):
    """DM1 on request: lamps off, SPN 0 and FMI 0."""
    sensor.put(0x18EA80F9, "CA FE 00")
    assert sensor.last(DM1) == "00 FF 00 00 00 00 FF FF"


def test_before_it_has_an_address_it_answers_nothing(alone):
    """Within the 250 ms for objections."""
    device = alone("ambient", ambient_sensor=1).until(0.1).put(0x18EA80F9, "E4 FF 01")
    assert device.of(ACK) == []


@pytest.mark.parametrize(
    ("data", "code"),
    [
        ("04 FF FF FF FF FF FF FF", "00"),  # clear faults: bits 2 and 3
        ("01 FF FF FF FF FF FF FF", "00"),  # reboot
        ("05 FF FF FF FF FF FF FF", "00"),  # reboot and clear faults in one
        ("10 FF FF FF FF FF FF FF", "02"),  # reset to default settings: denied, they are the rig's
        ("40 FF FF FF FF FF FF FF", "01"),  # reset statistics: there are none
    ],
)
def test_a_reset_of_it_alone_is_acknowledged(sensor, data, code):
    """GENERAL_RESET 17F00 to address 80 hex; the answer names the command and who gave it."""
    sensor.put(0x197F80F9, data)
    assert sensor.last(ACK) == f"{code} FF FF FF F9 00 7F 01"


def test_a_reboot_claims_the_address_again(sensor):
    """And sends again after the 250 ms for contending claims."""
    sensor.put(0x197F80F9, "01 FF FF FF FF FF FF FF").until(20)
    assert len(sensor.of(CLAIM)) == 2
    assert sensor.of(AMBIENT)[-1][0] > 15


def test_a_reset_of_all_is_obeyed_without_an_answer(sensor):
    """A command to all is not acknowledged; one that requests nothing does nothing."""
    sensor.put(0x197FFFF9, "01 FF FF FF FF FF FF FF", wait=0.1)
    sensor.put(0x197FFFF9, "FF FF FF FF FF FF FF FF", wait=0.1)
    assert len(sensor.of(CLAIM)) == 2
    assert sensor.of(ACK) == []
