"""A real browser for the tests of the display: Debian's chromium, driven by its own debugging protocol.

No driver program is needed: websockets (a dependency of the test extra) speaks to the port that chromium opens.
"""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

from tests.conftest import give_up

NAMES = ("chromium", "chromium-browser", "google-chrome")
START_S = 30.0


class Browser:
    """One page. `errors` collects console errors, `requests` every address that was asked for."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket, self._last = socket, 0
        self.errors: list[str] = []
        self.requests: list[str] = []
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.do(f"{domain}.enable")

    def do(self, method: str, **parameters: Any) -> Any:
        """One command of the protocol; its result."""
        self._last += 1
        self._socket.send(json.dumps({"id": self._last, "method": method, "params": parameters}))
        while True:
            message = json.loads(self._socket.recv(timeout=30))
            self._note(message)
            if message.get("id") == self._last:
                assert "error" not in message, message
                return message["result"]

    def open(self, url: str, width: int, height: int, *, dark: bool = False) -> None:
        """The page in a window of that size, loaded."""
        self.do(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
            mobile=width < 600,
        )  # fmt: skip
        look = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.do("Emulation.setEmulatedMedia", features=look)
        self.do("Page.navigate", url=url)
        self.wait("document.readyState === 'complete' && typeof picture === 'object'")

    def value(self, expression: str) -> Any:
        """What a script comes to."""
        found = self.do(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True, userGesture=True
        )
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def wait(self, expression: str, seconds: float = 20.0) -> None:
        """Until a script comes to something true."""
        end_s = time.monotonic() + seconds
        while True:
            with contextlib.suppress(AssertionError):
                if self.value(expression):
                    return
            assert time.monotonic() < end_s, f"not within {seconds:g} s: {expression}"
            time.sleep(0.05)

    def picture(self, file: Path, *, whole: bool = False) -> None:
        """A screenshot: of the window, or of the whole page."""
        taken = self.do("Page.captureScreenshot", captureBeyondViewport=whole)
        file.write_bytes(base64.b64decode(taken["data"]))

    def _note(self, message: dict[str, Any]) -> None:
        about = message.get("params", {})
        if message.get("method") == "Network.requestWillBeSent":
            self.requests.append(about["request"]["url"])
        elif message.get("method") == "Runtime.exceptionThrown":
            self.errors.append(str(about["exceptionDetails"]))
        elif message.get("method") == "Log.entryAdded" and about["entry"]["level"] == "error":
            self.errors.append(about["entry"]["text"])


@contextlib.contextmanager
def open_browser(profile: Path) -> Iterator[Browser]:
    """A browser of its own; skips the test when there is none."""
    program = next((found for name in NAMES if (found := shutil.which(name))), None)
    if program is None:
        give_up("no chromium on this machine (apt-get install chromium)")
    command = [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    command += [
        f"--{name}" for name in ("disable-background-networking", "disable-component-update", "disable-sync")
    ]
    command += ["--remote-debugging-port=0", f"--user-data-dir={profile}", "--no-first-run", "about:blank"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        with connect(_page_address(profile, process), max_size=None) as socket:
            yield Browser(socket)
    finally:
        process.terminate()
        process.wait(20)


def _page_address(profile: Path, process: subprocess.Popen[bytes]) -> str:
    end_s = time.monotonic() + START_S
    while time.monotonic() < end_s and process.poll() is None:
        with contextlib.suppress(OSError, ValueError, IndexError, StopIteration):
            port = (profile / "DevToolsActivePort").read_text().split("\n")[0]
            with urllib.request.urlopen(f"http://127.0.0.1:{int(port)}/json/list", timeout=5) as answer:
                pages = json.load(answer)
            return str(next(p["webSocketDebuggerUrl"] for p in pages if p["type"] == "page"))
        time.sleep(0.1)
    raise AssertionError("the browser did not start")
