"""How fast bytes become records: the column path against the line path, on the same stream.

    python tests/benchmarks/decode.py [a .wire file] ...

Without a file: a made stream of 200,000 E records. Prints the best of five runs. Nothing here is a test.
"""

from __future__ import annotations

import sys
from pathlib import Path
from time import perf_counter

from monitor.readings.decoder import Decoder
from monitor.readings.wire import encode_edge, encode_hello, encode_mark

RUNS = 5


def made_stream(records: int = 200_000, channels: int = 2) -> bytes:
    lines = [encode_hello(0, 0, 1, channels, 50)]
    for k in range(1, records):
        if k % 1500 == 0:
            lines.append(encode_mark(k, k * 20_000 - 5_000, k // 1500))
        else:
            lines.append(encode_edge(k, k * 20_000, 0, [(k * 37 + 11 * c) % 65536 for c in range(channels)]))
    return b"".join(lines)


def lines_per_s(stream: bytes, *, bulk: bool, runs: int) -> float:
    best_s = float("inf")
    for _ in range(runs):
        decoder = Decoder(bulk=bulk)
        start_s = perf_counter()
        decoder.feed(stream)
        best_s = min(best_s, perf_counter() - start_s)
    return stream.count(b"\n") / best_s


def main(paths: list[str]) -> None:
    streams = {path: Path(path).read_bytes() for path in paths} or {
        f"made, {channels} channels": made_stream(channels=channels) for channels in (1, 2, 4, 8)
    }
    for name, stream in streams.items():
        fast = lines_per_s(stream, bulk=True, runs=RUNS)
        plain = lines_per_s(stream, bulk=False, runs=2)
        print(f"{name}: {fast:,.0f} lines/s in columns, {plain:,.0f} line by line, ratio {fast / plain:.1f}")


if __name__ == "__main__":
    main(sys.argv[1:])
