"""A second process: what it sends, its errors, its end, and where there is none."""

import multiprocessing
import os
import signal
import sys
import threading

import pytest

from rvsim.errors import BusError
from rvsim.runs.second_process import ProcessLostError, SecondProcess, is_possible

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="a second process is a fork, on Linux alone")


@pytest.fixture
def restored_signals():
    """Give SIGTERM back what it did before."""
    before = signal.getsignal(signal.SIGTERM)
    yield
    signal.signal(signal.SIGTERM, before)


def test_what_is_sent_comes_in_its_order():
    """From another process, which knows what this one knew."""
    known = {"a": [1, 2]}

    def work(send):
        send(os.getpid())
        for number in range(1000):
            send((number, known))

    with SecondProcess(work, "counted") as counting:
        assert counting.receive() != os.getpid()
        assert [counting.receive() for _ in range(1000)] == [(number, known) for number in range(1000)]
    assert multiprocessing.active_children() == []


def test_its_errors_are_raised_here_with_their_place():
    """Those of ours with their lines, others with the traceback of the process."""

    def lose(send):
        send(1)
        raise BusError("the bus was lost")

    with SecondProcess(lose, "failed") as failing:
        assert failing.receive() == 1
        with pytest.raises(BusError, match="the bus was lost") as raised:
            failing.receive()
    assert "raise BusError(" in str(raised.value.__cause__)


def test_an_error_that_cannot_be_sent_keeps_its_name():
    """A class that only the other process knows, or one with other arguments."""

    def fail(_):
        raise type("OddError", (Exception,), {})("odd")

    with SecondProcess(fail, "failed") as failing, pytest.raises(RuntimeError, match="OddError: odd"):
        failing.receive()


@pytest.mark.parametrize(
    "end", [lambda _: os.kill(os.getpid(), signal.SIGKILL), lambda _: None], ids=["killed", "without a word"]
)
def test_a_process_that_has_ended_is_told_of(end):
    """Nobody waits for it for ever."""
    with (
        SecondProcess(end, "counted") as counting,
        pytest.raises(ProcessLostError, match=r"the process that counted was ended .*: close other programs"),
    ):
        counting.receive()


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_no_process_is_left_behind(error):
    """An error or Ctrl-C here ends it in the middle of its work, though it heeds no signal itself."""
    reader, writer = os.pipe()

    def work(send):
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        send("begun")
        for _ in range(50_000_000):  # some seconds
            pass
        os.write(writer, b"finished")

    def interrupted():
        with SecondProcess(work, "counted") as counting:
            counting.receive()
            raise error

    with pytest.raises(error):
        interrupted()
    assert multiprocessing.active_children() == []
    os.close(writer)
    assert os.read(reader, 8) == b""
    os.close(reader)


def test_nobody_who_takes_it_is_its_end_too():
    """What is not taken any more is no error: it ends, and prints nothing."""

    def work(send):
        while True:
            send(bytes(100_000))

    with SecondProcess(work, "counted") as counting:
        assert len(counting.receive()) == 100_000
    assert multiprocessing.active_children() == []


def test_ctrl_c_is_left_to_the_first_process(restored_signals):
    """It reaches both from a terminal; SIGTERM alone ends the second one, whatever it does in the first."""
    signal.signal(signal.SIGTERM, lambda *_: None)

    def work(send):
        os.kill(os.getpid(), signal.SIGINT)
        send("still here")
        os.kill(os.getpid(), signal.SIGTERM)
        send("not here")

    with SecondProcess(work, "counted") as counting:
        assert counting.receive() == "still here"
        with pytest.raises(ProcessLostError):
            counting.receive()


@pytest.mark.parametrize(
    ("where", "name", "value"),
    [
        (sys, "platform", "darwin"),
        (sys, "platform", "win32"),
        (os, "sched_getaffinity", lambda _: {0}),
        (threading, "active_count", lambda: 2),
        (multiprocessing, "parent_process", lambda: "another one"),
    ],
)
def test_where_there_is_none(monkeypatch, where, name, value):
    """Where a fork is not safe, without a processor of its own, and in a process that is one of several."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})
    monkeypatch.setattr(threading, "active_count", lambda: 1)
    assert is_possible()
    monkeypatch.setattr(where, name, value)
    assert not is_possible()
