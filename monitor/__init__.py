"""Run-in monitor: watches where a conveyor belt rides, and says when it is tracked."""

__version__ = "0.1.0"
