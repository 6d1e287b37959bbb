"""A conveyor with known truth, as a source of wire bytes, that answers moves."""

from monitor.simulation.families import FAMILIES, make
from monitor.simulation.params import Bump, Drift, Fault, Params, ScheduledMove, SensorFit, SpeedChange, Stop
from monitor.simulation.simulation import Simulation

__all__ = [
    "FAMILIES",
    "Bump",
    "Drift",
    "Fault",
    "Params",
    "ScheduledMove",
    "SensorFit",
    "Simulation",
    "SpeedChange",
    "Stop",
    "make",
]
