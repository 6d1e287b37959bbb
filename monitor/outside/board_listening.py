"""A sensor board on a port, listened to for a while: bytes for the examination, counts for calibration."""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from monitor.errors import PortError
from monitor.outside.serial_port import Bytes, PortEnded, PortLost, PortNews, PortReader
from monitor.readings import Decoder
from monitor.records import BoardRecord, EdgeBlock

SILENCE_S = 5.0  # without a sample for so long, holding a target makes no sense


class Listening:
    """An open port, read in the background. Use as a context manager. Raises PortError."""

    def __init__(self, address: str, baud: int) -> None:
        self._address = address
        self._news: queue.SimpleQueue[PortNews] = queue.SimpleQueue()
        self._reader = PortReader(address, baud, self._news, stop_at_end=True)
        self._decoder = Decoder()
        self._ended = False
        self._reader.start()

    def __enter__(self) -> Listening:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._reader.stop()
        self._reader.join(timeout=2.0)

    def chunks(self, seconds: float) -> Iterator[Bytes]:
        """Bytes with their times of arrival, for so long or until the source ends."""
        end_s = time.monotonic() + seconds
        while not self._ended and (left_s := end_s - time.monotonic()) > 0.0:
            try:
                news = self._news.get(timeout=left_s)
            except queue.Empty:
                return
            if isinstance(news, Bytes):
                yield news
            elif isinstance(news, PortLost):
                raise PortError(f"{self._address}: cannot be read: {news.why}")
            elif isinstance(news, PortEnded):
                self._ended = True

    def records(self, seconds: float) -> Iterator[BoardRecord]:
        """Records as they come."""
        for chunk in self.chunks(seconds):
            yield from self._decoder.feed(chunk.data)

    def forget(self) -> None:
        """Throw away what came meanwhile (while a person was busy), keeping the decoder in step."""
        while not self._ended and not self._news.empty():
            for _ in self.records(0.001):
                pass

    def samples(self, seconds: float) -> NDArray[np.uint16]:
        """Counts (n, channels) of what comes in the next seconds. Raises PortError when nothing does."""
        self.forget()
        blocks: list[NDArray[np.uint16]] = []
        waiting_s = max(SILENCE_S, 2.0 * seconds)
        first_us: int | None = None
        for record in self.records(waiting_s):
            if not isinstance(record, EdgeBlock):
                continue
            if blocks and record.counts.shape[1] != blocks[0].shape[1]:
                blocks, first_us = [], None
            first_us = int(record.time_us[0]) if first_us is None else first_us
            blocks.append(record.counts)
            if int(record.time_us[-1]) - first_us >= seconds * 1e6:
                break
        if not blocks:
            raise PortError(f"{self._address}: no sample came in {waiting_s:.0f} s; try `runin board check`")
        return np.concatenate(blocks)
