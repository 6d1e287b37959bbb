"""How the record of a run-in looks, on a screen and on paper, and how much of it a print has room for.

Black on white with thin rules, so that a bad printer and a copy of a copy still show it; nothing is told by
colour alone. Paper sizes: A4 of ISO 216, and Letter.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Room:
    """How many rows of each table are printed; the rest is on the screen only. percent: of the usual size."""

    moves: int = 10
    sections: int = 5
    alarms: int = 7
    remarks: int = 5
    percent: int = 100


ROOMS: tuple[Room, ...] = (  # smaller letters come first: they leave nothing out
    Room(),
    Room(percent=90),
    Room(percent=82),
    Room(moves=7, sections=3, alarms=5, remarks=3, percent=82),
    Room(moves=3, sections=1, alarms=2, remarks=1, percent=82),
)


def style_sheet(paper: str, percent: int) -> str:
    """The page's style sheet. paper: A4 or Letter; percent: print size of the usual 8.3 pt."""
    return STYLE.replace("$PAPER", paper).replace("$PRINT", f"{8.3 * percent / 100.0:.2f}pt")


STYLE = """
@page { size: $PAPER; margin: 11mm 12mm 12mm;
  @bottom-right { content: counter(page) " / " counter(pages); font: 7pt sans-serif; color: #555 } }
* { box-sizing: border-box }
body { margin: 0; background: #fff; color: #1b1b1b; font: 15px/1.4 Helvetica, Arial, "DejaVu Sans", sans-serif }
main { max-width: 62em; margin: 0 auto; padding: 1.2em }
header { display: flex; justify-content: space-between; align-items: flex-end; border-bottom: 2px solid }
h1 { margin: 0 0 .2em; font-size: 1.9em; line-height: 1.1; overflow-wrap: anywhere }
h2 { margin: 1.1em 0 .25em; font-size: 1.05em; border-bottom: 1px solid #bbb }
p { margin: .25em 0 } ul { margin: .25em 0; padding-left: 1.3em }
.kind { margin: .2em 0; color: #555 }
.verdict { margin: 0 0 .4em; padding: .25em .7em; border: 2px solid; font-size: 1.35em; font-weight: bold;
  white-space: nowrap }
.verdict span { display: block; font-size: .5em; font-weight: normal }
.verdict.tracked { background: #1b1b1b; color: #fff }
.verdict.undecided { border-style: dashed }
.reasons { margin-top: .6em }
table { border-collapse: collapse; width: 100% }
th { text-align: left; font-weight: normal; color: #555; font-size: .9em }
td, th { padding: .12em .7em .12em 0; vertical-align: top; border-bottom: 1px solid #e2e2e2 }
td bdi { overflow-wrap: anywhere }
.meta { margin-top: .5em }
.meta td:first-child { white-space: nowrap; width: 6.5em }
.t { white-space: nowrap }
.small { font-size: .88em; color: #444 }
.digest, code { font-family: "DejaVu Sans Mono", monospace; font-size: .88em; overflow-wrap: anywhere }
.lines span { display: inline-block; width: 31%; margin: 2.2em 2% 0 0; border-top: 1px solid; font-size: .85em }
.caution { margin-top: 1em; padding: .4em .6em; border: 1.5px solid; font-weight: bold; font-size: .9em }
svg { display: block; width: 100%; height: auto }
.print { display: none }
@media screen { .figure { overflow-x: auto } .figure svg { min-width: 42em } }
@media print {
  body { font-size: $PRINT; line-height: 1.28 }
  main { max-width: none; padding: 0 }
  .screen { display: none } .print { display: table-row }
  h2 { margin-top: .7em } section { break-inside: avoid } .turn { break-before: page }
}
"""
