"""Every alarm of the table is raised and cleared by a simulated belt or board, over a real broker, and says what to do.

The real pipeline in the real service, fed over a pseudo-terminal by the conveyor simulation as fast as it reads. A
move is asked over MQTT while the bytes pause at its time, as a technician would log it. Belts and families are those of
monitor/simulation, seeds the first that show the trouble; nothing is tuned to an alarm's limit.
"""

from __future__ import annotations

import dataclasses
import json
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.alarms.catalogue import CATALOGUE, find_alarm
from monitor.outside.asking import ask
from monitor.outside.service import run_service
from monitor.settings import parse_station
from monitor.simulation import Drift, Params, Simulation, make
from tests.bus.conftest import WAIT_S, Ear, Heard, Mosquitto
from tests.bus.sparkplug_rules import Host
from tests.edge.pseudo_board import Board

pytestmark = pytest.mark.mosquitto


def rev_s(params: Params) -> float:
    return params.length_mm / (1000.0 * params.speed_mps)


def mended_wobble() -> Params:
    """The bent section is mended five revolutions later."""
    params = make("wobble", 1)
    (bump,) = params.bumps
    mended = dataclasses.replace(bump, start_s=bump.start_s + 5 * rev_s(params), size_mm=-bump.size_mm)
    return dataclasses.replace(params, bumps=(bump, mended))


def far_out() -> Params:
    """The belt walks out by 48 mm and is brought back."""
    params = make("quiet", 1)
    out, back = Drift(10 * rev_s(params), "infeed", 6.0, 8.0), Drift(19 * rev_s(params), "infeed", -12.0, 4.0)
    return dataclasses.replace(params, seconds=24 * rev_s(params), drifts=(out, back))


def without_answer() -> Params:
    """A belt at rest; moves are logged that nobody made."""
    params = make("quiet", 1)
    return dataclasses.replace(params, seconds=30 * rev_s(params))


def moves_of(params: Params) -> list[tuple[float, str, str, float]]:
    return [(m.t_s, m.where, m.side, m.amount_mm) for m in params.moves if m.logged]


# what happens, which alarms it must raise and clear, and moves that are only said
BELTS: dict[str, tuple[Callable[[], Params], tuple[str, ...], tuple[float, ...]]] = {
    "drift": (lambda: make("drift", 2), ("drift",), ()),
    "section": (mended_wobble, ("section-wobble",), ()),
    "edge": (far_out, ("edge-warn", "edge-stop"), ()),
    "early": (lambda: make("early", 1), ("early-move",), ()),
    "no answer": (without_answer, ("no-response",), (10.0, 15.0, 20.0)),
    "unlogged": (lambda: make("unlogged", 4), ("unlogged-move",), ()),
    "stuck": (lambda: make("fault-stuck", 1), ("sensor-stuck",), ()),
    "clipped": (lambda: make("fault-clipped", 3), ("sensor-clipped",), ()),
    "silent": (lambda: make("fault-clipped", 2), ("sensor-silent",), ()),
    "noisy": (lambda: make("fault-noisy", 2), ("sensor-noisy",), ()),
    "mark missing": (lambda: make("marks-miss", 2), ("mark-missing",), ()),
    "mark extra": (lambda: make("marks-dup", 1), ("mark-extra",), ()),
    "link": (lambda: make("fault-silent", 1), ("link-lost",), ()),
    "stop": (lambda: make("speed-stop", 1), ("belt-stopped",), ()),
}
SPARKPLUG = '[sparkplug]\ngroup_id = "hall"\n'
EVERYDAY = ("early", "stuck", "mark missing")


