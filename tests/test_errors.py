"""The error tree: one root, the documented exit codes."""

from __future__ import annotations

import inspect

from monitor import errors
from monitor.errors import ExitCode, RuninError, StationFileError


def test_every_error_has_the_root_and_an_exit_code_that_is_not_success() -> None:
    tree = [
        kind for _, kind in inspect.getmembers(errors, inspect.isclass) if issubclass(kind, BaseException)
    ]
    assert len(tree) > 5
    for kind in tree:
        assert issubclass(kind, RuninError)
        assert kind.exit_code in set(ExitCode) - {ExitCode.OK}


def test_exit_codes_are_the_documented_numbers() -> None:
    assert [(code.name, code.value) for code in ExitCode] == [
        ("OK", 0),
        ("ANSWER_NO", 1),
        ("USAGE", 2),
        ("INPUT_UNREADABLE", 3),
        ("NO_DEVICE", 4),
        ("NO_BROKER", 5),
    ]


def test_station_faults_are_lines_that_name_the_file() -> None:
    assert str(StationFileError("a.toml", ["x: y", "z: w"])) == "a.toml: x: y\na.toml: z: w"
