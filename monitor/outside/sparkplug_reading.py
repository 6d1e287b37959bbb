"""Sparkplug for a person's eyes: lines of `topic hex` in, as mosquitto_sub prints them, lines that can be read out.

    mosquitto_sub -t 'spBv1.0/#' -F '%t %x' | runin sparkplug

Names of aliases are learnt from the births that pass. What is no Sparkplug payload is said to be none.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any

from monitor.outside.sparkplug_wire import Metric, decode

LONGEST = 200  # characters of one content


def read_lines(lines: Iterable[str]) -> Iterator[str]:
    """One line for each message and one for each of its metrics."""
    names: dict[tuple[str, int], str] = {}
    for line in lines:
        topic, _, text = line.strip().rpartition(" ")
        if not topic:
            continue
        parts = topic.split("/")
        try:
            content = bytes.fromhex(text)
            if parts[1:2] == ["STATE"]:
                yield f"{_plain(topic)} {_plain(content.decode())}"
                continue
            payload = decode(content)
        except ValueError as problem:
            yield f"{_plain(topic)}: no Sparkplug payload: {_plain(str(problem))}"
            continue
        yield f"{_plain(topic)}" + ("" if payload.seq is None else f" seq {payload.seq}")
        node = "/".join((*parts[:2], *parts[3:4]))
        for metric in payload.metrics:
            if metric.name is not None and metric.alias is not None:
                names[node, metric.alias] = metric.name
            yield _metric_line(metric, names.get((node, metric.alias or 0), f"alias {metric.alias}"))


def _metric_line(metric: Metric, known: str) -> str:
    stamp = ""
    if metric.timestamp_ms is not None and metric.timestamp_ms < 4e12:
        stamp = f"{datetime.fromtimestamp(metric.timestamp_ms / 1000, UTC):%H:%M:%S} "
    unit = metric.properties.get("engUnit")
    content: Any = metric.content.hex() if isinstance(metric.content, bytes) else metric.content
    text = json.dumps(content, ensure_ascii=False)
    more = [str(unit.content)] if unit is not None else []
    more += ["historical"] if metric.is_historical else []
    return _plain(f"    {stamp}{metric.name or known} = {text[:LONGEST]} {' '.join(more)}".rstrip())


def _plain(text: str) -> str:
    """Nothing in it that a terminal would obey."""
    return "".join(c if c.isprintable() else "?" for c in text)
