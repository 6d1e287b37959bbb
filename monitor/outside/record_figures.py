"""The figures of a run-in record as SVG written by hand: raster of revolutions, position, camber profile.

Each figure is one self-contained <svg> with presentation attributes only: it stands alone as a file, inside
the record, and in its PDF. The raster's colours grow lighter from left to right without a turning point, so
that a black-and-white print keeps the sign; lines differ by dash, not by colour. Texts from a recording are
escaped. Distances along the belt are metres from the mark, in the sense of records.py.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.outside.record_facts import BadSection, MoveDone, best_row, pulleys
from monitor.outside.record_raster import CELLS, Raster, thinned
from monitor.outside.replay import Replay
from monitor.records import Pulley, RevolutionRow
from monitor.settings import Station

WIDTH = 720
LEVELS = 13  # steps of shade: an odd number, so that centre has one of its own
MOST_ROWS = 150  # lines of a raster; more are thinner than print
LEFT, MIDDLE, RIGHT = (18, 30, 66), (122, 142, 150), (250, 226, 140)
REACHES_MM = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100, 200, 500)
INK, SOFT, PALE = "#1b1b1b", "#666", "#e4e4e0"
# One belt passes every sensor, so the profiles nearly coincide: a broad pale line under thin dark ones.
STROKES = (("#b4b4b4", 4.5, ""), (INK, 1.3, ""), ("#777", 1.3, "7 3"), (INK, 1.3, "2 2"))
Array = NDArray[np.float64]


def shade(level: int, levels: int = LEVELS) -> str:
    """The colour of one step, 0 = far left (dark) to levels - 1 = far right (light)."""
    x = 2.0 * level / (levels - 1)
    a, b, w = (LEFT, MIDDLE, x) if x <= 1.0 else (MIDDLE, RIGHT, x - 1.0)
    return "#" + "".join(f"{round(p + w * (q - p)):02x}" for p, q in zip(a, b, strict=True))


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers from low to high, at most `most`."""
    span = high - low
    if not (math.isfinite(span) and span > 0.0):
        return [low]
    raw = span / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(k * power for k in (1, 2, 5, 10, 20) if k * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [k * step + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True)
class Frame:
    """A plotting area in pixels and what its sides mean."""

    left: float
    top: float
    width: float
    height: float
    x0: float
    x1: float
    y0: float  # at the bottom
    y1: float  # at the top

    def x(self, x: float) -> float:
        return self.left + (x - self.x0) / ((self.x1 - self.x0) or 1.0) * self.width

    def y(self, y: float) -> float:
        return self.top + (self.y1 - y) / ((self.y1 - self.y0) or 1.0) * self.height

    @property
    def bottom(self) -> float:
        return self.top + self.height


# ---------------------------------------------------------------- pieces of SVG


def svg(height: float, title: str, parts: Iterable[str]) -> str:
    """A whole figure, WIDTH wide."""
    name = html.escape(title)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:.0f}" role="img" '
        f'aria-label="{name}" font-family="Helvetica, Arial, sans-serif" font-size="11">'
        f"<title>{name}</title>"
        f'<rect width="{WIDTH}" height="{height:.0f}" fill="#fff"/>{"".join(parts)}</svg>'
    )


def text(x: float, y: float, words: str, anchor: str = "start", fill: str = INK, more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}"{more}>{html.escape(words)}</text>'


def line(
    x0: float, y0: float, x1: float, y1: float, stroke: str = INK, width: float = 1, dash: str = ""
) -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{stroke}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def box(x: float, y: float, w: float, h: float, attributes: str) -> str:
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(w, 0.0):.1f}" height="{max(h, 0.0):.1f}" {attributes}/>'
    )


def path(points: Sequence[tuple[float, float]], attributes: str) -> str:
    """A line through points; a NaN breaks it."""
    drawn, pen = [], "M"
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            drawn.append(f"{pen}{x:.1f} {y:.1f}")
            pen = "L"
        else:
            pen = "M"
    return f'<path d="{"".join(drawn)}" {attributes}/>' if drawn else ""


