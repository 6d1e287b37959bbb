"""What the display costs the daemon, with four pages open and with none, at real speed.

    python tests/benchmarks/display_cost.py [windows of 15 s, default 6]

The demo's service is watched in turn without a page and with four that follow `/events`; its processor time of each
window is read from /proc (Linux only). Prints the share of one core of both and the difference. Nothing here is a test.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from monitor.outside.broker import free_port

PAGES = 4
WINDOW_S = 15.0
START_S = 20.0  # the belt is learnt, the stages have begun


def daemon(folder: str) -> int:
    """The process that runs the demo's station. Raises RuntimeError where there is none."""
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = entry.read_bytes().split(b"\0")
            if b"run" in words and any(word.startswith(folder.encode()) for word in words):
                return int(entry.parent.name)
    raise RuntimeError("the demo's service does not run")


def used_s(pid: int) -> float:
    """Processor time of a process so far, user and system."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def pages(port: int, count: int) -> Iterator[None]:
    """So many pages follow the display, each in its thread."""
    held = [socket.create_connection(("127.0.0.1", port), 10) for _ in range(count)]
    for page in held:
        page.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        threading.Thread(target=_read, args=(page,), daemon=True).start()
    yield
    for page in held:
        page.shutdown(socket.SHUT_RDWR)
        page.close()


def _read(page: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while page.recv(65536):
            pass


def main(windows: int) -> None:
    port, shares = free_port(), {0: list[float](), PAGES: list[float]()}
    with tempfile.TemporaryDirectory() as folder:
        words = ["--speed-up", "1", "--seed", "2", "--keep", folder, "--display", str(port)]
        demo = subprocess.Popen([sys.executable, "-m", "monitor", "demo", *words], stdout=subprocess.DEVNULL)
        try:
            time.sleep(START_S)
            pid = daemon(folder)
            for k in range(windows):
                with pages(port, count := PAGES * (k % 2)):
                    time.sleep(1.0)
                    before = used_s(pid)
                    time.sleep(WINDOW_S)
                    shares[count].append((used_s(pid) - before) / WINDOW_S)
                print(f"{count} pages: {100 * shares[count][-1]:.2f} % of a core", flush=True)
        finally:
            demo.send_signal(signal.SIGINT)
            demo.wait(20)
    alone, watched = (statistics.mean(shares[count]) for count in (0, PAGES))
    print(f"without a page {100 * alone:.2f} %, with {PAGES} {100 * watched:.2f} %: ", end="")
    print(f"{100 * (watched - alone):.2f} % of a core, {watched / alone:.2f} times as much")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
