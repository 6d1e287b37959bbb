"""What all tests share: the recordings beside the checkout, and the rule for tests that need mosquitto."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NoReturn

import pytest

from monitor.outside.broker import find_mosquitto

ROOT = Path(__file__).resolve().parent.parent
SAMPLE_LOGS = ROOT / "sample_logs"


def captures_folder() -> Path | None:
    """Where the shared captures lie: RUNIN_CAPTURES, else ../shared/captures beside the checkout."""
    named = os.environ.get("RUNIN_CAPTURES")
    folder = Path(named) if named else ROOT.parent / "shared" / "captures"
    return folder if folder.is_dir() else None


def capture_names() -> list[str]:
    """The names of the shared captures, for parametrised tests; empty when they are absent."""
    folder = captures_folder()
    return sorted(p.parent.name for p in folder.glob("*/board.wire")) if folder else []


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rebuild",
        action="store_true",
        help="write the expected events of sample_logs anew; say why in the commit",
    )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if find_mosquitto() is not None or os.environ.get("CI", "").lower() in ("1", "true"):
        return  # in CI a missing mosquitto is a failure: the tests run and say so
    skip = pytest.mark.skip(reason="mosquitto is not installed (apt-get install mosquitto)")
    for item in items:
        if item.get_closest_marker("mosquitto"):
            item.add_marker(skip)


def give_up(why: str) -> NoReturn:
    """Something that a test needs is not installed: it is skipped on a developer's machine and fails in CI."""
    if os.environ.get("CI", "").lower() in ("1", "true"):
        pytest.fail(why)
    pytest.skip(why)


@pytest.fixture(scope="session")
def captures() -> Path:
    """The folder of the shared captures; skips the test when it is not there."""
    folder = captures_folder()
    if folder is None:
        pytest.skip("no shared captures: set RUNIN_CAPTURES, or put them at ../shared/captures")
    return folder


@pytest.fixture
def rebuild(request: pytest.FixtureRequest) -> bool:
    """True when expected files are to be written anew instead of compared."""
    return bool(request.config.getoption("--rebuild"))
