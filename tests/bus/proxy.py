"""A small TCP relay on the loopback that can cut, stall and mend the network between two programs."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading


class Proxy:
    """Relays every connection to `target_port`; `cut` hangs up and refuses, `stall` swallows silently."""

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._open, self._stalled, self._ended = True, False, False
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._lock = threading.Lock()
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """As a pulled network cable with a switch that says so: all connections end, none are taken."""
        self._open = False
        self._hang_up()

    def stall(self) -> None:
        """As a network that swallows everything: connections stay, nothing passes."""
        self._stalled = True

    def mend(self) -> None:
        """Everything passes again. What was swallowed is gone, so connections that stalled are ended."""
        if self._stalled:
            self._hang_up()
        self._open, self._stalled = True, False

    def close(self) -> None:
        self._ended = True
        self._listener.close()
        self._hang_up()

    def _hang_up(self) -> None:
        with self._lock:
            pairs, self._pairs = self._pairs, []
        for pair in pairs:
            for end in pair:
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while not self._ended:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = (
                    socket.create_connection(("127.0.0.1", self._target_port), timeout=5)
                    if self._open
                    else None
                )
            except OSError:
                far = None
            if far is None:
                near.close()
                continue
            with self._lock:
                self._pairs.append((near, far))
            threading.Thread(target=self._relay, args=(near, far), daemon=True).start()

    def _relay(self, near: socket.socket, far: socket.socket) -> None:
        with selectors.DefaultSelector() as waits, near, far:
            waits.register(near, selectors.EVENT_READ, far)
            waits.register(far, selectors.EVENT_READ, near)
            while not self._ended:
                for key, _ in waits.select(0.5):
                    source, sink = key.fileobj, key.data
                    assert isinstance(source, socket.socket)
                    try:
                        text = source.recv(65_536)
                        if not text:
                            return
                        if not self._stalled:
                            sink.sendall(text)
                    except OSError:
                        return
