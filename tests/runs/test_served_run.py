"""A bench that another program takes part in, over loopback: heard, obeyed, and standing in for a planned device."""

import re
import socket
import subprocess
import threading
from functools import partial

import can
import pytest

from rvsim.devices.registry import settings_models
from rvsim.edge.hub import HubStatistics
from rvsim.errors import InputError
from rvsim.faces.cli.exits import say
from rvsim.runs.control import RunControl
from rvsim.runs.paced_bench import PacedBenchRun
from rvsim.runs.served_run import serve_bench, summary_text
from rvsim.runs.sink import NullSink
from rvsim.shakedown.scenario import load_scenario

pytestmark = pytest.mark.paced

REQUEST_FURNACE = can.Message(arbitration_id=0x18EA5E42, data=bytes.fromhex("E4FF01"))
FURNACE_STATUS = 0x19FFE45E


@pytest.fixture
def serving(catalogue, capsys):
    """Serve a scenario twenty times as fast as the wall clock; returns the run and a client."""
    ends = []

    def go(scenario="winter_evening", **more):
        loaded = load_scenario(scenario, settings_models())
        control = RunControl(20.0)
        paced = partial(
            PacedBenchRun, loaded, catalogue, seed=1, control=control, channel=f"serving {len(ends)}", **more
        )
        block = serve_bench("0", paced, say)
        make = block.__enter__()
        port = int(re.search(r"port=(\d+)", capsys.readouterr().err)[1])
        run = make(NullSink())
        thread = threading.Thread(target=run.run, args=(None,))
        client = can.Bus(interface="socketcand", host="127.0.0.1", port=port, channel="rvsim", ignore_config=True)
        thread.start()
        ends.append((client, control, thread, block))
        return run, client, control

    yield go
    for client, control, thread, block in ends:
        control.stop()
        thread.join(5)
        client.shutdown()
        block.__exit__(None, None, None)


def until(client, identifier):
    """Return the next frame with an identifier, of the next 2,000."""
    for _ in range(2000):
        message = client.recv(5)
        assert message is not None
        if message.arbitration_id == identifier:
            return message
    raise AssertionError("never came")


def test_a_client_hears_the_devices_and_is_answered(serving):
    """Simulated time stamps, and a request that is answered before the status would come by itself."""
    _, client, _ = serving()
    first = until(client, FURNACE_STATUS).timestamp
    client.send(REQUEST_FURNACE)
    assert until(client, FURNACE_STATUS).timestamp - first < 4.9


def test_a_client_stands_in_for_a_planned_device(serving):
    """The roof fan is not simulated; what the client says of it makes it present for the watch."""
    run, client, control = serving(absent=["roof fan"])
    client.send(can.Message(arbitration_id=0x18EEFF90, data=bytes(8)))
    client.send(can.Message(arbitration_id=0x19FEA790, data=bytes.fromhex("01FFFFFFFFFFFFFF")))
    until(client, FURNACE_STATUS)
    until(client, FURNACE_STATUS)
    with control.lock:
        here = {one.device: str(one.state) for one in run.watch.roll_call}
    assert here["roof fan"] == "present"


def test_virtual_time_waits_for_nobody(rvsim):
    """So there is nothing to take part in."""
    code, _, err = rvsim("bench", "winter_evening", "--serve", "0", "--speed", "max", "--plain", "--seconds", "1")
    assert (code, "leave out --speed max" in err) == (2, True)


@pytest.mark.parametrize("ends", [KeyboardInterrupt, InputError])
def test_what_clients_did_is_counted_however_it_ends(capsys, ends):
    """A served bench is left with Ctrl-C more often than not."""
    with pytest.raises(ends), serve_bench("0", PacedBenchRun, say):
        raise ends
    assert "rvsim: 0 frames received from clients, 0 dropped for slow clients\n" in capsys.readouterr().err


def test_what_is_sent_before_there_is_a_run_is_kept_for_it(catalogue, capsys):
    """A client may be quicker than the bench is put together: its frame is on the wires at the beginning."""
    loaded = load_scenario("winter_evening", settings_models())
    paced = partial(PacedBenchRun, loaded, catalogue, seed=1, control=RunControl(20.0), channel="early")
    with serve_bench("0", paced, say) as make:
        port = int(re.search(r"port=(\d+)", capsys.readouterr().err)[1])
        with socket.create_connection(("127.0.0.1", port), 5) as early:
            for text in (b"< open rvsim >", b"< rawmode >", b"< send 19FEA790 1 1 >< echo >"):
                assert early.recv(64)
                early.sendall(text)
            assert early.recv(64) == b"< echo >"  # the frame before it was taken
            run = make(NullSink())
            run.run(1_000_000)
    assert "rvsim: 1 frame received from clients, 0 dropped for slow clients\n" in capsys.readouterr().err


def test_the_closing_line_counts_every_loss():
    """Each kind in words, the seldom ones only where there are any."""
    counts = HubStatistics(
        clients=1,
        received=9,
        dropped=2,
        invalid_clients=3,
        refused=4,
        excess_clients=5,
        late_handshakes=6,
        lost=7,
        under_way=8,
    )
    assert summary_text(counts) == (
        "9 frames received from clients, 2 dropped for slow clients, 7 never on the bus, "
        "8 not yet on the bus at the end, 4 not of this network, 3 clients disconnected for invalid input, "
        "6 clients disconnected before their handshake was finished, "
        "5 clients refused because there were too many"
    )
    assert (
        summary_text(HubStatistics(0, 0, 0, 0, 0, 0, 0, 0, 0))
        == "0 frames received from clients, 0 dropped for slow clients"
    )


def test_as_a_command(forked):
    """Served on loopback at the port that is told, without the device that is left out, and counted at the end."""
    options = ["--serve", "0", "--except", "roof fan", "--plain", "--speed", "20", "--seconds", "60"]
    with subprocess.Popen(**forked("bench", *options), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        port = int(re.search(rb"port=(\d+)", process.stderr.readline())[1])
        with can.Bus(
            interface="socketcand", host="127.0.0.1", port=port, channel="rvsim", ignore_config=True
        ) as client:
            client.send(REQUEST_FURNACE)
            client.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"1"))
            sources = {client.recv(5).arbitration_id & 0xFF for _ in range(100)}
        _, err = process.communicate(timeout=60)
    assert 0x90 not in sources
    assert 0x5E in sources
    assert b"1 frame received from clients, 0 dropped for slow clients, 1 not of this network" in err
    assert process.returncode == 0


def test_what_cannot_be_left_out_or_served(rvsim):
    """A line each, exit code 2."""
    code, _, err = rvsim("bench", "--except", "roof fn", "--plain", "--seconds", "1", "--speed", "max")
    assert (code, 'did you mean "roof fan"' in err) == (2, True)
    assert rvsim("bench", "--serve", "0.0.0.0:1", "--plain", "--seconds", "1")[0] == 2
    assert rvsim("bench", "--serve", "0", "--plain", "--seconds", "1", "--speed", "max")[0] == 2
