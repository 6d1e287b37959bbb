"""`runin watch`: the essentials of the bay display in a terminal, for those who come over ssh.

It follows a running daemon either over MQTT (the station file's broker), from whose messages it makes the same
picture as the display does, or from a display's /state.json. The order is that of the page: may I trust it, what
do I do, how does the belt ride, how far are we, what is wrong. It only reads.
"""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable
from typing import Any
from urllib.parse import urlsplit

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.live import Live
from rich.rule import Rule
from rich.text import Text

from monitor.errors import UsageError

Document = dict[str, Any]
LOOK_S = 0.5
ANSWER_S = 3.0
MAX_BYTES = 1_000_000
SET_IN = 3  # how far the rest of a broken line is set in
WIDE = 45  # characters of the ruler, odd
STYLES = {"stop": "bold white on red", "move": "bold white on blue", "check": "bold black on yellow"}
TRUST = {"yes": ("●", "bold"), "part": ("▲", "black on yellow"), "no": ("✕", "reverse bold")}


def watch(
    look: Callable[[], Document], console: Console, *, once: bool = False, explain: bool = False
) -> None:
    """Show what `look` gives until Ctrl-C; one picture only with `once`, or when this is no terminal."""
    if once or not console.is_terminal:
        console.print(draw(look(), explain))
        return
    with Live(draw(look(), explain), console=console, screen=True, auto_refresh=False) as live:
        while True:
            time.sleep(LOOK_S)
            live.update(draw(look(), explain), refresh=True)


class Flow:
    """Pieces that are not broken; what has no room in a line goes to the next one, set in."""

    def __init__(
        self, pieces: Iterable[str | Text], *, gap: int = 1, first: int = 1, style: str = ""
    ) -> None:
        """gap: blanks between pieces; first: blanks before the first one. A piece that is too long breaks anyhow."""
        self._pieces = [Text(p, style) if isinstance(p, str) else p for p in pieces]
        self._gap, self._first = Text(" " * gap, style), first

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        line, empty = Text(" " * self._first), True
        for piece in self._pieces:
            if not empty and line.cell_len + self._gap.cell_len + piece.cell_len > options.max_width:
                yield line
                line, empty = Text(" " * SET_IN), True
            line = line if empty else line + self._gap
            line, empty = line + piece, False
        yield line


def _sentence(text: object, *, style: str = "") -> Flow:
    return Flow(_clean(text).split(), style=style)


class DisplayLook:
    """Reads a display's /state.json. When it falls silent, the last picture is shown as not to be trusted."""

    def __init__(self, address: str) -> None:
        """address: `8080`, `bay-pc:8080` or `http://bay-pc:8080/`. Raises UsageError, also when nobody answers."""
        self._url = _state_url(address)
        self._last, self._heard_s = self._ask(), time.monotonic()

    def __call__(self) -> Document:
        try:
            self._last, self._heard_s = self._ask(), time.monotonic()
        except UsageError:
            silent_s = time.monotonic() - self._heard_s
            why = f"The display does not answer for {silent_s:.0f} s: what stands here is old. Watch the belt by eye."
            return self._last | {"trust": {"level": "no", "word": "No connection", "why": why, "age": ""}}
        return self._last

    def _ask(self) -> Document:
        try:
            with urllib.request.urlopen(self._url, timeout=ANSWER_S) as answer:
                found = json.loads(answer.read(MAX_BYTES))
        except (OSError, ValueError, urllib.error.URLError) as problem:
            why = getattr(problem, "reason", None) or problem
            raise UsageError(f"{self._url}: no bay display answers there ({why})") from None
        if not isinstance(found, dict) or not {"trust", "do", "pulleys", "stages", "alarms"} <= found.keys():
            raise UsageError(f"{self._url}: what answers there is no bay display")
        return found


def _state_url(address: str) -> str:
    text = address if "://" in address else f"http://{'127.0.0.1:' if address.isdigit() else ''}{address}"
    try:
        parts = urlsplit(text)
        good = parts.scheme == "http" and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good:
        raise UsageError(f"--display {address}: expected a port, or an address such as bay-pc:8080")
    return f"http://{parts.netloc}/state.json"


# ---------------------------------------------------------------- drawing


def draw(document: Document, explain: bool = False) -> Group:
    """The picture as lines of a terminal; explain: with the figures behind the advice."""
    figures = _clean(document["do"].get("explain")) or "none for this advice"
    why = [_sentence(f"In figures: {figures}", style="dim")] if explain else []
    return Group(
        *_trust(document), Rule(style="bold"), *_order(document), *why, Rule("How the belt rides", align="left"),
        *_rides(document), Rule("How far we are", align="left"), _stages(document),
        Rule("What is wrong", align="left"), *_alarms(document),
    )  # fmt: skip


def _clean(text: object) -> str:
    return "".join(c if c.isprintable() else "?" for c in str(text if text is not None else ""))


def _trust(document: Document) -> list[RenderableType]:
    trust = document["trust"]
    mark, style = TRUST.get(trust["level"], TRUST["no"])
    facts = (trust.get("age"), document.get("motion"), document.get("belt"), document["bay"])
    word = Text(f" {mark} {_clean(trust['word'])} ", style)
    lines = [
        Flow([word, *_clean(trust["why"]).split()], first=0),
        Flow([_clean(part) for part in facts if part], gap=3, first=SET_IN, style="dim"),
    ]
    if document.get("since"):
        lines.append(Flow(_clean(document["since"]).split(), first=SET_IN, style="dim"))
    return list(lines)


