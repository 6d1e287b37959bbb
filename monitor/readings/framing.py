"""Framing: bytes in any pieces -> whole lines, with a hard limit on what waits for its line end.

Lines end at LF and nowhere else. A line that has grown too long is given up at once, counted once and
skipped to its end, so that a stream without line ends costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.readings.wire import MAX_LINE

PIECE_BYTES = 1 << 17  # columns of this many bytes stay in the processor's cache


@dataclass(slots=True)
class Framing:
    """What is left over between two feeds: the beginning of a line, or that a line is being skipped."""

    tail: bytes = b""
    skipping: bool = False

    def cut(self, data: bytes) -> tuple[list[bytes], bool]:
        """Pieces of whole lines, and whether the line left over has just been given up as too long."""
        if self.skipping:
            end = data.find(b"\n") + 1
            if end == 0:
                return [], False
            data, self.skipping = data[end:], False
        data = self.tail + data
        pieces, start, last = [], 0, data.rfind(b"\n") + 1
        while start < last:
            end = last if last - start <= PIECE_BYTES else data.find(b"\n", start + PIECE_BYTES) + 1
            pieces.append(data[start:end])
            start = end
        too_long = len(data) - last >= MAX_LINE
        self.tail, self.skipping = (b"", True) if too_long else (data[last:], False)
        return pieces, too_long
