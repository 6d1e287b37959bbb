"""The run-in's procedure: its stages, the advice, the hold and the verdict."""

from monitor.procedure.belt import Belt
from monitor.procedure.runin import RunIn

__all__ = ["Belt", "RunIn"]