def _order(document: Document) -> list[RenderableType]:
    do = document["do"]
    trusted = document["trust"]["level"] != "no"
    kind = "stop" if do.get("urgent") else do["action"]
    style = STYLES.get(kind, "bold") if trusted else "dim strike"
    order = f" {_clean(do['head'])}   {_clean(do['big'])}" if do["big"] else f" {_clean(do['head'])}"
    lines: list[RenderableType] = [Text(f"{order}{_left(do)} ", style)]
    if not trusted and do.get("why"):
        lines.append(_sentence("This is from before the readings stopped: do not act on it.", style="bold"))
    lines.append(_sentence(do.get("why")))
    checks = enumerate(do.get("checks") or (), 1)
    lines += [Flow([f"{k}.", *_clean(check).split()], first=SET_IN) for k, check in checks]
    lines.append(_sentence(f"! {_clean(do.get('caution'))}", style="italic"))
    return lines


def _left(do: Document) -> str:
    if do["action"] != "wait" or do.get("left_rev") is None:
        return ""
    if do["left_rev"] <= 0:
        return "   judging now"
    seconds = do.get("left_s")
    clock = "" if seconds is None else f"{int(seconds) // 60}:{int(seconds) % 60:02d}, "
    return f"   {clock}{do['left_rev']:.1f} revolutions left"


def _rides(document: Document) -> list[RenderableType]:
    if not document["pulleys"]:
        return [Text(" Nothing is known yet.")]
    lines: list[RenderableType] = []
    for ride in document["pulleys"]:
        zone, edge, belt = (_clean(ride[key]) for key in ("zone", "edge", "belt"))
        style = "white on red" if "LIMIT" in zone else "black on yellow" if "warning" in zone else ""
        edge_is = Text.assemble("edge ", (f"{edge:<14}", "bold"))
        belt_is = Text.assemble("belt ", (f"{belt:<14}", "bold"))
        lines.append(Flow([f"{_clean(ride['sensor']):<14}", edge_is, belt_is, Text(zone, style)]))
        drawn = ruler(ride.get("edge_mm"), ride.get("position_mm"), document["limits"])
        lines.append(Flow([drawn, Text(_clean(ride["walk"]), "dim")], gap=2))
    key = ["▼ edge now", "◇ whole belt", "[ ] its band", "░ warning", "█ limit"]
    return [*lines, Flow(key, gap=2, style="dim")]


def ruler(edge_mm: float | None, belt_mm: float | None, limits: Document) -> str:
    """One line: the band in brackets, warning zones dotted, the limit as blocks; ▼ the edge, ◇ the whole belt."""
    half = WIDE // 2
    marks = {_place(0.0, limits): "|"}
    for mm, sign in ((limits["centre_mm"], "[]"), (limits["stop_mm"], "██")):
        marks[_place(-mm, limits)], marks[_place(mm, limits)] = sign[0], sign[1]
    cells = [" "] * WIDE
    for k in range(WIDE):
        beyond = abs(k - half)
        if beyond >= _place(limits["stop_mm"], limits) - half:
            cells[k] = "█"
        elif beyond >= _place(limits["warn_mm"], limits) - half:
            cells[k] = "░"
    for place, mark in marks.items():
        cells[place] = mark
    for mm, mark in ((belt_mm, "◇"), (edge_mm, "▼")):
        if mm is not None:
            cells[_place(mm, limits)] = mark
    return "".join(cells)


def _place(mm: float, limits: Document) -> int:
    """Which character stands for a place: as on the page, every zone has its own fixed share."""
    centre, warn, stop = (float(limits[f"{key}_mm"]) for key in ("centre", "warn", "stop"))
    a = abs(mm)
    if a <= centre:
        share = 0.42 * a / centre
    elif a <= warn:
        share = 0.42 + 0.26 * (a - centre) / (warn - centre)
    elif a <= stop:
        share = 0.68 + 0.24 * (a - warn) / (stop - warn)
    else:
        share = 1.0
    half = WIDE // 2
    steps = round(share * half)
    return half + steps if mm >= 0 else half - steps


def _stages(document: Document) -> Group:
    words = []
    for stage in document["stages"]:
        mark, style = {"done": ("✓ ", "dim"), "now": ("▸ ", "reverse bold")}.get(stage["state"], ("", ""))
        words.append(Text(f" {mark}{_clean(stage['word'])} ", style))
    hold = document.get("hold") or {}
    return Group(Flow(words), Text(f"  {_clean(hold.get('text'))}"))


def _alarms(document: Document) -> list[RenderableType]:
    if not document["alarms"]:
        return [Text(" Nothing is known to be wrong.")]
    lines: list[RenderableType] = []
    for alarm in document["alarms"]:
        mark = {1: "■", 2: "▲", 3: "◆"}.get(alarm["rank"], "●")
        style = {1: "bold white on red", 2: "black on yellow", 3: "black on yellow"}.get(
            alarm["rank"], "bold"
        )
        text = f"shelved {_clean(alarm['shelved'])}." if alarm["shelved"] else _clean(alarm["what"])
        title = Text(f" {mark} {_clean(alarm['title'])} ({_clean(alarm['standing'])}) ", style)
        lines.append(Flow([title, *text.split()], first=0))
    return lines
