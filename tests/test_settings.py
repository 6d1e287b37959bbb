"""The station file: every key, every fault named with its place, value and what is allowed."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from monitor.errors import StationFileError
from monitor.records import Hello
from monitor.settings import (
    MAX_FILE_BYTES,
    Station,
    check_against_hello,
    load_station,
    parse_station,
    station_toml_for_docs,
)

GOOD = """
[bay]
site = "north-hall"
name = "bay-2"

[serial]
port = "/dev/serial/by-id/board"
baud = 115200

[mqtt]
host = "127.0.0.1"
port = 1883

[belt]
width_mm = 610.0
length_mm = 14250.0
speed_mps = 0.45

[conveyor]
bearing_spacing_mm = 760.0
pulley_diameter_mm = 152.0
carry_length_mm = 6600.0
mark_offset_mm = 0.0
marks = true
ticks_per_pulley_turn = 0

[[sensor]]
name = "infeed-left"
channel = 0
pulley = "infeed"
edge = "left"
zero_counts = 32768
counts_per_mm = 600.0

[[sensor]]
name = "drive-left"
channel = 1
pulley = "drive"
edge = "left"
zero_counts = 32768
counts_per_mm = -600.0

[limits]
centre_mm = 3.0
drift_mm_per_rev = 0.5
wobble_mm = 4.0
edge_warn_mm = 25.0
edge_stop_mm = 40.0

