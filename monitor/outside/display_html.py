"""The display's page, filled with the present picture before it is sent.

An element with `data-s="trust.word"` shows that field of the picture; the script does the same with every
later picture. The whole picture also stands in the page, so that the script draws before any event comes.
"""

from __future__ import annotations

import html
import json
import re
from importlib.resources import files
from typing import Any

TYPES = {
    "display.html": "text/html; charset=utf-8",
    "display.css": "text/css; charset=utf-8",
    "display.js": "text/javascript; charset=utf-8",
    "deeds.js": "text/javascript; charset=utf-8",
    "figures.js": "text/javascript; charset=utf-8",
}
_SLOT = re.compile(r'(<(\w+)[^<>]*\bdata-s="([a-z_.]+)"[^<>]*>)(</\2>)')


def read_asset(name: str) -> bytes:
    """A file of the page."""
    return (files("monitor.outside") / "display_page" / name).read_bytes()


def fill_page(document: dict[str, Any]) -> bytes:
    """The page as it is sent: every slot filled, every text escaped."""
    page = read_asset("display.html").decode()
    page = _SLOT.sub(lambda m: m[1] + html.escape(_field(document, m[3])) + m[4], page)
    text = json.dumps(document, allow_nan=False, ensure_ascii=True)
    safe = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return page.replace("__PICTURE__", safe, 1).encode()


def _field(document: dict[str, Any], path: str) -> str:
    found: Any = document
    for key in path.split("."):
        found = found.get(key) if isinstance(found, dict) else None
    return found if isinstance(found, str) else ""
