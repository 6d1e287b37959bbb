"""Readings: bytes as the board sent them -> records on one clock -> edges in millimetres.

`Decoder` frames, checks and times the lines of wire format 1; `Calibration` turns counts into
millimetres with a quality for each; `parse_moves` reads what the technician wrote down.
"""

from monitor.readings.calibration import Calibration, Quality
from monitor.readings.decoder import Decoder
from monitor.readings.moves import parse_moves

__all__ = ["Calibration", "Decoder", "Quality", "parse_moves"]
