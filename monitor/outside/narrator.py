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
from rich.table import Table

from monitor.outside.replay import Replay, clock, measured, signed
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
PROVE_EVERY = 5  # while it has to hold, every so many revolutions are shown
CAUTION = (
    "A moving belt and its pulleys can draw in hands, hair and clothing. On a real machine: only trained, "
    "authorised persons; guards on; adjust only from outside; stop and lock out before reaching in. "
    "This is advice, not a safety device."
)


class Narrator:
    """Prints the demo, and remembers the last state that was published."""

    def __init__(
        self,
        console: Console,
        station: Station,
        simulation: Simulation,
        speed_up: float,
        broker: str,
        board: bool = False,
        explain: bool = False,
    ) -> None:
        self.stage = ""
        self.verdict = "undecided"
        self._console = console
        self._station = station
        self._simulation = simulation
        self._speed_up = speed_up
        self._broker = broker
        self._board = board
        self._explain = explain
        self._advice: dict[str, Any] = {}
        self._last_why = ""
        self._now_s = 0.0

    def introduce(self) -> None:
        """What is going to happen."""
        params = self._simulation.params
        self._console.rule("[bold]Run-in demo: an invented conveyor, simulated")
        self._block(
            f"The belt: {params.length_mm / 1000:g} m long, {params.width_mm:g} mm wide, with a camber: its "
            f"edge snakes by {params.camber_pp_mm:g} mm once per revolution. Its pulleys stand out of "
            "square. The service knows none of this; it sees only what two edge sensors send."
        )
        if self._board:
            self._block(
                "The board is the reference firmware in a simulated microcontroller: the conveyor sets the "
                "volts on its inputs and pulses its mark input; what it writes to its serial line is read."
            )
        self._block(f"[bold]CAUTION[/] {CAUTION}")
        self._block(
            f"Time runs {self._speed_up:g} times faster than real. Times below are the belt's clock, min:s. "
            f"± is the range that holds the truth 95 times in 100. Broker: {self._broker}; to follow it there: "
            f"mosquitto_sub -p {self._broker.split()[-1]} -v -t 'runin/#'"
        )
        self._console.print()

    def tell(self, heard: Heard, t_s: float) -> None:
        """Print one message of the bay, where there is something to say about it."""
        payload = heard.payload
        self._now_s = t_s
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
        if verdict != self.verdict:
            self._line(t_s, f"[bold]Verdict: {escape(verdict.replace('-', ' '))}[/]")
        if stage != self.stage:
            self._line(t_s, f"[bold]Stage {escape(STAGE_WORDS.get(stage, stage))}[/]")
        self.stage, self.verdict = stage, verdict

    def _tell_advice(self, advice: dict[str, Any], t_s: float) -> None:
        self._advice = advice
        why = str(advice.get("why", ""))
        if why == self._last_why:
            return
        self._last_why = why
        colour = "yellow" if advice.get("action") == "move" else "default"
        self._line(t_s, f"[{colour}]Advice[/] {escape(why)}")
        if self._explain and advice.get("explain"):
            self._line(t_s, f"[dim]In figures: {escape(str(advice['explain']))}[/]")
        if advice.get("action") in ("move", "check"):
            self._line(t_s, f"[bold]CAUTION[/] {escape(str(advice['caution']))}")

    def _tell_revolution(self, payload: dict[str, Any], t_s: float) -> None:
        rev, rows = int(payload["rev"]), payload["rows"]
        if self.stage == "prove" and rev % PROVE_EVERY:
            return
        places = "; ".join(f"{row['pulley']} {place(row)}" for row in rows)
        behaviour = " and ".join(dict.fromkeys(str(row["behaviour"]) for row in rows))
        self._line(t_s, escape(f"rev {rev}: {places}; {behaviour}{self._hold_words()}"))

    def _hold_words(self) -> str:
        """While the belt has to hold: how long still, from the advice that said so."""
        minutes, began_s = self._advice.get("minutes"), self._advice.get("t_s")
        if self.stage != "prove" or minutes is None or began_s is None:
            return ""
        left = max(float(minutes) - (self._now_s - float(began_s)) / 60.0, 0.0)
        return f"; must hold {left:.1f} min more"

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
        grid = Table.grid(padding=(0, 1))
        grid.add_column(width=6, justify="right")
        grid.add_column()
        grid.add_row(clock(t_s), text)
        self._console.print(grid)

    def _block(self, text: str) -> None:
        self._console.print(Padding(text, (0, 2)))


def place(row: dict[str, Any]) -> str:
    """Where the whole belt lies at a sensor, and how fast it walks."""
    position = measured(row["position_mm"], row["position_se_mm"], "mm")
    walk = row["walk_mm_per_rev"]
    return position if walk is None else f"{position} (walk {signed(walk)}/rev)"