class SimulatedBay:
    """The service with the real pipeline; `play` feeds a whole simulated run."""

    def __init__(self, folder: Path, params: Params, broker_port: int) -> None:
        folder.mkdir()
        self.simulation, self.params = Simulation(params), params
        self.board = Board(folder / "edge-board")
        text = self.simulation.station()
        lines = [
            f'port = "{folder / "edge-board"}"' if line.startswith("port = ") else line
            for line in text.splitlines()
        ]
        self.file = folder / "station.toml"
        self.file.write_text(
            "\n".join(lines) + f'\n[mqtt]\nhost = "127.0.0.1"\nport = {broker_port}\n{SPARKPLUG}'
        )
        self.station = parse_station(self.file.read_text())
        self.stopping = threading.Event()
        self.thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        run_service(self.station, self.file, stop=self.stopping)

    def play(self, ear: Ear, moves: list[tuple[float, str, str, float]]) -> None:
        for t_s, where, side, amount_mm in sorted(moves):
            self._play_until(t_s)
            self._wait_for(ear)
            request = {"where": where, "side": side, "amount_mm": round(amount_mm, 3)}
            assert ask(self.station, "move", request)["ok"] is True
        self._play_until(self.params.seconds)
        self._wait_for(ear)

    def _play_until(self, t_s: float) -> None:
        while self.simulation.t_s < t_s:
            self.board.say(self.simulation.advance(min(5.0, t_s - self.simulation.t_s + 0.01)))

    def _wait_for(self, ear: Ear) -> None:
        """Until the service has heard all that was said."""
        since = len(ear.heard)
        ear.wait_for(
            lambda h: h.topic == "now" and (h.payload["t_s"] or 0.0) > self.simulation.t_s - 3.0, since
        )

    def close(self) -> None:
        self.stopping.set()
        self.thread.join(WAIT_S)
        self.board.pull()


def of_alarm(name: str, kind: str) -> Callable[[Heard], bool]:
    return lambda h: h.topic == "event" and h.payload["name"] == name and h.payload["kind"] == kind


def raise_and_clear(tmp_path: Path, mosquitto: Mosquitto, belt: str) -> None:
    make_params, names, said_revs = BELTS[belt]
    params = make_params()
    bay = SimulatedBay(tmp_path / "bay", params, mosquitto.port)
    site = f"runin/{bay.station.bay.site}/{bay.station.bay.name}/"
    ear = Ear(mosquitto.port, root=site)
    host = Host(mosquitto.port, node=bay.station.bay.name)
    bay.thread.start()
    try:
        ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True)
        said = [(rev * rev_s(params), "infeed", "left", 3.0) for rev in said_revs]
        bay.play(ear, moves_of(params) + said)
        for name in names:
            raised = ear.wait_for(of_alarm(name, "alarm-raised"))
            cleared = ear.wait_for(of_alarm(name, "alarm-cleared"))
            assert raised.payload["t_s"] <= cleared.payload["t_s"]
            where = raised.payload.get("sensor") or raised.payload.get("pulley") or "bay"
            kind = "sensor" if raised.payload.get("sensor") else "pulley" if where != "bay" else "bay"
            assert kind == find_alarm(name).place
            topic = f"alarm/{where}/{name}"
            called = ear.wait_for(lambda h, t=topic: h.topic == t and h.payload["active"]).payload
            tells_what_to_do(name, called)
            ear.wait_for(lambda h, t=topic: h.topic == t and h.payload["cleared_s"] is not None)
            active = f"Alarms/{where}/{name}/active"
            host.wait_for(lambda _, of=active: {True, False} <= {report[0] for report in host.reports(of)})
        assert host.judge.faults == []
    finally:
        bay.close()
        ear.close()
        host.close()


def tells_what_to_do(name: str, payload: dict[str, object]) -> None:
    entry = find_alarm(name)
    assert payload["action"] == entry.action
    assert str(payload["action"]).split()[0].isalpha()
    assert payload["priority"] == entry.priority
    assert payload["respond_within_s"] == entry.respond_within_s
    assert payload["consequence"]
    assert payload["cause"]
    assert json.dumps(payload)


def test_the_belts_raise_every_alarm_of_the_table() -> None:
    assert {name for _, names, _ in BELTS.values() for name in names} == {entry.name for entry in CATALOGUE}


@pytest.mark.parametrize("belt", EVERYDAY)
def test_some_alarms_are_raised_and_cleared(tmp_path: Path, mosquitto: Mosquitto, belt: str) -> None:
    raise_and_clear(tmp_path, mosquitto, belt)


@pytest.mark.slow
@pytest.mark.parametrize("belt", [belt for belt in BELTS if belt not in EVERYDAY])
def test_every_other_alarm_is_raised_and_cleared(tmp_path: Path, mosquitto: Mosquitto, belt: str) -> None:
    raise_and_clear(tmp_path, mosquitto, belt)
