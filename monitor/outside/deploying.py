"""The files that a bay's machine needs besides the program: unit, rules, broker's configuration, the installing page.

They lie in the package (folder `deploy`), so that what is installed is what was tested.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from monitor.errors import UsageError

DEPLOY_FILES = (
    "INSTALL.md",
    "runin@.service",
    "70-runin.rules",
    "runin.tmpfiles.conf",
    "runin.sysusers.conf",
    "mosquitto.conf",
    "mosquitto.acl",
)


def deploy_text(name: str) -> str:
    """The text of one of DEPLOY_FILES."""
    return (files("monitor.outside") / "deploy" / name).read_text(encoding="utf-8")


def write_deploy_files(folder: Path) -> list[Path]:
    """Writes them all into a folder, made when absent. Raises UsageError where another file would be changed."""
    folder.mkdir(parents=True, exist_ok=True)
    wanted = {folder / name: deploy_text(name) for name in DEPLOY_FILES}
    for path, text in wanted.items():
        if path.exists() and path.read_text(encoding="utf-8", errors="replace") != text:
            raise UsageError(f"{path}: is there already and differs; move it away, or name another folder")
    for path, text in wanted.items():
        path.write_text(text, encoding="utf-8")
    return list(wanted)