[procedure]
move_mm = 1.6
settle_revs = 3
hold_minutes = 15.0
"""


def altered(*changes: tuple[str, str]) -> str:
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def faults(text: str) -> list[str]:
    with pytest.raises(StationFileError) as caught:
        parse_station(text, "bay.toml")
    assert all(line.startswith("bay.toml: ") for line in str(caught.value).split("\n"))
    assert all(len(line) < 400 and line.isprintable() for line in caught.value.faults)
    return list(caught.value.faults)


def test_the_published_file_is_read_key_by_key() -> None:
    station, tables = parse_station(GOOD), tomllib.loads(GOOD)
    for table in ("bay", "serial", "mqtt", "belt", "conveyor", "limits", "procedure"):
        for key, given in tables[table].items():
            assert getattr(getattr(station, table), key) == given
    for sensor, given in zip(station.sensor, tables["sensor"], strict=True):
        assert {key: getattr(sensor, key) for key in given} == given
    assert station.channels_needed == 2


def test_what_the_program_adds_has_defaults() -> None:
    station = parse_station(GOOD)
    assert (station.procedure.camber_tolerance_percent, station.procedure.wrench_step_mm) == (0.25, 0.5)
    assert (station.procedure.units, station.procedure.k1_n_per_mm) == ("mm", None)
    assert (station.buttons, station.log.folder) == ({}, "logs")
    no_procedure = parse_station(GOOD[: GOOD.index("[procedure]")])
    assert (no_procedure.procedure.move_mm, no_procedure.procedure.settle_revs) == (1.6, 3)


def test_a_station_does_not_change() -> None:
    station = parse_station(GOOD)
    with pytest.raises(ValueError, match="frozen"):
        station.belt.width_mm = 1.0  # type: ignore[misc]


def test_without_a_host_there_is_no_broker() -> None:
    assert parse_station(altered(('host = "127.0.0.1"\n', ""))).mqtt is None
    assert parse_station(GOOD[: GOOD.index("[mqtt]")] + GOOD[GOOD.index("[belt]") :]).mqtt is None
    mqtt = parse_station(altered(("port = 1883", "port = 8883\nprotocol = 5\nca_file = 'ca.pem'"))).mqtt
    assert mqtt is not None
    assert (mqtt.protocol, mqtt.encrypted, mqtt.port) == ("5", True, 8883)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("width_mm = 610.0", "width_mm = 0.61",
         "[belt] width_mm = 0.61: expected a number from 50 to 3000 mm; a likely slip of unit: 610 if "),
        ("width_mm = 610.0", "width_mm = 24", "609.6 if inches were meant"),
        ("speed_mps = 0.45", "speed_mps = 450", "0.45 if mm/s were meant"),
        ("speed_mps = 0.45", "speed_mps = 27", "0.45 if m/min were meant"),
        ("length_mm = 14250.0", "length_mm = 14.25", "14250"),
        ("pulley_diameter_mm = 152.0", "pulley_diameter_mm = 6", "152.4 if inches were meant"),
        ("width_mm = 610.0", "width_mm = nan", "[belt] width_mm = nan: expected a number"),
        ("width_mm = 610.0", "width_mm = inf", "width_mm = inf"),
        ("width_mm = 610.0", "width_mm = -inf", "width_mm = -inf"),
        ("width_mm = 610.0", "width_mm = 1e999", "width_mm = inf"),
        ("width_mm = 610.0", 'width_mm = "610"', 'width_mm = "610": expected a number'),
        ("width_mm = 610.0", "width_mm = true", "width_mm = true: expected a number"),
        ("width_mm = 610.0", "width_mm = " + "9" * 400, "(a very long number)"),
        ("width_mm = 610.0", "width_mm = {a = 1}", "width_mm = {table}"),
        ("width_mm = 610.0", "", "[belt] width_mm: is missing; expected a number from 50 to 3000 mm"),
        ("width_mm", "widht_mm", "[belt] widht_mm: is not a key of the station file; did you mean width_mm?"),
        ('site = "north-hall"', 'site = "North Hall"', "site = \"North Hall\": expected a text of 1 to 40"),
        ('site = "north-hall"', 'site = "../up"', "[bay] site"),
        ('site = "north-hall"', 'site = "a\\n"', "[bay] site"),
        ("baud = 115200", "baud = 115200.5", "[serial] baud = 115200.5: expected a whole number from 300"),
        ("marks = true", "marks = 1", "[conveyor] marks = 1: expected true or false"),
        ('pulley = "drive"', 'pulley = "tail"', '[[sensor]] 2 (drive-left) pulley = "tail": expected one of '
         '"infeed", "drive"'),
        ("channel = 1", "channel = 0", "[[sensor]] channel = 0: given 2 times"),
        ("channel = 1", "channel = 20", "expected a whole number from 0 to 19"),
        ('name = "drive-left"', 'name = "infeed-left"', '[[sensor]] name = "infeed-left": given 2 times'),
        ('name = "drive-left"', 'name = "bay"', "is already the name of a place"),
        ("counts_per_mm = -600.0", "counts_per_mm = 0.0", " = 0.0: must not be within 0.1 of zero"),
        ("centre_mm = 3.0", "centre_mm = 25.0", "[limits] centre_mm = 25: must be below edge_warn_mm = 25"),
        ("edge_warn_mm = 25.0", "edge_warn_mm = 41", "edge_warn_mm = 41: must be below edge_stop_mm = 40"),
        ("carry_length_mm = 6600.0", "carry_length_mm = 66000", "must be shorter than the belt"),
        ("move_mm = 1.6", "elongation_min_percent = 2", "must be below elongation_max_percent = 1"),
        ('host = "127.0.0.1"', 'host = "h"\npassword = "x"', "named by password_file"),
        ('host = "127.0.0.1"', 'host = "h"\nkey_file = "x"', "cert_file and key_file: give both or neither"),
        ('host = "127.0.0.1"', 'host = "mqtt://h/x"', "[mqtt] host"),
        ("port = 1883", "protocol = 3", "[mqtt] protocol = 3: expected one of"),
        ("[limits]", "[limit]", "[limits]: is missing; expected a table with centre_mm"),
        ("[[sensor]]", "[[sensors]]", "[[sensor]]: is missing; expected 1 to 20 tables"),
        ("[procedure]", "[buttons]\n1 = 'dance'\n[procedure]", "[buttons] \"1\" = \"dance\": must be"),
        ("[procedure]", "[buttons]\n1 = 'move infeed left +0'\n[procedure]", "must be 'move as advised'"),
        ("[procedure]", "[buttons]\nred = 'stage-done'\n[procedure]", "the button's number, 0 to 255"),
        ("[belt]", "[belt", "is not valid TOML"),
    ],
)  # fmt: skip
def test_a_fault_is_named(old: str, new: str, says: str) -> None:
    found = faults(altered((old, new)))
    assert any(says in fault for fault in found), found


def test_every_fault_gets_its_line() -> None:
    changes = (("width_mm = 610.0", "width_mm = 0.61"), ("speed_mps = 0.45", "speed_mps = 450"))
    assert len(faults(altered(*changes, ("marks = true", "marks = 1")))) == 3
    twice = faults(
        altered(("centre_mm = 3.0", "centre_mm = 30.0"), ("edge_stop_mm = 40.0", "edge_stop_mm = 1"))
    )
    assert len(twice) == 2


def test_length_is_needed_only_without_marks_and_ticks() -> None:
    without = altered(("length_mm = 14250.0\n", ""))
    assert parse_station(without).belt.length_mm is None
    no_marks = without.replace("marks = true", "marks = false")
    assert faults(no_marks) == ["[belt] length_mm: is needed when there are neither marks nor ticks"]
    ticks = no_marks.replace("ticks_per_pulley_turn = 0", "ticks_per_pulley_turn = 8")
    assert parse_station(ticks).conveyor.marks is False


def test_buttons_are_read() -> None:
    text = (
        GOOD
        + "[buttons]\n1 = 'move infeed left +'\n2 = 'move snub right -0.8'\n3 = 'stage-done'\n4 = 'move as advised'\n"
    )
    assert parse_station(text).buttons["2"] == "move snub right -0.8"


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 30_000,
        "x = " + "{a=" * 20_000,
        ".".join("a" * 10_000) + " = 1",
        "x = " + "9" * 6_000,
        "\x00",
        "#" * (MAX_FILE_BYTES + 1),
        GOOD.replace("[bay]", "[bay]\n" + ".".join("a" * 10_000) + " = 1"),
    ],
)
def test_hostile_texts_are_refused_in_few_words(text: str) -> None:
    assert faults(text)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    (tmp_path / "latin").write_bytes(GOOD.encode() + b"# \xe9\n")
    (tmp_path / "long").write_bytes(b"#" * (MAX_FILE_BYTES + 1))
    for name in ("absent", "latin", "long", "pipe", ".", "nul\x00"):
        with pytest.raises(StationFileError) as caught:
            load_station(tmp_path / name)
        assert len(caught.value.faults) == 1
    (tmp_path / "good").write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_station(tmp_path / "good") == parse_station(GOOD)


def test_channels_that_the_board_lacks_are_named() -> None:
    station = parse_station(GOOD)
    assert check_against_hello(station, Hello(0, 1, 0xABCDEF, 2, 50)) == []
    assert check_against_hello(station, Hello(0, 1, 0xABCDEF, 1, 50)) == [
        "sensor drive-left is on channel 1, but board 00ABCDEF has only channels 0 to 0"
    ]


def test_the_documents_name_every_key() -> None:
    text = station_toml_for_docs()
    for model in Station.model_fields:
        assert model in text or model == "buttons"
    for key in ("width_mm", "bearing_spacing_mm", "wrench_step_mm", "password_file", "counts_per_mm"):
        assert f"# {key}: " in text


def test_the_shared_captures_stations_are_read(captures: Path) -> None:
    stations = [load_station(path) for path in captures.glob("*/station.toml")]
    assert len(stations) == 18


SPARKPLUG = '\n[sparkplug]\ngroup_id = "North Hall"\n'


def test_sparkplug_is_off_unless_a_group_is_named() -> None:
    assert parse_station(GOOD).sparkplug is None
    assert parse_station(GOOD + "\n[sparkplug]\n").sparkplug is None
    assert parse_station(GOOD).sparkplug_broker() is None


def test_sparkplug_takes_the_broker_of_mqtt_or_all_of_its_own() -> None:
    with_user = altered(('host = "127.0.0.1"\n', 'host = "127.0.0.1"\nusername = "bay-2"\nprotocol = "5"\n'))
    broker = parse_station(with_user + SPARKPLUG).sparkplug_broker()
    assert broker is not None
    assert (broker.host, broker.port, broker.username, broker.protocol) == (
        "127.0.0.1",
        1883,
        "bay-2",
        "3.1.1",
    )
    broker = parse_station(with_user + SPARKPLUG + 'host = "scada"\nprotocol = "5"\n').sparkplug_broker()
    assert broker is not None
    assert (broker.host, broker.port, broker.username, broker.protocol) == ("scada", 1883, None, "5")


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        ('edge_node_id = "a/b"\n', "[sparkplug] edge_node_id"),
        ('edge_node_id = "a+"\n', "[sparkplug] edge_node_id"),
        ('primary_host_id = "#"\n', "[sparkplug] primary_host_id"),
        ('cert_file = "x.pem"\n', "[sparkplug] cert_file and key_file: give both or neither"),
        ("port = 0\n", "[sparkplug] port = 0"),
        ('group = "x"\n', "[sparkplug] group: is not a key of the station file; did you mean group_id?"),
    ],
)
def test_sparkplug_faults_name_their_place(more: str, fault: str) -> None:
    (line,) = faults(GOOD + SPARKPLUG + more)
    assert line.startswith(fault)


def test_sparkplug_needs_some_broker() -> None:
    no_broker = altered(('host = "127.0.0.1"\n', ""))
    assert faults(no_broker + SPARKPLUG) == ["[sparkplug] host: is needed when [mqtt] names no broker"]
    assert parse_station(no_broker + SPARKPLUG + 'host = "scada"\n').sparkplug_broker() is not None
