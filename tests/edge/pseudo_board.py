"""A sensor board's serial port without a board."""

from __future__ import annotations

import os
import pty
import tty
from pathlib import Path


class Board:
    """A pseudo-terminal behind a symbolic link, as udev gives one: it can be pulled and put back."""

    def __init__(self, link: Path) -> None:
        self.link, self.master = link, -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.link.symlink_to(os.ttyname(slave))
        self.slave = slave

    def say(self, text: bytes) -> None:
        view = memoryview(text)
        while view:
            view = view[os.write(self.master, view[:4000]) :]

    def pull(self) -> None:
        self.link.unlink()
        os.close(self.slave)
        os.close(self.master)
        self.master = -1
