"""The words a person with a wrench in the hand reads: lengths, sides, cautions, usual causes.

Left and right are the sides as the person stands looking the way the carrying side travels. Lengths are
shown in the station's unit: mm with one decimal, or fractions of an inch down to 1/32 (finer only for a
nudge that is finer). The cautions follow the rules for work on conveyors (ASME B20.1, 29 CFR 1910.147, ISO
12100 hazards) in words of our own.
"""

from __future__ import annotations

import math
from typing import Literal

from monitor.records import Side

Units = Literal["mm", "inch"]
INCH_MM = 25.4

CAUTION_MOVE = (
    "Moving belt and pulleys draw in hands, hair and clothing. Trained persons only, guards "
    "on. Adjust only from "
    "outside the guards, with the tool on the take-up screw; never reach past the frame, under "
    "the belt or near a "
    "pulley. To reach in or take off a guard: stop, lock out, tag out, release the tension, try to start. "
    "This is advice, not a safety device."
)
CAUTION_SNUB = (
    "The snub sits beside a nip. If its jack cannot be turned from outside the guards: stop, "
    "lock out, tag out, try to "
    "start, then adjust. This program does not stop the conveyor, and its readings are no "
    "proof that it stands still."
)
CAUTION_WATCH = "Keep clear of the moving belt; guards on. This is advice, not a safety device."
CAUTION_STOP = (
    "Stop the conveyor with its own stop control. Before a restart: all persons clear, guards "
    "on, warn, then start. "
    "This program does not stop the conveyor."
)
CAUTION_CHECK = (
    "Stop and lock out before you reach in, clean, or touch pulley, snub, sensor or splice. "
    "This program does not stop "
    "the conveyor, and its readings are no proof that it stands still."
)
CAUTION_BY_HAND = (
    "Stop the conveyor with its own stop control, lock out, tag out, try to start, and release the tension before "
    "hands go near belt or pulleys. Before a restart: all persons clear, guards on, warn, then start. "
    "This program does not stop the conveyor, and its readings are no proof that it stands still."
)
CAUTION_LOCK = (
    "Stop and lock out before you tighten anything inside the guards. Guards back on, tools out, "
    "then restart."
)

CAUSES_FRAME = (
    "Is the frame level, along and across? A twisted or unlevel frame sends the belt to its low side.",
    "Are the infeed and drive shafts square to the bed? Take the same measurement on both "
    "sides, or the diagonals.",
    "Is the tension even, and high enough that the belt does not slide on the drive pulley?",
    "Is there build-up or worn lagging on a pulley?",
    "Is the splice square?",
    "Is the belt's camber within tolerance?",
    "Does every roller turn? A seized or skewed return roller or snub steers the belt.",
)
CAUSES_SECTION = (
    "Is the belt's edge torn, frayed or folded at that place?",
    "Is a splice or a repair there coming loose, or was it made crooked?",
    "Is something stuck to the belt there, on either side?",
)
CAUSES_NO_ANSWER = (
    "Was the move made, on the side that was logged? Look at the screw, not at the list.",
    "Is the bearing's lock bolt loose, and does the bearing follow the screw? Take up the "
    "slack of the thread.",
    "Is the tension high enough that the belt does not slide on the drive pulley?",
    "Is there build-up or worn lagging on a pulley?",
    "Does every roller turn?",
)
CAUSES_LIVELY = (
    "Do the pulleys have the crown that the drawing asks for? On flat ones nothing brings the belt back.",
    "Is the tension as it should be? A belt that is too tight answers more strongly.",
    "Does the take-up screw turn without jerks, and does the bearing follow it at once?",
    "Does every roller turn, and is none skewed?",
)
CAUSES_BELT = (
    "Is the splice square? Look where the edge jumps.",
    "Is the belt's camber within tolerance? Lay it flat and stretch a string along the edge.",
    "Is the tension even, and high enough to pull the belt straight?",
    "Is there build-up on a pulley?",
)
CAUSES_SENSOR = (
    "Is the sensor clean, fixed and free of the belt?",
    "Is its cable plugged in and whole?",
    "Does it see the edge, with nothing else in its view?",
)


def fraction(mm: float, finest: int = 32) -> str:
    """A length as an inch fraction: 1/16 in, 1 3/32 in. Never nothing: a length below the finest goes
    finer.
    """
    inches = abs(mm) / INCH_MM
    small = inches < 0.75 / finest
    while small and finest < 512 and abs(round(inches * finest) / finest - inches) > 0.15 * inches:
        finest *= 2
    whole, part = divmod(round(inches * finest), finest)
    if part == 0:
        return f"{whole} in"
    shrink = math.gcd(part, finest)
    text = f"{part // shrink}/{finest // shrink} in"
    return f"{whole} {text}" if whole else text


def length(mm: float, units: Units) -> str:
    """A length without its sign, as it is read on the shop floor."""
    return fraction(mm) if units == "inch" else f"{abs(mm):.1f} mm"


def distance(mm: float, units: Units) -> str:
    """A length along the belt, as a tape finds it: `8.48 m`, `27 ft 10 in`."""
    if units == "mm":
        return f"{mm / 1000.0:.2f} m"
    feet, inches = divmod(round(mm / INCH_MM), 12)
    return f"{feet} ft {inches} in"


def stretch(start_mm: float | None, end_mm: float | None, units: Units, marks: bool) -> str:
    """Where a section of the belt lies: `8.48 m to 8.91 m after the belt mark`. Empty: not known, or no belt has a
    mark to measure from. A section that begins before the mark and ends after it has start_mm > end_mm.
    """
    if start_mm is None or end_mm is None or not marks:
        return ""
    start, end = distance(start_mm, units), distance(end_mm, units)
    across = ", across the mark," if start_mm > end_mm else ""
    return f"{start}{across} to {end} after the belt mark"


def move_length(mm: float, units: Units, finest_mm: float) -> str:
    """The amount of a move, fine enough to show it exactly as it was rounded."""
    if units == "mm":
        return f"{abs(mm):.2f}".rstrip("0").rstrip(".") + " mm"
    return fraction(mm, 32 if finest_mm >= INCH_MM / 33 else 256 if finest_mm >= INCH_MM / 257 else 512)


def turns(mm: float, pitch_mm: float) -> str:
    """A move as a hand makes it: `1 3/8 turns`, below an eighth in degrees."""
    count = abs(mm) / pitch_mm
    if count < 0.11:
        return f"{max(round(72 * count), 1) * 5} degrees"
    whole, part = divmod(max(round(8 * count), 1), 8)
    shrink = math.gcd(part, 8)
    share = f"{part // shrink}/{8 // shrink}" if part else ""
    text = " ".join(filter(None, (str(whole) if whole else "", share)))
    return f"{text} turn{'s' if whole > 1 or (whole and part) else ''}"


def side_of(mm: float) -> Side:
    """The side of centre a position lies on."""
    return "right" if mm > 0 else "left"


def revolutions(count: float) -> str:
    whole = max(math.ceil(count - 1e-9), 1)
    return "1 revolution" if whole == 1 else f"{whole} revolutions"


def minutes(count: float) -> str:
    if count < 1.5:
        return f"{max(round(count * 60 / 5) * 5, 5)} seconds"
    return f"{count:.1f} minutes" if count < 9.95 else f"{count:.0f} minutes"
