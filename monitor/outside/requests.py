"""Requests that come over MQTT: what may be asked, and the bounds that a request must keep.

A request is refused, with a sentence that says what was expected, when it is too long, no JSON object, nested
too deeply, holds a key twice, an unknown key, a number that is not finite or out of range, or a control
character; when it was retained by the broker, or says itself (`utc`) that it is older than a minute. Nothing
a request says can do more than what its model holds.
"""

from __future__ import annotations

import json
import math
import unicodedata
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from monitor.alarms.lifecycle import MAX_SHELVE_MINUTES
from monitor.errors import EntryError
from monitor.records import MoveWhere, Side, Stage

MAX_BYTES = 4096
MAX_DEPTH = 4
MAX_AGE = timedelta(seconds=60)
MAX_MEASUREMENTS = 40


def _plain_text(text: str) -> str:
    """Refuses control, format and unassigned characters (newline too): they can forge lines."""
    for character in text:
        if unicodedata.category(character).startswith("C"):
            raise ValueError("holds a control character")
    return text


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise ValueError("is not a finite number")
    return number


Line = Annotated[str, StringConstraints(max_length=200), AfterValidator(_plain_text)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=64), AfterValidator(_plain_text)]
Prose = Annotated[str, StringConstraints(min_length=1, max_length=2000), AfterValidator(_plain_text)]
Number = Annotated[float, AfterValidator(_finite)]


class Request(BaseModel):
    """What every request may carry besides its own keys.

    id: the asker's own mark; a second request with the same mark only gets the first one's answer again.
    utc: when it was asked, RFC 3339; then a request older than a minute is refused.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    id: Name | int | None = None
    utc: Line | None = None
    by: Line = ""


class MoveRequest(Request):
    where: MoveWhere
    side: Side
    amount_mm: Annotated[Number, Field(ge=-25, le=25)]
    t_s: Annotated[Number, Field(ge=0)] | None = None


class BeltRequest(Request):
    serial: Name
    length_mm: Annotated[Number, Field(ge=500, le=1_000_000)] | None = None
    customer_ref: Line = ""
    note: Annotated[str, StringConstraints(max_length=2000), AfterValidator(_plain_text)] = ""


class StageRequest(Request):
    done: Stage | None = None
    enter: Stage | None = None
    measurements: Annotated[dict[Name, Number | Line], Field(max_length=MAX_MEASUREMENTS)] = {}


class AcknowledgeRequest(Request):
    where: Name
    name: Name


class ShelveRequest(Request):
    where: Name
    name: Name
    minutes: Annotated[Number, Field(ge=0, le=MAX_SHELVE_MINUTES)]
    why: Line = ""


class NoteRequest(Request):
    text: Prose


_EXPECTED = {
    "move": "where (infeed or snub), side (left or right), amount_mm (-25 to 25, not 0), optionally t_s, by",
    "belt": "serial (1 to 64 characters), optionally length_mm (500 to 1000000), customer_ref, note",
    "stage": "either done or enter with the name of a stage, optionally measurements (name: number or text)",
    "acknowledge": "where (a pulley, a sensor's name or bay), name (an alarm), by",
    "shelve": f"where, name, minutes (0 to {MAX_SHELVE_MINUTES:g}; 0 ends the shelving), by, why",
    "note": "text (1 to 2000 characters), by",
}
ASKS: dict[str, type[Request]] = {
    "move": MoveRequest,
    "belt": BeltRequest,
    "stage": StageRequest,
    "acknowledge": AcknowledgeRequest,
    "shelve": ShelveRequest,
    "note": NoteRequest,
}


def parse_request(what: str, payload: bytes, *, retained: bool, utc: datetime) -> Request:
    """The typed request. Raises EntryError with one sentence for the asker."""
    kind = ASKS.get(what)
    if kind is None:
        raise EntryError(f"there is no such request; expected ask/ and one of {', '.join(ASKS)}")
    if retained:
        raise EntryError("a retained request is not carried out; publish it without the retain flag")
    request = _validated(what, kind, _json_object(payload))
    _check_age(request, utc)
    if isinstance(request, MoveRequest) and request.amount_mm == 0.0:
        raise EntryError(f"amount_mm: a move of 0 is no move; expected {_EXPECTED[what]}")
    if isinstance(request, StageRequest) and (request.done is None) == (request.enter is None):
        raise EntryError(f"expected {_EXPECTED[what]}")
    return request


def _json_object(payload: bytes) -> dict[str, Any]:
    if len(payload) > MAX_BYTES:
        raise EntryError(f"the request has {len(payload)} bytes; at most {MAX_BYTES} are allowed")
    try:
        text = payload.decode("utf-8")
        if _depth(text) > MAX_DEPTH:
            raise EntryError(f"the request is nested more than {MAX_DEPTH} deep")
        content = json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_once_each)
    except UnicodeDecodeError:
        raise EntryError("the request is not UTF-8 text; expected a JSON object") from None
    except (ValueError, RecursionError) as problem:
        detail = str(problem).split("\n")[0][:100]
        raise EntryError(f"the request is not JSON ({detail}); expected a JSON object") from None
    if not isinstance(content, dict):
        raise EntryError("the request is not a JSON object")
    return content


def _depth(text: str) -> int:
    """How deep brackets nest, those inside texts counted too: an upper bound, found without recursion."""
    depth = deepest = 0
    for character in text:
        if character in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif character in "]}":
            depth -= 1
    return deepest


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def _validated(what: str, kind: type[Request], content: dict[str, Any]) -> Request:
    try:
        return kind.model_validate(content)
    except ValidationError as error:
        fault = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(_clean(str(part)) for part in fault["loc"][:2]) or "the request"
        message = _clean(str(fault["msg"]).removeprefix("Value error, "))
        raise EntryError(f"{place}: {message}; expected {_EXPECTED[what]}") from None


def _check_age(request: Request, utc: datetime) -> None:
    if request.utc is None:
        return
    try:
        asked = datetime.fromisoformat(request.utc)
        if asked.tzinfo is None:
            raise ValueError("no time zone")
        age = utc - asked.astimezone(UTC)
    except (ValueError, OverflowError):
        raise EntryError("utc: expected a time such as 2026-03-01T12:00:00Z") from None
    if age > MAX_AGE:
        raise EntryError(f"the request is {age.total_seconds():.0f} s old; ask again")


def _clean(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:120])
