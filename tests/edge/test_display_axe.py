"""axe-core, an accessibility checker, goes over the display: it must find nothing serious or critical.

axe-core is fetched by npm into a folder of this run and is no part of the project. It judges by WCAG 2.x and its
own best practices: names for screen readers, roles, contrast, order of heads, focus.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import give_up
from tests.edge.browser import Browser, open_browser
from tests.edge.display_gallery import SIZES, alarm, glance, scenes, shown, station_of

pytestmark = pytest.mark.slow
AXE = "axe-core@4"


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The script of axe-core."""
    npm = shutil.which("npm")
    if npm is None:
        give_up("no npm on this machine (apt-get install npm), so axe-core cannot be fetched")
    folder = tmp_path_factory.mktemp("axe")
    command = [
        npm,
        "install",
        "--silent",
        "--no-audit",
        "--no-fund",
        "--ignore-scripts",
        "--prefix",
        str(folder),
        AXE,
    ]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists():
        give_up(f"npm could not fetch {AXE}: {done.stderr[-200:]}")
    return script.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with open_browser(tmp_path_factory.mktemp("browser")) as found:
        yield found


def faults(browser: Browser, axe: str) -> list[str]:
    """What axe-core calls serious or critical, with the place."""
    browser.value(f"{axe};typeof axe")
    found: list[dict[str, Any]] = browser.value(
        "axe.run().then(r => JSON.parse(JSON.stringify(r.violations)))"
    )
    return [
        f"{one['impact']} {one['id']}: {node['html'][:120]} {node['failureSummary'][:200]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def test_axe_finds_what_is_wrong(browser: Browser, axe: str) -> None:
    """The check can fail: a button without a name is critical."""
    with shown(station_of(), glance("steer", station_of())) as (display, _):
        browser.open(display.place.url, 1280, 800)
        browser.wait("picture.pulleys.length > 0")
        browser.value("document.getElementById('size').textContent = ''")
        assert any("button-name" in fault for fault in faults(browser, axe))


@pytest.mark.parametrize("dark", [False, True])
def test_no_scene_has_a_serious_fault(browser: Browser, axe: str, dark: bool) -> None:
    for name, station, seen in scenes():
        with shown(station, seen) as (display, _):
            browser.open(display.place.url, *SIZES[1], dark=dark)
            browser.wait("picture.pulleys.length > 0 && pastRun === picture.run")
            assert faults(browser, axe) == [], name


def test_a_telephone_and_every_dialog_have_no_serious_fault(
    browser: Browser, axe: str, tmp_path: Path
) -> None:
    station = station_of()
    quiet = replace(alarm("sensor-noisy"), state="shelved", shelved_until_s=2500.0)
    with shown(station, glance("set-up", station, alarms=(alarm("drift"), quiet))) as (display, _):
        for width, height in SIZES:
            browser.open(display.place.url, width, height)
            browser.wait("picture.pulleys.length > 0 && pastRun === picture.run")
            assert faults(browser, axe) == []
            for what in browser.value(
                "[...document.querySelectorAll('[data-opens]')].map(b => b.dataset.opens)"
            ):
                browser.value(f"document.querySelector('[data-opens={what}]').click()")
                assert browser.value(f"document.getElementById('dialog-{what}').open")
                assert faults(browser, axe) == [], what
                assert browser.value(
                    f"(d => d.scrollWidth <= d.clientWidth + 1)(document.getElementById('dialog-{what}'))"
                ), (what, width)
                browser.picture(tmp_path / f"{what}-{width}.png")
                browser.value(f"document.getElementById('dialog-{what}').close()")
            browser.value("document.getElementById('open-alarms').click()")
            browser.value("document.querySelector('[aria-label^=\"Shelve: drift\"]').click()")
            assert faults(browser, axe) == []
            browser.picture(tmp_path / f"shelve-{width}.png")
