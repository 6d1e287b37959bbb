"""The shipped files: written whole, never over another, and the unit as closed as it is said to be."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from monitor.errors import UsageError
from monitor.outside.deploying import DEPLOY_FILES, deploy_text, write_deploy_files

MOST_EXPOSURE = 2.0  # of 10, by systemd's own weights; an unhardened unit has 9.2


def test_the_files_are_written_and_other_files_are_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "folder"
    assert [path.name for path in write_deploy_files(folder)] == list(DEPLOY_FILES)
    write_deploy_files(folder)  # the same again changes nothing
    (folder / "mosquitto.acl").write_text("topic readwrite #\n")
    with pytest.raises(UsageError, match=r"mosquitto\.acl: is there already"):
        write_deploy_files(folder)
    assert (folder / "mosquitto.acl").read_text() == "topic readwrite #\n"


def test_the_installing_page_names_every_file() -> None:
    page = deploy_text("INSTALL.md")
    for name in DEPLOY_FILES[1:]:
        assert name.replace("runin@.service", "runin@.service") in page


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_the_unit_is_closed(tmp_path: Path) -> None:
    unit = tmp_path / "runin@bay-2.service"
    unit.write_text(deploy_text("runin@.service"))
    command = ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "offline" in done.stderr:
        pytest.skip("this systemd-analyze cannot look at a unit file alone")
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= MOST_EXPOSURE


def test_the_unit_is_fed_by_the_service_and_sees_serial_ports() -> None:
    lines = deploy_text("runin@.service").splitlines()
    assert "Type=notify" in lines
    assert any(line.startswith("WatchdogSec=") for line in lines)
    assert "SupplementaryGroups=dialout" in lines
    assert {"DeviceAllow=char-ttyUSB rw", "DeviceAllow=char-ttyACM rw"} <= set(lines)
