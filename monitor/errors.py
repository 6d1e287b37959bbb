"""One error tree: what can go wrong through a person's or a machine's fault, each in one clear sentence.

Every error that a user can cause or meet is a RuninError. Its text names the place and what was
expected; its `exit_code` is what the command line gives back. Bad bytes from the board are not errors:
they are rejected and counted (monitor.readings). Anything else that escapes is a mistake in the program.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum
from typing import ClassVar


class ExitCode(IntEnum):
    """What a command gives back to the shell."""

    OK = 0
    ANSWER_NO = 1  # it ran, and the answer is no (not tracked, a check failed)
    USAGE = 2  # wrong call, or a wrong station file
    INPUT_UNREADABLE = 3
    NO_DEVICE = 4
    NO_BROKER = 5


class RuninError(Exception):
    """Base of the tree. The message is one sentence for a person; `exit_code` is for the shell."""

    exit_code: ClassVar[ExitCode] = ExitCode.ANSWER_NO


class UsageError(RuninError):
    """The command was called in a way that cannot be carried out."""

    exit_code = ExitCode.USAGE


class StationFileError(RuninError):
    """The station file cannot be used. `faults` holds one line for each fault, `name` the file."""

    exit_code = ExitCode.USAGE

    def __init__(self, name: str, faults: Iterable[str]) -> None:
        self.name = name
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{name}: {fault}" for fault in self.faults))


class EntryError(RuninError):
    """What a person entered (a move, a stage, an acknowledgement) cannot be understood or accepted."""

    exit_code = ExitCode.USAGE


class RecordingError(RuninError):
    """A recording, or a file that belongs to it, cannot be read."""

    exit_code = ExitCode.INPUT_UNREADABLE


class MovesFileError(RecordingError):
    """A moves.csv has a line that cannot be understood. `faults` holds one line for each fault."""

    def __init__(self, name: str, faults: Iterable[str]) -> None:
        self.name = name
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{name}: {fault}" for fault in self.faults))


class PortError(RuninError):
    """The sensor board cannot be reached."""

    exit_code = ExitCode.NO_DEVICE


class BrokerError(RuninError):
    """The MQTT broker cannot be reached, or refuses."""

    exit_code = ExitCode.NO_BROKER
