"""The README says what is so: its tables are those of the program, its commands exist, its paths are there.

`--rebuild` writes the generated parts anew.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.alarms.catalogue import markdown_table
from monitor.errors import ExitCode
from monitor.settings import parse_station, station_toml_for_docs
from tests.conftest import ROOT

README = ROOT / "README.md"


def settings_block() -> str:
    return f"```toml\n{station_toml_for_docs()}```\n"


GENERATED = {"alarms": markdown_table, "settings": settings_block}


def split_at(text: str, name: str) -> tuple[str, str, str]:
    """What stands before, between and after the marks of a generated part."""
    begin, end = f"<!-- {name}: generated -->\n", f"<!-- end of {name} -->\n"
    assert text.count(begin) == text.count(end) == 1
    before, rest = text.split(begin)
    between, after = rest.split(end)
    return before + begin, between, end + after


@pytest.mark.parametrize("name", list(GENERATED))
def test_generated_parts_are_what_the_program_says(name: str, rebuild: bool) -> None:
    before, between, after = split_at(README.read_text(), name)
    made = "\n" + GENERATED[name]() + "\n"
    if rebuild:
        README.write_text(before + made + after)
        between = made
    assert between == made, "run: sh .ci/test tests/test_readme.py --rebuild"


def test_every_command_shown_exists() -> None:
    shown = set(re.findall(r"^ {4}runin ([a-z]+(?: [a-z-]+)?)", README.read_text(), re.MULTILINE))
    assert shown
    for command in shown:
        words = command.split()
        words = words[:1] if words[0] not in ("log", "board") else words
        done = subprocess.run(
            [sys.executable, "-m", "monitor", *words, "--help"], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, f"runin {command}: {done.stderr}"


def test_every_option_shown_exists() -> None:
    for line in re.findall(r"^ {4}runin .*$", README.read_text(), re.MULTILINE):
        words = line.split("#")[0].split()[1:]
        depth = 2 if words[0] in ("log", "board") else 1
        options = {word.split("=")[0] for word in words if word.startswith("--")}
        if not options:
            continue
        done = subprocess.run(
            [sys.executable, "-m", "monitor", *words[:depth], "--help"],
            capture_output=True,
            text=True,
            timeout=60,
            env={"PATH": "/usr/bin", "COLUMNS": "200", "NO_COLOR": "1"},
        )
        for option in options:
            assert option in done.stdout, f"{line}: there is no {option}"


def test_the_example_station_file_is_good() -> None:
    block = re.search(r"```toml\n(\[bay\].*?)```", README.read_text(), re.DOTALL)
    assert block is not None
    parse_station(block[1])


def test_every_path_named_exists() -> None:
    for path in re.findall(r"\]\(([^)#:]+)\)", README.read_text()):
        assert (ROOT / path).exists(), path


def test_exit_codes_are_all_listed() -> None:
    text = README.read_text()
    assert all(re.search(rf"^\| {code.value} \|", text, re.MULTILINE) for code in ExitCode)


def test_the_python_example_runs(tmp_path: Path) -> None:
    block = re.search(r"```python\n(.*?)```", README.read_text(), re.DOTALL)
    assert block is not None
    done = subprocess.run(
        [sys.executable, "-c", block[1]], capture_output=True, text=True, timeout=120, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
