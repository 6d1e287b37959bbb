"""What is said over MQTT as an AsyncAPI 3.0 document, made of the same typed records that the code uses.

Channels are the topics of one bay, `{site}` and `{bay}` left open; messages point to the schemas of payloads.py and
requests.py. Operations are seen from the bay: it sends what it says and receives what it is asked.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode

import monitor
from monitor.outside.payloads import TOPICS
from monitor.outside.requests import ASKS

ADDRESS = "runin/{site}/{bay}/"
RETAINED = {"state", "advice", "alarm"}
SUFFIX = {"alarm": "alarm/{where}/{name}"}
MEANING = {
    "state": "Is the bay online, which belt is on, how far is its run-in. Also the last will.",
    "now": "The live picture, at most twice a second; QoS 0, never queued.",
    "revolution": "One completed belt revolution, one row for each sensor.",
    "advice": "What to do next, with why and a caution.",
    "alarm": "One alarm's present state and what to do about it.",
    "event": "Alarms, advice, moves, stages and notes as they happen.",
    "answer": "The answer to a request whose asker named no response topic.",
}
PARAMETERS = {
    "site": "the station file's [bay] site",
    "bay": "the station file's [bay] name",
    "where": "a pulley, a sensor's name or bay",
    "name": "the alarm's name",
}


def asyncapi() -> dict[str, Any]:
    """The document; JSON, which is YAML, too."""
    asks = {f"ask-{what}": (f"ask/{what}", model, f"The request ask/{what}.") for what, model in ASKS.items()}
    says = {topic: (SUFFIX.get(topic, topic), model, MEANING[topic]) for topic, model in TOPICS.items()}
    every = {**says, **asks}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Run-in monitor of a belt conveyor",
            "version": monitor.__version__,
            "description": "Advice only: not a safety device. Nothing that can be asked moves a machine.",
        },
        "defaultContentType": "application/json",
        "servers": {"site": {"host": "127.0.0.1:1883", "protocol": "mqtt", "protocolVersion": "5.0"}},
        "channels": {key: _channel(key, suffix, meaning) for key, (suffix, _, meaning) in every.items()},
        "operations": {
            **{f"say-{key}": _operation("send", key) for key in says},
            **{f"take-{key}": _operation("receive", key) for key in asks},
        },
        "components": {
            "messages": {key: _message(key) for key in every},
            "schemas": {
                **{key: _schema(key, model, "serialization") for key, (_, model, _) in says.items()},
                **{key: _schema(key, model, "validation") for key, (_, model, _) in asks.items()},
            },
        },
    }


def _channel(key: str, suffix: str, meaning: str) -> dict[str, Any]:
    address = ADDRESS + suffix
    named = [name for name in PARAMETERS if "{" + name + "}" in address]
    return {
        "address": address,
        "description": meaning,
        "messages": {key: {"$ref": f"#/components/messages/{key}"}},
        "parameters": {name: {"description": PARAMETERS[name]} for name in named},
    }


def _operation(action: str, key: str) -> dict[str, Any]:
    qos = 0 if key == "now" else 1
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{key}"},
        "messages": [{"$ref": f"#/channels/{key}/messages/{key}"}],
        "bindings": {"mqtt": {"qos": qos, "retain": key in RETAINED, "bindingVersion": "0.2.0"}},
    }


def _message(key: str) -> dict[str, Any]:
    return {
        "name": key,
        "contentType": "application/json",
        "payload": {"$ref": f"#/components/schemas/{key}"},
    }


def _schema(key: str, model: type[BaseModel], mode: JsonSchemaMode) -> dict[str, Any]:
    """Its own definitions stay with it, named from the document's root."""
    return model.model_json_schema(mode=mode, ref_template=f"#/components/schemas/{key}/$defs/{{model}}")
