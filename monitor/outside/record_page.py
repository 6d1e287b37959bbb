"""The record of a run-in as one HTML page that needs nothing else: no script, no font, no picture from outside.

Decides only wording and order. Every text that came from a recording, a station file or a person passes
`shown`: control and direction characters become visible, a text that a spreadsheet would take for a formula
gets an apostrophe, markup is escaped, and <bdi> keeps right-to-left text from turning its surroundings round.
What would not fit on two printed pages has the class `screen`: it is on the page and left out of the print,
which then says so.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import monitor
from monitor.outside import record_facts as facts
from monitor.outside.outputs import FORMULA_STARTS
from monitor.outside.record_facts import HoldProved, MoveDone
from monitor.outside.record_style import Room, style_sheet
from monitor.outside.replay import Replay, measured, signed
from monitor.procedure import words
from monitor.records import Event, Pulley, RevolutionRow

LONGEST = 300  # characters of one text; a longer one is in the log
CAUTION = (
    "Caution: moving belt and pulleys draw in hands, hair and clothing. Guards on; adjust only from outside the "
    "guards; stop and lock out before reaching in. This record is no proof that the machine is safe: the program "
    "advises only, it is no safety device and never starts or stops a machine."
)
VERDICTS = {"tracked": "Tracked", "not-tracked": "Not tracked", "undecided": "Undecided"}


@dataclass(frozen=True, slots=True)
class Source:
    """Where the record comes from. digests: (file, SHA-256 or what is to be said instead)."""

    name: str
    kind: str
    serial: str = ""
    customer_ref: str = ""
    note: str = ""
    started: str = ""
    closed: str = ""
    digests: tuple[tuple[str, str], ...] = ()
    acknowledged: dict[tuple[str, str], str] = field(default_factory=dict)


def shown(text: object, longest: int = LONGEST) -> str:
    """A text from outside, harmless and visible, as HTML."""
    given = str(text)[: longest + 1]
    flat = "".join(c if c.isprintable() else " " if c in "\n\t" else f"[U+{ord(c):04X}]" for c in given)
    if len(flat) > longest:
        flat = flat[: longest - 3] + "..."
    if flat.lstrip().startswith(FORMULA_STARTS):
        flat = "'" + flat
    return f"<bdi>{html.escape(flat)}</bdi>" if flat.strip() else ""


def quantity(number: float | None, spread: float | None, unit: str) -> str:
    """As the replay prints it; NaN is not known."""
    known = number if number is not None and math.isfinite(number) else None
    return measured(known, spread if spread is not None and math.isfinite(spread) else None, unit)


def clock(t_s: float) -> str:
    """Board time as minutes and seconds, as HTML."""
    minutes, seconds = divmod(math.floor(t_s), 60)
    return f'<span class="t">{minutes}:{seconds:02d}</span>'


def table(head: Sequence[str], rows: Sequence[Sequence[str]], most: int | None = None) -> str:
    """Cells are HTML already. Rows beyond `most` are for the screen only, and the print says so."""
    top = f"<thead><tr>{''.join(f'<th>{h}</th>' for h in head)}</tr></thead>" if any(head) else ""
    body = []
    for k, row in enumerate(rows):
        beyond = ' class="screen"' if most is not None and k >= most else ""
        body.append(f"<tr{beyond}>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>")
    if most is not None and len(rows) > most:
        left = len(rows) - most
        body.append(
            f'<tr class="print"><td colspan="{len(head)}">{left} more in the HTML record and in the log.</td></tr>'
        )
    return f"<table>{top}<tbody>{''.join(body)}</tbody></table>"


def make_page(replay: Replay, source: Source, figures: dict[str, str], room: Room, paper: str = "A4") -> str:
    """The whole page. figures: raster, position, profile as SVG."""
    belt = shown(source.serial) or "Belt without a serial number"
    hold = facts.hold_proved(replay)
    moves = facts.moves_done(replay)
    parts = [
        _head(replay, belt),
        _meta(replay, source),
        _section("As found and as left", _found_and_left(replay)),
        _section("The hold", _hold(replay, hold)),
        _section("Moves", _moves(replay, moves, room.moves)),
        _section("Set-up", _set_up(replay)),
        _section("The belt", _belt(replay, room.sections)),
        _section("Alarms", _alarms(replay, source, room.alarms)),
        _section("Remarks", _remarks(replay, room.remarks)),
        _section("Signed", _signed(replay)),
        _section("Position over time", figure(figures["position"]), "turn"),
        _section("Raster of revolutions", RASTER_WORDS + figure(figures["raster"])),
        _section("Camber profile", figure(figures["profile"])),
        _section("To replay and check", _check(source, replay)),
        f'<p class="caution">{CAUTION}</p>',
    ]
    title = f"Run-in record, {html.escape(VERDICTS[replay.summary['verdict']])}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title><style>{style_sheet(paper, room.percent)}</style></head>"
        f"<body><main>{''.join(parts)}</main></body></html>\n"
    )


RASTER_WORDS = (
    '<p class="small">Each line is one turn of the belt, the first on top. Standing stripes are the belt\'s own '
    "camber, a short stripe is a bad section, a change from top to bottom is the whole belt moving. "
    "Arrows: moves by number.</p>"
)


def figure(drawn: str) -> str:
    """A figure that a narrow screen may scroll sideways instead of shrinking it beyond reading."""
    return f'<div class="figure">{drawn}</div>'


def _section(title: str, content: str, more: str = "") -> str:
    return f'<section class="{more}"><h2>{title}</h2>{content}</section>'


# ---------------------------------------------------------------- head


def _head(replay: Replay, belt: str) -> str:
    verdict = replay.summary["verdict"]
    reasons = "".join(f"<li>{shown(reason)}</li>" for reason in replay.summary["reasons"])
    at_s = replay.summary["tracked_at_s"]
    when = f"First shown at {clock(at_s)}." if verdict == "tracked" and at_s is not None else ""
    return (
        f'<header><div><p class="kind">Belt run-in record</p><h1>{belt}</h1></div>'
        f'<p class="verdict {verdict}"><span>verdict</span>{VERDICTS[verdict]}</p></header>'
        f'<ul class="reasons">{reasons}</ul><p class="small">{when}</p>'
    )


def _meta(replay: Replay, source: Source) -> str:
    station = replay.station
    length_mm = replay.summary["length_mm"]
    opened, closed = shown(source.started), shown(source.closed)
    when = (
        f"{opened}{f' to {closed}' if closed else ', not closed'}" if opened else "date not in the recording"
    )
    about = [shown(source.customer_ref, 80), shown(source.note, 200)]
    size = f"{station.belt.width_mm:g} mm wide, {length_mm:.0f} mm long (as measured)"
    rows = [
        ("Belt", "; ".join([shown(source.serial) or "no serial number", size, *filter(None, about)])),
        ("Conveyor", f"{shown(station.bay.site)} / {shown(station.bay.name)}; "
                     f"{station.belt.speed_mps:g} m/s, take-up bearings {station.conveyor.bearing_spacing_mm:g} mm "
                     f"apart, infeed pulley {station.conveyor.pulley_diameter_mm:g} mm"),
        ("When", f"{when}; {replay.summary['revolutions']} revolutions in {replay.summary['seconds'] / 60:.1f} min"),
        ("Judged by", f"band {station.limits.centre_mm:g} mm to each side of centre; walk worth an alarm "
                      f"{station.limits.drift_mm_per_rev:g} mm/rev; section {station.limits.wobble_mm:g} mm; edge "
                      f"{station.limits.edge_warn_mm:g} / {station.limits.edge_stop_mm:g} mm; hold "
                      f"{station.procedure.hold_minutes:g} min; {station.procedure.settle_revs} revolutions to settle"),
    ]  # fmt: skip
    return '<div class="meta">' + table(("", ""), [(f"<b>{a}</b>", b) for a, b in rows]) + SIDES + "</div>"


SIDES = (
    '<p class="small">Left (-) and right (+) as seen by a person looking the way the carrying side travels. '
    "&plusmn; is 1.96 standard errors. Times are minutes:seconds since the recording began.</p>"
)


# ---------------------------------------------------------------- found, left, hold, moves


def _found_and_left(replay: Replay) -> str:
    rows = []
    for pulley in facts.pulleys(replay):
        for what, row in (
            ("as found", facts.as_found(replay, pulley)),
            ("as left", facts.as_left(replay, pulley)),
        ):
            rows.append([f"{pulley} pulley", f"<b>{what}</b>", *_standing(row)])
    return table(("", "", "revolution", "whole belt from centre", "walk", "edge from, to"), rows)


def _standing(row: RevolutionRow | None) -> list[str]:
    if row is None:
        return ["", "not known", "not known", "not known"]
    edges = f"{_number(row.edge_min_mm)}, {_number(row.edge_max_mm)} mm"
    return [
        str(row.rev),
        quantity(row.position_mm, row.position_se_mm, "mm"),
        quantity(row.walk_mm_per_rev, row.walk_se_mm_per_rev, "mm/rev"),
        edges,
    ]


def _number(number: float) -> str:
    return signed(number) if math.isfinite(number) else "not known"


def _hold(replay: Replay, hold: HoldProved | None) -> str:
    limits, minutes = replay.station.limits, replay.station.procedure.hold_minutes
    band = f"{limits.centre_mm:g} mm to each side of centre"
    if hold is None:
        return (
            f"<p><b>No hold was completed.</b> It takes {minutes:g} min within {band}, shown not to walk.</p>"
        )
    lost = f"<p><b>It counts no longer:</b> {shown(hold.lost)}</p>" if hold.lost else ""
    if not hold.pulleys:
        return f"<p>Completed at {clock(hold.at_s)}: {shown(hold.evidence)}.</p>{lost}"
    told = [
        f"<li><b>{p.pulley} pulley:</b> it rode on average {p.mean[1:]} mm {_side(p.mean)}centre and in no revolution "
        f"more than {p.worst_mm:.2f} mm away (band: {band}). Walk {p.walk} mm per revolution, with 90 % confidence "
        f"between {p.low} and {p.high}: within {p.margin}, half of the smallest walk worth an alarm.</li>"
        for p in hold.pulleys
    ]
    return (
        f"<p>Revolutions {hold.first_rev} to {hold.last_rev}, {hold.minutes} minutes, completed at "
        f"{clock(hold.at_s)}: no move was logged, and the whole belt stayed.</p><ul>{''.join(told)}</ul>{lost}"
    )


def _side(number: str) -> str:
    return "left of " if number.startswith("-") else "right of "


def _moves(replay: Replay, moves: list[MoveDone], most: int) -> str:
    if not moves:
        return "<p>No move was logged.</p>"
    names = facts.pulleys(replay)
    head = ["", "at", "move", *(f"{p}, mm" for p in names), "what it did, once settled"]
    rows = []
    for m in moves:
        e = m.event
        by = f", by {shown(e.by, 64)}" if e.by else ""
        rows.append([
            f"<b>{m.number}</b>", clock(e.t_s), f"{_action(e, replay)}{by}",
            *(_before_after(m, p) for p in names), _effect(m, names),
        ])  # fmt: skip
    return table(head, rows, most)


def _action(event: Event, replay: Replay) -> str:
    amount = event.amount_mm or 0.0
    inch = f" ({words.fraction(amount)})" if replay.station.procedure.units == "inch" else ""
    what = "tightened" if amount >= 0 else "eased"
    size = words.move_length(amount, "mm", 0.0)
    return f"{event.where} {event.side} {what} {size}{inch}"


def _before_after(move: MoveDone, pulley: Pulley) -> str:
    texts = [signed(r.position_mm) if (r := rows.get(pulley)) else "?" for rows in (move.before, move.after)]
    return f'<span class="t">{texts[0]} &rarr; {texts[1]}</span>'


def _effect(move: MoveDone, names: Sequence[Pulley]) -> str:
    told = []
    for pulley in names:
        before, after = move.before.get(pulley), move.after.get(pulley)
        if before and after:
            spread = math.hypot(before.position_se_mm, after.position_se_mm)
            told.append(f"{pulley} {quantity(after.position_mm - before.position_mm, spread, 'mm')}")
    tail = "" if move.settled or not told else " (not settled yet)"
    flags = "".join(f"; alarm {name}" for name in move.alarms)
    if move.advised is None:
        flags += "; not advised"
    return ("; ".join(told) or "not seen") + tail + flags


# ---------------------------------------------------------------- set-up, belt, alarms


JUDGED = {True: "good", False: "<b>out of tolerance</b>"}


def _set_up(replay: Replay) -> str:
    rows, missing = [], []
    for name, event in facts.set_up(replay).items():
        good = (event.details or {}).get("good") if event else None
        if event is None or good is None:
            missing.append(facts.SET_UP[name])
        else:
            rows.append([facts.SET_UP[name], JUDGED[bool(good)], shown(event.text)])
    told = table(("", "judgement", "measurement"), rows) if rows else ""
    return told + (f"<p><b>Not made:</b> {', '.join(missing).lower()}.</p>" if missing else "")


def _belt(replay: Replay, most: int) -> str:
    allowed = replay.station.procedure.camber_tolerance_percent
    told = []
    for name, percent in replay.summary["camber_percent"].items():
        if percent is None:
            told.append(f"{shown(name)}: not known")
            continue
        judged = "within" if percent <= allowed else "<b>beyond</b>"
        told.append(f"{shown(name)}: {percent:.3f} %, {judged} {allowed:g} %{_peak(replay, name)}")
    camber = "; ".join(told) or "not learnt"
    lines = f"<p>Camber, offset at mid-length over a string of half the belt's length: {camber}.</p>"
    sections = facts.bad_sections(replay)
    if not sections:
        return lines + "<p>Bad sections: none found.</p>"
    from_where = "the mark" if replay.station.conveyor.marks else "where the first revolution began"
    rows = [
        [
            f"<b>{s.start_mm / 1000:.2f} to {s.end_mm / 1000:.2f} m</b> after {from_where}", shown(s.sensor),
            f"{s.most_mm:.1f} mm", clock(s.start_s), clock(s.end_s) if s.end_s is not None else "still so at the end",
        ]
        for s in sections
    ]  # fmt: skip
    return lines + table(("bad section", "seen by", "departs by", "from", "until"), rows, most)


def _peak(replay: Replay, sensor: str) -> str:
    rows = [r for turn in replay.found_revolutions[-1:] for r in turn.rows if r.sensor == sensor]
    known = rows and math.isfinite(rows[0].profile_pp_mm)
    return f" ({rows[0].profile_pp_mm:.2f} mm peak to peak)" if known else ""


def _alarms(replay: Replay, source: Source, most: int) -> str:
    seen = facts.alarms_seen(replay)
    if not seen:
        return "<p>No alarm was raised.</p>"
    rows = []
    for a in seen:
        ended = "<b>still stood at the end</b>" if a.cleared_s is None else f"cleared at {clock(a.cleared_s)}"
        by = source.acknowledged.get((a.name, a.where))
        rows.append([
            f"<b>{shown(a.name)}</b>", shown(a.where), f"{a.times}&times;", clock(a.first_s), ended,
            f"seen by {shown(by, 64)}" if by else "",
        ])  # fmt: skip
    return table(("alarm", "where", "raised", "first at", "end", ""), rows, most)


def _remarks(replay: Replay, most: int) -> str:
    found = facts.remarks(replay)
    if not found:
        return "<p>None.</p>"
    rows = []
    for e in found:
        who = f"by {shown(e.by, 64)}" if e.by else "" if e.name == "note" else "by the program"
        words_ = f"&ldquo;{shown(e.text or '')}&rdquo;" if e.name == "note" else shown(e.text or e.name)
        rows.append([clock(e.t_s), words_, who])
    return table(("at", "", ""), rows, most)


# ---------------------------------------------------------------- signed, check


def _signed(replay: Replay) -> str:
    lock, sign = facts.signed(replay, "lock"), facts.signed(replay, "sign")
    told = []
    for what, found in (("Locked", lock), ("Signed off", sign)):
        if found is not None:
            name = shown(found.by, 64) or "somebody who gave no name"
            told.append(f"{what} at {clock(found.at_s)} by {name}.")
    if sign is not None and replay.summary["verdict"] != "tracked":
        told.append("<b>The belt was not shown to be tracked when this record was made.</b>")
    if sign is not None and (moves := facts.touched_after(replay, sign.at_s)):
        told.append(f"<b>Moves logged after that: {moves}.</b>")
    line = '<p class="lines"><span>Name</span><span>Date</span><span>Signature</span></p>'
    blank = "" if sign is not None and sign.by else line
    return f"<p>{' '.join(told) or 'Nobody has signed this run-in off.'}</p>{blank}"


def _check(source: Source, replay: Replay) -> str:
    summary = replay.summary
    rows = [
        (shown(name), f'<span class="digest">{html.escape(digest)}</span>') for name, digest in source.digests
    ]
    kind = "a belt's log" if source.kind == "log" else "a capture"
    return (
        f"<p>Made by runin {html.escape(monitor.__version__)} from {shown(source.name, 120)} ({kind}): "
        f"{summary['records_good']} records good, {summary['records_rejected']} rejected, "
        f"{summary['records_lost']} lost. SHA-256 of its files:</p>"
        + table(("", ""), rows)
        + '<p class="small">To check: <code>sha256sum</code> gives the same digests (of a .gz file: of its content, '
        "<code>zcat FILE | sha256sum</code>), and <code>runin replay</code> of the same files with the same version "
        "gives every figure here.</p>"
    )
