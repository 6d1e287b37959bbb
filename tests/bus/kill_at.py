"""A daemon that kills itself at one exact instant, to try what its next start makes of it.

    python -m tests.bus.kill_at STATION INSTANT REVOLUTION

INSTANT, all at the revolution of that number: `logged` (its bytes are in the log, the pipeline has not seen them),
`recorded` (its events are in the log, too, and not in the outbox), `committed` (the outbox has them, the broker may
not), `finished` (the end's own events are in the log and not in the outbox), `alarmed` (likewise the first alarm);
these two do not use REVOLUTION.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor.outside.outbox import Outbox
from monitor.outside.service import run_service
from monitor.settings import load_station
from tests.edge.simple_pipeline import SimplePipeline


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def before(owner: type, name: str, due: Callable[..., bool]) -> None:
    """Die instead of calling `owner.name` when `due` says so of its arguments."""
    real = getattr(owner, name)

    def call(*given: Any, **named: Any) -> Any:
        if due(*given, **named):
            die()
        return real(*given, **named)

    setattr(owner, name, call)


def arm(instant: str, revolution: int) -> None:
    mark = f'"rev":{revolution},'.encode()

    def speaks_of_it(_outbox: Outbox, drafts: Any, **_: Any) -> bool:
        return any(mark in draft.payload and draft.kind == "revolution" for draft in drafts)

    def is_the_end(_outbox: Outbox, drafts: Any, **_: Any) -> bool:
        return any(b'"the-end"' in draft.payload for draft in drafts)

    if instant == "logged":
        before(SimplePipeline, "_revolve", lambda pipeline: pipeline.rev == revolution - 1)
    elif instant == "recorded":
        before(Outbox, "put", speaks_of_it)
    elif instant == "finished":
        before(Outbox, "put", is_the_end)
    elif instant == "alarmed":
        before(Outbox, "put", lambda _, drafts, **__: any(draft.kind == "alarm" for draft in drafts))
    else:
        real = Outbox.put

        def put(outbox: Outbox, drafts: Any, **named: Any) -> None:
            real(outbox, drafts, **named)
            if speaks_of_it(outbox, drafts):
                die()

        Outbox.put = put  # type: ignore[method-assign]


if __name__ == "__main__":
    arm(sys.argv[2], int(sys.argv[3]))
    file = Path(sys.argv[1])
    sys.exit(run_service(load_station(file), file, make=SimplePipeline, belt="K-1"))
