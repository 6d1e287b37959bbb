"""The contract in a machine's words: what a real broker delivered fits the printed schemas, and they are sound.

The validator is jsonschema's (JSON Schema 2020-12, which pydantic writes), so not the code that made the payloads.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import jsonschema
import pytest

from monitor.outside.asyncapi import asyncapi
from monitor.outside.payloads import TOPICS, schemas
from monitor.outside.requests import ASKS
from tests.bus.conftest import Bay, Ear
from tests.bus.hostile import GOOD
from tests.conftest import ROOT
from tests.edge.simple_pipeline import some_wire


def validator(document: dict[str, Any], key: str) -> jsonschema.Draft202012Validator:
    """Of one component of the AsyncAPI document, with the document's own references."""
    return jsonschema.Draft202012Validator({**document, "$ref": f"#/components/schemas/{key}"})


@pytest.mark.mosquitto
def test_what_a_broker_delivers_fits_the_schemas(bay: Bay, ear: Ear) -> None:
    bay.start()
    ear.topic("state")
    bay.board.say(some_wire(10.0))
    bay.board.say(some_wire(2.0, start_us=10_001_000, counts=0xFFFF))
    ear.topic("alarm/infeed-left/sensor-clipped")
    ear.topic("now")
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 6)
    ear.client.publish("runin/test-hall/bay-9/ask/note", b'{"text": "x"}', 1)
    ear.client.publish("runin/test-hall/bay-9/ask/note", b"{}", 1)
    ear.wait_for(lambda h: h.topic == "answer" and h.payload["ok"] is True)
    ear.wait_for(lambda h: h.topic == "answer" and h.payload["ok"] is False)
    bay.stop()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
    document, plain = asyncapi(), schemas()
    checked = dict.fromkeys(TOPICS, 0)
    for heard in ear.heard:
        key = heard.topic.split("/")[0]
        validator(document, key).validate(heard.payload)
        jsonschema.validate(heard.payload, plain[key], jsonschema.Draft202012Validator)
        checked[key] += 1
    assert all(checked.values()), checked


def test_a_wrong_payload_does_not_fit() -> None:
    for wrong in ({}, {"id": "1", "utc": "x", "online": True}, {"id": 1, "utc": "x", "online": 7}):
        with pytest.raises(jsonschema.ValidationError):
            validator(asyncapi(), "state").validate(wrong)


def test_good_requests_fit_their_schemas_and_wrong_ones_do_not() -> None:
    document = asyncapi()
    for what, content in GOOD.items():
        check = validator(document, f"ask-{what}")
        check.validate(content)
        assert not check.is_valid({**content, "force": True})
    assert GOOD.keys() == ASKS.keys()


def test_the_asyncapi_document_is_whole() -> None:
    """The rules of AsyncAPI 3.0.0's own text, from memory: required fields, and references that lead somewhere."""
    document = asyncapi()
    assert document["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= document["info"].keys()
    for reference in references(document):
        place: Any = document
        for part in reference.removeprefix("#/").split("/"):
            place = place[part]
    for schema in document["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(schema)
    for channel in document["channels"].values():
        named = {part[1:-1] for part in channel["address"].split("/") if part.startswith("{")}
        assert named == channel["parameters"].keys()
    used = {operation["channel"]["$ref"].split("/")[-1] for operation in document["operations"].values()}
    assert used == document["channels"].keys()
    assert {operation["action"] for operation in document["operations"].values()} == {"send", "receive"}


def test_the_command_prints_it() -> None:
    command = [sys.executable, "-m", "monitor", "schema", "--asyncapi"]
    printed = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    assert json.loads(printed) == json.loads(json.dumps(asyncapi()))


def references(place: Any) -> list[str]:
    if isinstance(place, dict):
        own = [place["$ref"]] if isinstance(place.get("$ref"), str) else []
        return own + [found for part in place.values() for found in references(part)]
    return [found for part in place for found in references(part)] if isinstance(place, list) else []
