"""The shipped files: written whole, never over another, and the unit as closed as it is said to be."""

from __future__ import annotations

import os
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


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_systemd_understands_every_line_of_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / "runin@bay-2.service"
    unit.write_text(deploy_text("runin@.service").replace("/opt/runin/bin/runin", "/bin/true"))
    command = ["systemd-analyze", "verify", "--man=no", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "runin@bay-2.service" not in done.stderr + done.stdout, done.stderr
    assert done.returncode == 0
    unit.write_text(unit.read_text().replace("ProtectClock=yes", "ProtectClok=yes"))  # it would find a fault
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "ProtectClok" in done.stderr + done.stdout


@pytest.mark.skipif(
    shutil.which("systemd-sysusers") is None or shutil.which("systemd-tmpfiles") is None,
    reason="systemd-sysusers and systemd-tmpfiles are not installed",
)
def test_user_and_folders_come_about_in_a_root_of_their_own(tmp_path: Path) -> None:
    etc = tmp_path / "etc"
    for kind in ("sysusers", "tmpfiles"):
        (etc / f"{kind}.d").mkdir(parents=True)
        (etc / f"{kind}.d" / "runin.conf").write_text(deploy_text(f"runin.{kind}.conf"))
    (etc / "group").write_text("dialout:x:20:\n")
    (etc / "passwd").write_text("")
    if os.geteuid() != 0:
        pytest.skip("folders of another user are made by root only")
    for command in (["systemd-sysusers"], ["systemd-tmpfiles", "--create"]):
        subprocess.run([*command, f"--root={tmp_path}"], check=True, capture_output=True)
    assert re.search(r"^runin:x:\d+:\d+:Run-in monitor:/var/lib/runin:", (etc / "passwd").read_text(), re.M)
    assert "dialout:x:20:runin" in (etc / "group").read_text()
    modes = {
        name: oct((tmp_path / name).stat().st_mode & 0o777) for name in ("etc/runin", "etc/runin/secret")
    }
    assert modes == {"etc/runin": "0o750", "etc/runin/secret": "0o700"}
    logs = (tmp_path / "var/lib/runin").stat()
    assert oct(logs.st_mode & 0o777) == "0o750"
    assert f":{logs.st_uid}:" in (etc / "passwd").read_text()


def test_the_installing_pages_commands_run_where_they_stand() -> None:
    """Every command that is ours is called by its path, and every shipped file is copied from where it was written."""
    lines = [line[4:] for line in deploy_text("INSTALL.md").splitlines() if line.startswith("    ")]
    place = ""
    for line in lines:
        assert not line.startswith("runin "), line
        moved = re.search(r"\bcd (\S+)", line)
        place = moved[1] if moved else place
        copied = re.match(r"cp (\S+)", line)
        if copied and copied[1] in DEPLOY_FILES:
            assert place == "/usr/local/share/runin", line