def axes(f: Frame, x_label: str, y_label: str, x_ticks: list[float], y_ticks: list[float]) -> Iterator[str]:
    for x in x_ticks:
        yield line(f.x(x), f.bottom, f.x(x), f.bottom + 4, SOFT)
        yield text(f.x(x), f.bottom + 15, f"{x:g}", "middle")
    for y in y_ticks:
        yield line(f.left - 4, f.y(y), f.left, f.y(y), SOFT)
        yield text(f.left - 7, f.y(y) + 4, f"{y:g}", "end")
    yield box(f.left, f.top, f.width, f.height, f'fill="none" stroke="{SOFT}"')
    yield text(f.left + f.width / 2, f.bottom + 29, x_label, "middle")
    x, y = f.left - 40, f.top + f.height / 2
    yield text(x, y, y_label, "middle", more=f' transform="rotate(-90 {x:.1f} {y:.1f})"')


def stretches(section: BadSection, length_mm: float) -> list[tuple[float, float]]:
    """A section as one or two stretches of 0 to length_mm: it may lie across the mark."""
    start, end = section.start_mm % length_mm, section.end_mm % length_mm
    return [(start, end)] if start <= end else [(start, length_mm), (0.0, end)]


# ---------------------------------------------------------------- raster


def raster_figure(
    raster: Raster,
    sensors: Sequence[str],
    sections: Sequence[BadSection] = (),
    moves: Sequence[MoveDone] = (),
    marks: bool = True,
) -> str:
    """Revolutions downward, stations across, edge position as shade; two sensors side by side."""
    n = len(raster.revs)
    if n == 0:
        return svg(40, "Raster of revolutions", [text(10, 24, "No completed revolution.")])
    reach = _reach(np.concatenate([raster.edges_mm[s].ravel() for s in sensors]))
    columns = min(len(sensors), 2)
    wide = (WIDTH - 70 * columns - 10) / columns
    tall = min(max(90.0, 5.0 * n), 190.0)
    parts: list[str] = []
    height = 0.0
    for k, sensor in enumerate(sensors):
        left, top = 54 + (k % 2) * (wide + 70), 22 + (k // 2) * (tall + 58)
        last = float(raster.revs[-1])
        f = Frame(
            left, top, wide, tall, 0.0, raster.length_mm / 1000.0, last + 0.5, float(raster.revs[0]) - 0.5
        )
        parts += _panel(raster, sensor, f, reach, [s for s in sections if s.sensor == sensor], moves, marks)
        height = top + tall + 36
    return svg(height + 30, "Raster of revolutions", [*parts, *_key(height + 2, reach)])


def _reach(edges_mm: Array) -> float:
    """What the ends of the scale mean, mm: nearly everything lies within."""
    seen = np.abs(edges_mm[np.isfinite(edges_mm)])
    most = float(np.quantile(seen, 0.99)) if seen.size else 1.0
    return next(
        k
        for k in (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100, 200, 500)
        if k >= min(most, 500)
    )


def _panel(
    raster: Raster, sensor: str, f: Frame, reach: float, sections: list[BadSection],
    moves: Sequence[MoveDone], marks: bool,
) -> Iterator[str]:  # fmt: skip
    rows, k = thinned(raster.edges_mm[sensor], MOST_ROWS)
    yield text(f.left, f.top - 7, f"{sensor}: edge, mm from its nominal place", more=' font-weight="bold"')
    yield from _cells(rows, f, reach, k / len(raster.revs))
    for section in sections:
        first = section.first_rev + 0.5
        last = raster.revs[-1] + 0.5 if section.last_rev is None else max(section.last_rev + 0.5, first + 1)
        for start, end in stretches(section, raster.length_mm):
            x, y, w = f.x(start / 1000), f.y(first - 1), f.x(end / 1000) - f.x(start / 1000)
            h = f.y(min(float(last), f.y0)) - y
            yield box(x, y, w, h, 'fill="none" stroke="#fff" stroke-width="3"')
            yield box(x, y, w, h, 'fill="none" stroke="#000" stroke-width="1.2"')
    told = -math.inf
    for move in moves:
        y = f.y(move.event.rev + 0.5)
        yield f'<path d="M{f.left + f.width:.1f} {y:.1f}l7 -3v6z" fill="{INK}"/>'
        if y - told >= 8.0:  # numbers that would cover each other are left out
            told = y
            yield text(f.left + f.width + 8, y + 3, str(move.number), more=' font-size="8"')
    from_where = "m from the mark" if marks else "m from where the first revolution began (no mark)"
    whole = [t for t in ticks(f.y1, f.y0, 7) if t == int(t) and t > 0] or [float(raster.revs[0])]
    down = f"revolution (means of {k})" if k > 1 else "revolution"
    yield from axes(f, from_where, down, ticks(f.x0, f.x1, 7), whole)


def _cells(rows: Array, f: Frame, reach: float, share: float) -> Iterator[str]:
    """Shades painted one over the other, so that no gap shows between cells in print."""
    level = np.clip(np.floor((rows / reach + 1.0) / 2.0 * LEVELS), 0, LEVELS - 1)
    high, wide = f.height * share, f.width / CELLS
    yield box(f.left, f.top, f.width, f.height, f'fill="{shade(0)}"')
    yield from (
        f'<path d="{d}" fill="{shade(k)}"/>'
        for k in range(1, LEVELS)
        if (d := _runs(level >= k, f, high, wide))
    )
    unseen = _runs(~np.isfinite(rows), f, high, wide)
    if unseen:
        yield f'<path d="{unseen}" fill="#fff"/>'
        for r, row in enumerate(~np.isfinite(rows)):
            y = f.top + (r + 0.5) * high
            for a, b in _stretches(row):
                yield line(f.left + a * wide, y, f.left + b * wide, y, SOFT, 0.6, "1 3")


def _runs(inside: NDArray[np.bool_], f: Frame, high: float, wide: float) -> str:
    """The cells that are inside, as one path: a rectangle for each run of a row."""
    drawn = []
    for r, row in enumerate(inside):
        y = f.top + r * high
        h = min(high, f.bottom - y)
        for a, b in _stretches(row):
            drawn.append(
                f"M{f.left + a * wide:.1f} {y:.2f}h{(b - a) * wide:.1f}v{h:.2f}h{(a - b) * wide:.1f}z"
            )
    return "".join(drawn)


def _stretches(row: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[start, end) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], row.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _key(y: float, reach: float) -> Iterator[str]:
    """What the shades mean."""
    wide, left = 26.0, (WIDTH - 26.0 * LEVELS) / 2
    for k in range(LEVELS):
        yield box(left + k * wide, y, wide + 0.3, 11, f'fill="{shade(k)}"')
    yield box(left, y, wide * LEVELS, 11, f'fill="none" stroke="{SOFT}"')
    for share, words in ((0.0, f"-{reach:g} (left)"), (0.5, "0"), (1.0, f"+{reach:g} mm (right)")):
        yield text(left + share * wide * LEVELS, y + 23, words, "middle")
    yield text(left - 40, y + 10, "dotted: not seen", "end", SOFT)


# ---------------------------------------------------------------- position over time


def position_figure(
    replay: Replay, moves: Sequence[MoveDone], hold: tuple[float, float] | None = None, tall: float = 92.0
) -> str:
    """Whole-belt position at each pulley over time, with its spread, the band, the moves and the hold."""
    names = pulleys(replay)
    turns = replay.found_revolutions
    if not turns:
        return svg(40, "Position over time", [text(10, 24, "No completed revolution.")])
    parts: list[str] = []
    end_min = max(turns[-1].end_s, replay.summary["seconds"]) / 60.0
    for k, pulley in enumerate(names):
        rows = [row for turn in turns if (row := best_row(turn, pulley)) is not None]
        reach = _position_reach(rows, replay.station)
        f = Frame(54, 24 + k * (tall + 44), WIDTH - 70, tall, 0.0, end_min, -reach, reach)
        x_label = "minutes (dotted: moves by number)" if pulley == names[-1] else ""
        parts += _position_panel(f, pulley, rows, replay.station, moves, hold, x_label)
    return svg(14 + len(names) * (tall + 44), "Position over time", parts)


def _position_reach(rows: Sequence[RevolutionRow], station: Station) -> float:
    most = max((abs(r.position_mm) for r in rows), default=0.0)
    return 1.1 * max(most, 1.5 * station.limits.centre_mm)


def _position_panel(
    f: Frame, pulley: Pulley, rows: Sequence[RevolutionRow], station: Station, moves: Sequence[MoveDone],
    hold: tuple[float, float] | None, x_label: str,
) -> Iterator[str]:  # fmt: skip
    centre = station.limits.centre_mm
    yield text(f.left, f.top - 8, f"{pulley} pulley: whole belt, mm from centre", more=' font-weight="bold"')
    band = f"+ right, - left; shaded: band of {centre:g} mm to each side"
    yield text(f.left + f.width, f.top - 8, band, "end", SOFT)
    yield box(f.left, f.y(centre), f.width, f.y(-centre) - f.y(centre), f'fill="{PALE}"')
    yield line(f.left, f.y(0), f.left + f.width, f.y(0), "#999", 0.8)
    for edge in (centre, -centre):
        yield line(f.left, f.y(edge), f.left + f.width, f.y(edge), SOFT, 0.8, "5 3")
    if hold is not None:
        a, b = f.x(hold[0] / 60), f.x(hold[1] / 60)
        yield line(a, f.bottom - 5, b, f.bottom - 5, INK, 3)
        yield text((a + b) / 2, f.bottom - 9, "hold", "middle", more=' font-size="9"')
    for row in rows:
        x, spread = f.x((row.start_s + row.end_s) / 120), 1.96 * row.position_se_mm
        low, high = (min(max(row.position_mm + s * spread, f.y0), f.y1) for s in (-1, 1))
        yield line(x, f.y(low), x, f.y(high), "#8a8a8a", 1.4)
    points = [(f.x((r.start_s + r.end_s) / 120), f.y(r.position_mm)) for r in rows]
    yield path(points, f'fill="none" stroke="{INK}" stroke-width="1.6"')
    if len(points) < 80:
        yield from (f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.8" fill="{INK}"/>' for x, y in points)
    told = -math.inf
    for move in moves:
        x = f.x(move.event.t_s / 60)
        yield line(x, f.top, x, f.bottom, INK, 0.9, "2 2")
        if x - told < 15.0:
            continue
        told = x
        yield text(x + 2, f.top + 9, str(move.number), more=' font-size="9" font-weight="bold"')
    yield from axes(f, x_label, "mm", ticks(f.x0, f.x1, 9), ticks(f.y0, f.y1, 7))


# ---------------------------------------------------------------- camber profile


def profile_figure(
    replay: Replay,
    sections: Sequence[BadSection] = (),
    sensors: Sequence[str] | None = None,
    tall: float = 100.0,
) -> str:
    """The camber profile of each sensor, bad sections marked by their distance from the mark."""
    wanted = [s.name for s in replay.station.sensor if sensors is None or s.name in sensors]
    lines = {n: [(x / 1000, y) for s, x, y in replay.found_profile if s == n] for n in wanted}
    lines = {n: points for n, points in lines.items() if points}
    if not lines:
        return svg(40, "Camber profile", [text(10, 24, "The camber profile was not learnt.")])
    length_mm = float(replay.summary["length_mm"])
    reach = 1.15 * max(abs(y) for points in lines.values() for _, y in points) or 1.0
    top = 1.7 * reach if sections else reach  # room for the names of bad sections
    f = Frame(54, 24, WIDTH - 70, tall, 0.0, length_mm / 1000.0, -reach, top)
    parts = list(_bad_places(f, [s for s in sections if s.sensor in lines], length_mm))
    parts.append(line(f.left, f.y(0), f.left + f.width, f.y(0), "#999", 0.8))
    for k, (name, points) in enumerate(lines.items()):
        stroke, width, dash = STROKES[k % len(STROKES)]
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        look = f'fill="none" stroke="{stroke}" stroke-width="{width:g}"{dashed}'
        parts.append(path([(f.x(x), f.y(y)) for x, y in points], look))
        at = f.left + 230 + 125 * k
        parts.append(line(at, f.top - 11, at + 26, f.top - 11, stroke, width, dash))
        parts.append(text(at + 31, f.top - 8, name))
    parts.append(text(f.left, f.top - 8, "camber profile, mm, + right", more=' font-weight="bold"'))
    where = (
        "m from the mark"
        if replay.station.conveyor.marks
        else "m from where the first revolution began (no mark)"
    )
    parts += axes(f, where, "mm", ticks(f.x0, f.x1, 9), ticks(f.y0, f.y1, 7))
    return svg(tall + 58, "Camber profile", parts)


def _bad_places(f: Frame, sections: list[BadSection], length_mm: float) -> Iterator[str]:
    for k, section in enumerate(sections):
        for start, end in stretches(section, length_mm):
            a, b = f.x(start / 1000), f.x(end / 1000)
            yield box(a, f.top, b - a, f.height, 'fill="#000" fill-opacity="0.13"')
            yield line(a, f.top, a, f.bottom, INK, 0.8)
            yield line(b, f.top, b, f.bottom, INK, 0.8)
        a, b = (f.x(place % length_mm / 1000) for place in (section.start_mm, section.end_mm))
        words = f"{section.start_mm / 1000:.2f} to {section.end_mm / 1000:.2f} m ({section.sensor})"
        anchor, x = ("end", a - 3) if b > f.left + 0.7 * f.width else ("start", b + 3)
        yield text(x, f.top + 10 + 11 * (k % 4), words, anchor, more=' font-size="9"')
