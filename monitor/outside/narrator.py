"""What the demo prints: what was heard over MQTT, in plain words, one line at a time.

Every line begins with the belt's clock. Nothing is shown that was not published, except the introduction
(what the scenario is) and the true positions at the very end.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding

from monitor.outside.replay import Replay, measured
from monitor.outside.technician import Heard
from monitor.settings import Station
from monitor.simulation import Simulation

STAGE_WORDS = {
    "set-up": "set-up: level, square and tension the conveyor",
    "watch": "watch: let it run and learn how this belt lies",
    "steer": "steer: centre the belt with the infeed take-up",
    "trim": "trim: centre it at the drive pulley with the snub roller",
    "prove": "prove: hands off, it must hold",
    "lock": "lock: tighten every lock, guards on",
    "sign": "sign: sign it off",
}
CAUTION = (
    "A moving belt and its pulleys can draw in hands, hair and clothing. On a real machine: only trained, "
    "authorised persons; guards on; adjust only from outside; stop and lock out before reaching in. "
    "This is advice, not a safety device."
)


class Narrator:
    """Prints the demo, and remembers the last state that was published."""

    def __init__(
        self, console: Console, station: Station, simulation: Simulation, speed_up: float, broker: str
    ) -> None:
        self.stage = ""
        self.verdict = "undecided"
        self._console = console
        self._station = station
        self._simulation = simulation
        self._speed_up = speed_up
        self._broker = broker
        self._last_advice = ""

    def introduce(self) -> None:
        """What is going to happen."""
        params = self._simulation.params
        self._console.rule("[bold]Run-in demo: an invented conveyor, simulated")
        self._block(
            f"The belt: {params.length_mm / 1000:g} m long, {params.width_mm:g} mm wide, with a camber: its "
            f"edge snakes by {params.camber_pp_mm:g} mm once per revolution. Its pulleys stand out of "
            "square. The service knows none of this; it sees only what two edge sensors send."
        )
        self._block(f"[bold]CAUTION[/] {CAUTION}")
        self._block(
            f"Time runs {self._speed_up:g} times faster than real. Times below are the belt's clock, min:s. "
            f"± is the range that holds the truth 95 times in 100. Broker: {self._broker}."
        )
        self._console.print()

    def tell(self, heard: Heard, t_s: float) -> None:
        """Print one message of the bay, where there is something to say about it."""
        payload = heard.payload
        if heard.topic == "state":
            self._tell_state(payload, t_s)
        elif heard.topic == "advice":
            self._tell_advice(payload, t_s)
        elif heard.topic == "revolution":
            self._tell_revolution(payload, t_s)
        elif heard.topic == "event" and str(payload.get("kind", "")).startswith("alarm"):
            self._tell_alarm(payload, t_s)

    def tell_deed(self, deed: str, t_s: float) -> None:
        """Print what the technician did."""
        self._line(t_s, f"[cyan]Technician[/] {escape(deed)}")

    def _tell_state(self, state: dict[str, Any], t_s: float) -> None:
        stage, verdict = str(state.get("stage", "")), str(state.get("verdict", "undecided"))
        if stage != self.stage:
            self._line(t_s, f"[bold]Stage {escape(STAGE_WORDS.get(stage, stage))}[/]")
        if verdict != self.verdict:
            self._line(t_s, f"[bold]Verdict: {escape(verdict.replace('-', ' '))}[/]")
        self.stage, self.verdict = stage, verdict

    def _tell_advice(self, advice: dict[str, Any], t_s: float) -> None:
        action, why = str(advice.get("action", "none")), str(advice.get("why", ""))
        text = why
        if action == "move":
            how_far = f"{advice['side']} end of the {advice['where']} by {advice['amount_mm']:+.1f} mm"
            text = f"Move the {how_far}. {why}"
        elif action == "wait" and advice.get("minutes") is not None:
            text = f"Wait {advice['minutes']:.1f} min. {why}"
        if text != self._last_advice:
            self._last_advice = text
            colour = "yellow" if action == "move" else "default"
            self._line(t_s, f"[{colour}]Advice[/] {escape(text)}")

    def _tell_revolution(self, payload: dict[str, Any], t_s: float) -> None:
        rows = payload.get("rows") or payload.get("sensors") or []
        for row in rows:
            position = measured(row["position_mm"], row["position_se_mm"], "mm")
            walk = measured(row["walk_mm_per_rev"], row["walk_se_mm_per_rev"], "mm/rev")
            name = escape(f"rev {row['rev']:<3d} {row['sensor']:<12s}")
            self._line(t_s, f"{name} {position:<18s} walking {walk:<22s} {row['behaviour']}")

    def _tell_alarm(self, event: dict[str, Any], t_s: float) -> None:
        where = event.get("sensor") or event.get("pulley") or "bay"
        raised = event["kind"] == "alarm-raised"
        word = "[bold red]ALARM[/]" if raised else "[green]alarm over[/]"
        self._line(t_s, f"{word} {escape(str(event['name']))} at {escape(str(where))}")

    def conclude(
        self, result: Replay, tracked: bool, same: bool, moves: int, log: Path, folder: Path
    ) -> None:
        """How it ended, and where everything lies."""
        self._console.rule("[bold]" + ("Tracked" if tracked else "Not tracked"))
        for reason in result.summary["reasons"]:
            self._block(escape(str(reason)))
        truth = ", ".join(f"{pulley} {mm:+.2f} mm" for pulley, mm in self._simulation.position_mm().items())
        self._block(
            f"{moves} moves in {result.summary['seconds'] / 60:.0f} minutes of the belt's clock, "
            f"{result.summary['revolutions']} revolutions. Where the simulated belt truly lies: {truth}."
        )
        word = "the same events as live, byte for byte" if same else "[bold red]other events than live[/]"
        self._block(f"The log was replayed: {word}.")
        self._console.print(f"  log of the belt   {log}", markup=False, soft_wrap=True)
        self._console.print(f"  outputs           {folder / 'replay'}", markup=False, soft_wrap=True)
        self._console.print(f"  service's lines   {folder / 'service.log'}", markup=False, soft_wrap=True)
        self._console.print("  This was an invented scenario: no measurement.", markup=False)

    def _line(self, t_s: float, text: str) -> None:
        clock = f"{int(t_s // 60):3d}:{int(t_s % 60):02d}"
        self._console.print(f"{clock}  {text}", soft_wrap=False)

    def _block(self, text: str) -> None:
        self._console.print(Padding(text, (0, 2)))
