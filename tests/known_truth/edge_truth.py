"""What both edges of a pulley should have said of a simulated belt, against what was said.

Faults found are texts, none on a belt that was judged well. Rules: damage and a change of width of MUST times
`width_mm` or more are told at every pulley, with edge, sign and size (within SIZE_SHARE); so is a sensor that
was knocked aside; nothing else is; a section is told once at each pulley, whatever sees it.
"""

from __future__ import annotations

from collections import Counter

from monitor.pipeline import Pipeline
from monitor.records import Event
from monitor.simulation import Params
from tests.known_truth.belt_truth import Run, simulated_run
from tests.known_truth.rules import MUST

NOTES = ("edge-damage", "width-change", "edge-shift")
SIZE_SHARE = 0.25
LATEST_REV = 2.5  # after the full size


def said(run: Run) -> list[Event]:
    """Every event of a run."""
    pipeline = Pipeline(run.station)
    for move in run.moves:
        pipeline.enter(move, move.t_s)
    return [m for m in pipeline.consume(run.records) + pipeline.finish() if isinstance(m, Event)]


def faults_of(params: Params) -> list[str]:
    """What was told wrongly, or not told, of this belt's edges."""
    run = simulated_run(params, params.seed)
    events = said(run)
    truth, limit = run.truth, run.station.limits.width_mm
    notes = [e for e in events if e.name in NOTES and (e.details or {}).get("active")]
    wanted = _wanted(params, run, limit)
    faults = []
    for name, where, size, from_rev, until_rev in wanted:
        mine = [e for e in notes if e.name == name and where == (e.sensor or e.pulley)]
        good = [e for e in mine if from_rev <= truth.rolled(e.t_s) <= until_rev]
        if not good:
            faults.append(f"{name} at {where} not told ({size:+.1f} mm, rev {from_rev:.1f})")
        elif not _fits(name, (good[0].value_mm or 0.0) / size):
            faults.append(f"{name} at {where}: told {good[0].value_mm}, was {size:+.1f} mm")
    may = {(name, where) for name, where, *_ in wanted}
    faults += [
        f"{e.name} at {e.sensor or e.pulley} told at rev {truth.rolled(e.t_s):.1f}, was nothing"
        for e in notes
        if (e.name, e.sensor or e.pulley) not in may
    ]
    return faults + _sections(events, run)


def _fits(name: str, share: float) -> bool:
    """Told and true size agree; damage and width may be told while they still grow."""
    return (1.0 - SIZE_SHARE if name == "edge-shift" else 0.2) <= share <= 1.0 + SIZE_SHARE


def _sections(events: list[Event], run: Run) -> list[str]:
    told = Counter(str(e.pulley) for e in events if e.name == "section-wobble" and e.kind == "alarm-raised")
    most = len(run.truth.bumps)
    return [f"section-wobble told {n} times at {pulley}" for pulley, n in told.items() if n > most]


def _wanted(params: Params, run: Run, limit: float) -> list[tuple[str, str, float, float, float]]:
    """(name, where, size, from revolution, until revolution) of every note that has to come."""
    wanted = []
    pulleys = sorted({fit.pulley for fit in params.sensors})
    for b in run.truth.bumps:
        if b.edge in ("left", "right") and abs(b.size_mm) >= MUST * limit:
            wanted += [
                ("edge-damage", f"{p}-{b.edge}", b.size_mm, b.start_rev, b.full_rev + LATEST_REV)
                for p in pulleys
            ]
        elif b.edge == "apart":
            wanted += [
                ("width-change", p, 2.0 * b.size_mm, b.start_rev, b.full_rev + LATEST_REV) for p in pulleys
            ]
    for w in params.widenings:
        if abs(w.mm) >= MUST * limit:
            start = run.truth.rolled(w.start_s)
            wanted += [("width-change", p, w.mm, start, start + w.revs + LATEST_REV) for p in pulleys]
    for f in params.faults:
        if f.kind == "shifted":
            start = run.truth.rolled(f.start_s)
            where = params.sensors[f.sensor].name
            wanted.append(("edge-shift", where, f.size, start, start + LATEST_REV))
    return wanted
