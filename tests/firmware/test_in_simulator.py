"""The compiled firmware in a simulated ATmega328P: the host build's bytes, exact marks, nothing lost."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.outside.simulated_board import BuiltBoard
from monitor.readings import Decoder
from monitor.readings.wire import WireLine, parse_line
from tests.firmware.conftest import build_host_tools, run_tool

PERIOD_US = 5000


def quiet(time_us: int) -> int:
    """The same time, moved out of the moment in which a sample is handed over (there, order is luck)."""
    return time_us + 1000 if 3500 <= time_us % PERIOD_US <= 4500 else time_us


def busy_script(seconds: int, seed: int, channels: int = 4) -> str:
    """Restless voltages (rails, too), marks at any time, ticks, buttons, a sagging supply, the jumper."""
    rng = random.Random(seed)
    end_us = seconds * 1_000_000
    events: list[tuple[int, str]] = []
    for k in range(end_us // PERIOD_US):
        volts = " ".join(
            str(rng.randrange(-100, 5100) if rng.random() < 0.98 else 0) for _ in range(channels)
        )
        events.append((k * PERIOD_US + 4500, f"volts {volts}".replace("-", "")))
    mark_us = 400_000
    while mark_us < end_us - 100_000:
        at_us = quiet(mark_us)
        events += [
            (at_us, "mark 0"),
            (at_us + 300, "mark 1"),
            (at_us + 900, "mark 0"),
            (at_us + 20_000, "mark 1"),
        ]
        mark_us += rng.randrange(400_000, 3_000_000)
    for k in range(20, end_us // 30_000):
        events += [(k * 30_000 + 4600, "tick 0"), (k * 30_000 + 7000, "tick 1")]
    for k in range(end_us // 3_000_000):
        at_us = k * 3_000_000 + 1_004_600
        which = rng.choice(("button1", "button2"))
        events += [(at_us, f"{which} 0"), (at_us + 2 * PERIOD_US, f"{which} 1")]  # too short to count
        events += [(at_us + 500_000, f"{which} 0"), (at_us + 700_000, f"{which} 1")]
        events += [(at_us + 800_000, "avcc 4000"), (at_us + 900_000, "avcc 5000")]
        events += [(at_us + 1_000_000, "jumper 0"), (at_us + 1_050_000, "jumper 1")]
    events.append((end_us, "go"))
    return "".join(f"{time_us} {what}\n" for time_us, what in sorted(events, key=lambda event: event[0]))


def lines_of(data: bytes) -> list[WireLine]:
    """Every line, each of which must be right; the last may be cut."""
    found = []
    for text in data.split(b"\n")[:-1]:
        line = parse_line(text + b"\n")
        assert isinstance(line, WireLine), text
        found.append(line)
    return found


def check_same_bytes(simulated: BuiltBoard, host_tools: Path, seconds: int, seed: int) -> list[WireLine]:
    """Both builds say the same, byte for byte; the simulated one may have a few lines still on their way."""
    script = busy_script(seconds, seed)
    from_avr = run_tool(simulated.simulator, script, str(simulated.firmware), "-")
    from_host = run_tool(host_tools / "board_host", script)
    assert from_host[: len(from_avr)] == from_avr
    assert 0 <= len(from_host) - len(from_avr) <= 256
    return lines_of(from_avr)


def check_nothing_lost(lines: list[WireLine], seconds: int) -> None:
    assert [line.seq for line in lines] == [k % 65_536 for k in range(len(lines))]
    edges = [line for line in lines if line.kind == "E"]
    assert len(edges) >= seconds * 200 - 4
    assert {b.time_us - a.time_us for a, b in pairwise(edges)} == {PERIOD_US}
    assert all(line.fields[0] & 1 == 0 for line in edges)


def check_marks(lines: list[WireLine], script: str) -> None:
    """Each pulse once, bounce left out, to the microsecond (the bar is 5 us)."""
    falls_us = [int(row.split()[0]) for row in script.splitlines() if row.endswith("mark 0")]
    pulses_us = [
        fall
        for before, fall in zip([-1_000_000, *falls_us], falls_us, strict=False)
        if fall - before > 50_000
    ]
    marks = [line for line in lines if line.kind == "M"]
    assert [line.fields[0] for line in marks] == [k + 1 for k in range(len(marks))]
    assert len(marks) >= len(pulses_us) - 1
    worst_us = max(abs(line.time_us - pulse) for line, pulse in zip(marks, pulses_us, strict=False))
    assert worst_us <= 5
    assert worst_us == 0  # measured; a change that loses it should be seen


def test_same_bytes_nothing_lost_exact_marks(simulated: BuiltBoard, host_tools: Path) -> None:
    lines = check_same_bytes(simulated, host_tools, seconds=30, seed=1)
    check_nothing_lost(lines, 30)
    check_marks(lines, busy_script(30, seed=1))
    kinds = Counter(line.kind for line in lines)
    assert kinds["H"] == 3
    assert kinds["B"] == 10
    assert kinds["T"] >= 290
    flags = Counter(line.fields[0] for line in lines if line.kind == "E")
    assert flags[2] == 10 * 20  # the supply sagged for 0.1 s ten times, 20 samples each
    assert flags[4] == 10 * 10


@pytest.mark.slow
def test_ten_minutes_at_four_channels_and_200_hz(simulated: BuiltBoard, host_tools: Path) -> None:
    """600 s of simulated time on 115,200 baud, of which the simulator makes 10.7 kB/s (11 bits a byte)."""
    lines = check_same_bytes(simulated, host_tools, seconds=600, seed=2)
    check_nothing_lost(lines, 600)
    check_marks(lines, busy_script(600, seed=2))


def test_marks_at_any_phase_even_as_the_timer_passes_zero(simulated: BuiltBoard) -> None:
    rng = random.Random(5)
    pulses_us = [200_000 + 60_000 * k + rng.randrange(9000) for k in range(1000)]
    pulses_us += [61_000_000 + 60_000 * k + rng.randrange(-6, 7) for k in range(1000)]
    script = "4500 volts 1000 2000 3000 4000\n"
    for at_us in pulses_us:
        script += f"{at_us} mark 0\n{at_us} tick 0\n{at_us + 2000} mark 1\n{at_us + 2000} tick 1\n"
    script += f"{pulses_us[-1] + 100_000} go\n"
    lines = lines_of(run_tool(simulated.simulator, script, str(simulated.firmware), "-"))
    assert [line.time_us for line in lines if line.kind == "M"] == pulses_us
    for line in lines:
        if (
            line.kind == "T"
        ):  # no capture unit is left for ticks: an interrupt reads the clock, up to 15 us late
            late_us = line.time_us - max(at for at in pulses_us if at <= line.time_us + 2)
            assert 0 <= late_us <= 15


def test_watchdog_restarts_a_board_whose_converter_stopped(simulated: BuiltBoard) -> None:
    script = "4500 volts 1000 2000 3000 4000\n1000000 reset-adc\n3000000 go\n"
    lines = lines_of(run_tool(simulated.simulator, script, str(simulated.firmware), "-"))
    hellos = [k for k, line in enumerate(lines) if line.kind == "H"]
    assert hellos[0] == 0
    assert len(hellos) == 2
    assert [lines[k].seq for k in hellos] == [0, 0]
    assert len(lines) - hellos[1] > 200  # it samples again


def test_voltages_become_counts_with_the_rails_at_the_ends(simulated: BuiltBoard) -> None:
    script = "1000 volts 0 5000 2500 1250\n100000 go\n"
    lines = lines_of(run_tool(simulated.simulator, script, str(simulated.firmware), "-"))
    edge = next(line for line in lines if line.kind == "E")
    low, high, half, quarter = edge.fields[1:]
    assert (low, high) == (0, 0xFFFF)
    # a 10-bit converter: one step is 65535/1023 = 64.06 counts
    assert half == pytest.approx(65535 * 0.5, abs=65)
    assert quarter == pytest.approx(65535 * 0.25, abs=65)


def test_a_current_loop_that_reports_a_fault_is_put_on_the_rail(tmp_path: Path) -> None:
    """NAMUR NE 43: a fault is 3.6 mA or less, or 21 mA or more; 3.8 to 20.5 mA is measurement. 220 ohms."""
    build_host_tools(tmp_path, "-DLOOP_CHANNELS=0x01")
    for current_ma, at_rail in ((0.0, 0), (3.5, 0), (3.8, None), (12.0, None), (20.5, None), (21.1, 0xFFFF)):
        script = f"0 volts {round(current_ma * 220)} {round(current_ma * 220)} 1000 1000\n50000 go\n"
        lines = lines_of(run_tool(tmp_path / "board_host", script))
        loop, voltage = next(line for line in lines if line.kind == "E").fields[1:3]
        expected = 65_535 * current_ma * 220 / 5000
        assert voltage == pytest.approx(expected, abs=65)  # channel 1 is no loop: it is told as it is
        assert loop == (at_rail if at_rail is not None else voltage)


def test_a_full_line_loses_samples_honestly_and_no_mark(host_tools: Path) -> None:
    """Samples without room are numbered, so the gap counts them, and flagged; a mark waits, its time kept."""
    script = (
        "0 volts 1000 1000 1000 1000\n101000 room 0\n123000 mark 0\n124000 mark 1\n151000 room 1\n200000 go\n"
    )
    lines = lines_of(run_tool(host_tools / "board_host", script))
    edges = [line for line in lines if line.kind == "E"]
    (after,) = [k for k in range(1, len(edges)) if edges[k].time_us - edges[k - 1].time_us > PERIOD_US]
    lost = (edges[after].time_us - edges[after - 1].time_us) // PERIOD_US - 1
    assert lost == 10
    (mark,) = [line for line in lines if line.kind == "M"]
    assert (mark.time_us, mark.fields[0]) == (123_000, 1)
    assert edges[after].seq - edges[after - 1].seq == lost + 2  # the samples lost, the mark, itself
    assert [line.fields[0] for line in edges[after : after + 2]] == [1, 0]
    decoder = Decoder()
    decoder.feed(run_tool(host_tools / "board_host", script))
    assert (decoder.tally.lost, decoder.tally.rejected) == (lost, 0)
