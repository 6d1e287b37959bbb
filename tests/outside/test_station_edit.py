"""Numbers of a [[sensor]] table change; nothing else in the file does."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from monitor.errors import StationFileError
from monitor.outside.station_edit import with_sensor_numbers, write_station_text

TEXT = """# a bay
[bay]
site = "hall"   # zero_counts = 5 is no key here
name = "bay-1"

[[sensor]]   # the first
name = "infeed-left"
channel = 0
zero_counts = 32768      # measured last spring
counts_per_mm = 600.0 # rising

  [[sensor]]
  name = "drive-left"
  channel = 1
  counts_per_mm = -550.0

[limits] # after
centre_mm = 3.0
"""


def test_only_the_numbers_change() -> None:
    new = with_sensor_numbers(TEXT, "infeed-left", {"zero_counts": 31000.5, "counts_per_mm": -601.25}, "f")
    expected = TEXT.replace("32768  ", "31000.5  ").replace("600.0 #", "-601.25 #")
    assert new == expected


def test_a_missing_key_is_put_in() -> None:
    new = with_sensor_numbers(TEXT, "drive-left", {"zero_counts": 7.0}, "f")
    assert new == TEXT.replace("  [[sensor]]\n", "  [[sensor]]\n  zero_counts = 7.0\n")


def test_windows_line_ends_stay() -> None:
    text = TEXT.replace("\n", "\r\n")
    new = with_sensor_numbers(text, "infeed-left", {"zero_counts": 1.0}, "f")
    assert new == text.replace("32768  ", "1.0  ")
    put_in = with_sensor_numbers(text, "drive-left", {"zero_counts": 7.0}, "f")
    assert put_in == text.replace("  [[sensor]]\r\n", "  [[sensor]]\r\n  zero_counts = 7.0\r\n")


def test_tables_written_in_another_way_are_refused_with_the_numbers() -> None:
    inline = 'sensor = [{name = "infeed-left", zero_counts = 1.0}]\n'
    with pytest.raises(StationFileError, match="infeed-left"):
        with_sensor_numbers(inline, "infeed-left", {"zero_counts": 2.0}, "f")


def test_a_trap_in_a_long_text_is_noticed() -> None:
    trap = TEXT.replace('name = "infeed-left"', 'name = "infeed-left"\nnote = """\nzero_counts = 9\n"""')
    with pytest.raises(StationFileError, match="by hand: zero_counts"):
        with_sensor_numbers(trap, "infeed-left", {"zero_counts": 2.0}, "f")


def test_writing_keeps_mode_and_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.toml", tmp_path / "station.toml"
    real.write_text(TEXT)
    real.chmod(0o640)
    link.symlink_to(real)
    write_station_text(link, TEXT + "\n")
    assert link.is_symlink()
    assert real.read_text() == TEXT + "\n"
    assert real.stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path).count("real.toml") == 1
    assert len(os.listdir(tmp_path)) == 2
    assert tomllib.loads(real.read_text())["limits"]["centre_mm"] == 3.0


def test_a_folder_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    with pytest.raises(StationFileError, match="cannot be written"):
        write_station_text(tmp_path / "absent" / "station.toml", TEXT)
