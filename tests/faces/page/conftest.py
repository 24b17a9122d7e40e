"""Pages to test, and a headless Chromium that shows them: it runs JavaScript, presses keys, prints.

Chromium is started offline and driven over its debugging pipe: file descriptors 3 and 4, JSON messages that end with a
zero byte (chromedevtools.github.io/devtools-protocol). This needs no library.
"""

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rvsim.faces.cli.commands import app

NAMES = ("chromium", "chromium-browser", "google-chrome")
OPTIONS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-default-apps",
    "--host-resolver-rules=MAP * ~NOTFOUND", "--remote-debugging-pipe", "--hide-scrollbars", "--mute-audio",
)  # fmt: skip
MAX_WAIT_S = 60
"""How long an answer may take; a busy machine must fail no test."""
START = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(end), fcntl.F_DUPFD, 10) for end in sys.argv[1:3]]
os.dup2(ends[0], 3)
os.dup2(ends[1], 4)
os.execv(sys.argv[3], sys.argv[3:])
"""
"""A program that becomes Chromium, with its end of the pipe in the places where Chromium looks for it."""
NEEDED = "RVSIM_TESTS_NEED_CHROMIUM"
"""The variable with which a missing Chromium is an error: `.ci/run` sets it."""
KEYS = {
    "ArrowLeft": 37, "ArrowRight": 39, "Home": 36, "End": 35, "Enter": 13, "Tab": 9, "Escape": 27, " ": 32,
    "+": 187, "-": 189, "/": 191,
}  # fmt: skip


def find_chromium():
    """Return the program, None where this machine has none."""
    if sys.platform == "win32":  # its processes have no numbered pipes
        return None
    return next((found for name in NAMES if (found := shutil.which(name))), None)


class Chromium:
    """One browser with one page; a context manager."""

    def __init__(self):
        self.events = []
        self._number, self._answers, self._buffer, self._session = 0, {}, b"", None

    def __enter__(self):
        self._folder = tempfile.TemporaryDirectory(prefix="rvsim-chromium", ignore_cleanup_errors=True)
        (to_read, self._write), (self._read, to_write) = os.pipe(), os.pipe()
        options = [*OPTIONS, f"--user-data-dir={self._folder.name}/profile", "about:blank"]
        self._process = subprocess.Popen(
            [sys.executable, "-c", START, str(to_read), str(to_write), find_chromium(), *options],
            pass_fds=(to_read, to_write), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, env={**os.environ, "HOME": self._folder.name},
        )  # fmt: skip
        os.close(to_read)
        os.close(to_write)
        try:
            target = self.call("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Network", "Log"):
                self.call(f"{domain}.enable")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_):
        session, self._session = self._session, None
        try:
            if session is not None:
                self.call("Browser.close")
                self._process.wait(MAX_WAIT_S)
        finally:
            self._process.kill()  # nothing happens to one that has ended
            self._process.wait()
            os.close(self._read)
            os.close(self._write)
            self._folder.cleanup()

    def call(self, method, **parameters):
        """Call a method of the DevTools protocol and return its result."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        rest = memoryview(json.dumps(message).encode() + b"\0")
        while rest:
            rest = rest[os.write(self._write, rest) :]
        number = self._number
        while number not in self._answers:
            self._receive()
        answer = self._answers.pop(number)
        assert "error" not in answer, (method, answer["error"])
        return answer["result"]

    def _receive(self):
        assert select.select([self._read], [], [], MAX_WAIT_S)[0], "Chromium does not answer"
        received = os.read(self._read, 1 << 20)
        assert received, "Chromium has ended"
        *messages, self._buffer = (self._buffer + received).split(b"\0")
        for message in map(json.loads, messages):
            if "id" in message:
                self._answers[message["id"]] = message
            else:
                self.events.append(message)

    def open(self, path, *, width=1200, height=900, scheme="light"):
        """Open a page of a file and wait until it is loaded."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.events.clear()
        self.call("Page.navigate", url=Path(path).resolve().as_uri())
        while not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self._receive()

    def run(self, script):
        """Return the value of an expression in the page; a promise is waited for."""
        answer = self.call("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def wait_for(self, condition):
        """Wait until an expression in the page is true."""
        self.run(
            "new Promise(done => { const check = () => { "
            f"if ({condition}) done(true); else setTimeout(check, 10) }}; check() }})"
        )

    def press(self, key):
        """Press a key."""
        code = KEYS[key]
        text = {"text": "\r"} if key == "Enter" else {"text": key} if len(key) == 1 else {}
        common = {"key": key, "windowsVirtualKeyCode": code, "code": key}
        self.call("Input.dispatchKeyEvent", type="keyDown", **common, **text)
        self.call("Input.dispatchKeyEvent", type="keyUp", **common)

    def problems(self):
        """Return the errors and warnings of the console, and uncaught errors."""
        found = []
        for event in self.events:
            about = event["params"]
            if event["method"] == "Runtime.exceptionThrown":
                found.append(about["exceptionDetails"])
            elif event["method"] == "Runtime.consoleAPICalled" and about["type"] in ("error", "warning", "assert"):
                found.append(about["args"])
            elif event["method"] == "Log.entryAdded" and about["entry"]["level"] in ("error", "warning"):
                found.append(about["entry"])
        return found

    def requests(self):
        """Return the addresses that the page requested, itself left out."""
        asked = [event["params"]["request"]["url"] for event in self.events
                 if event["method"] == "Network.requestWillBeSent"]  # fmt: skip
        return asked[1:]

    def screenshot(self, path, *, whole=False):
        """Write a picture of what is visible, or of the whole page."""
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(shot["data"]))

    def print(self):
        """Print on A4 and return the PDF."""
        printed = self.call("Page.printToPDF", paperWidth=8.27, paperHeight=11.69, preferCSSPageSize=True)
        return base64.b64decode(printed["data"])


@pytest.fixture(scope="session")
def chromium():
    """Start a Chromium, or skip the tests of the page's script where the machine has none."""
    if find_chromium() is None:
        why = f"no {', '.join(NAMES)} on this machine: what the script of a page does is not tested"
        if os.environ.get(NEEDED):
            pytest.fail(f"{why}, and {NEEDED} is set")
        pytest.skip(why)
    with Chromium() as browser:
        yield browser


@pytest.fixture(scope="session")
def quiet_log(tmp_path_factory):
    """Record two minutes of a heater that goes quiet, an outdoor sensor whose wire breaks, and all others."""
    path = tmp_path_factory.mktemp("logs") / "quiet.log"
    done = CliRunner().invoke(
        app, ["bench", "heater_goes_quiet", "--speed", "max", "--seconds", "120", "--record", str(path), "--plain"]
    )
    assert done.exit_code == 0, done.output
    return path


@pytest.fixture(scope="session")
def page_of(tmp_path_factory):
    """Survey a log and return its page as a file: ``page_of(log, *options)``."""

    def go(log, *options):
        page = tmp_path_factory.mktemp("pages") / "page.html"
        done = CliRunner().invoke(app, ["survey", str(log), "--html", str(page), *options])
        assert done.exit_code == 0, done.output
        return page

    return go


@pytest.fixture(scope="session")
def quiet_page(page_of, quiet_log):
    """Return the page of that log, compared with its rig."""
    return page_of(quiet_log, "--rig", "ottersby")


@pytest.fixture(scope="session")
def reference_page_of(tmp_path_factory):
    """Write the page of all messages and return its file: ``reference_page_of(*options)``."""

    def go(*options):
        page = tmp_path_factory.mktemp("pages") / "messages.html"
        done = CliRunner().invoke(app, ["spell", "--tables", str(page), *options])
        assert done.exit_code == 0, done.output
        return page

    return go
