"""The counters that matter, in the text form that Prometheus reads (exposition format 0.0.4), on a loopback port.

One plain page, GET only, made by the service's own thread once a second and only handed out here, so that a slow or
hostile reader cannot hold up the measuring. Requests that name another host are refused (a web page that a
browser shows elsewhere could otherwise read it through a name of its own).
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from typing import Any

from monitor.errors import UsageError

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
REQUEST_S = 5.0

# name: kind, meaning. Names follow the Prometheus conventions: base units, _total for counters.
FAMILIES: dict[str, tuple[str, str]] = {
    "runin_records_good_total": ("counter", "Valid records of the sensor board, this run."),
    "runin_records_rejected_total": ("counter", "Lines that were no valid record, this run."),
    "runin_records_lost_total": ("counter", "Records known to be lost, rejected ones among them, this run."),
    "runin_revolutions_total": ("counter", "Completed belt revolutions, this run."),
    "runin_board_seconds": ("gauge", "The board's clock, seconds since this run's first record."),
    "runin_link_up": ("gauge", "1 while valid records come."),
    "runin_running": ("gauge", "1 while the belt runs."),
    "runin_lag_seconds": ("gauge", "Host's time since the last valid record."),
    "runin_alarms_standing": ("gauge", "Alarms that a person should know of now, by priority."),
    "runin_annunciations_total": ("counter", "How often a person was called since the service started."),
    "runin_outbox_depth": ("gauge", "Messages that wait for the broker."),
    "runin_outbox_parked": ("gauge", "Messages that the broker refused for good."),
    "runin_mqtt_connected": ("gauge", "1 while the broker is reached."),
    "runin_mqtt_connections_total": ("counter", "Connections to the broker since the service started."),
    "runin_mqtt_sent_total": ("counter", "Messages that the broker acknowledged."),
    "runin_mqtt_refused_total": ("counter", "Messages that the broker refused."),
    "runin_requests_total": ("counter", "Requests that came over MQTT."),
    "runin_requests_refused_total": ("counter", "Requests that were refused."),
    "runin_answers_dropped_total": ("counter", "Answers that gave way to a flood of requests."),
    "runin_sparkplug_born": ("gauge", "1 while the edge node's birth is out."),
    "runin_sparkplug_births_total": ("counter", "Births since the service started."),
    "runin_sparkplug_sent_total": ("counter", "Reports sent."),
    "runin_sparkplug_historical_total": ("counter", "Reports sent late, as historical."),
    "runin_sparkplug_dropped_total": ("counter", "Reports lost because there was no room to keep them."),
    "runin_sparkplug_commands_total": ("counter", "Commands that came from hosts."),
    "runin_sparkplug_commands_refused_total": ("counter", "Commands that were refused."),
    "runin_log_failed": ("gauge", "1 when the log of this run cannot be written."),
}  # fmt: skip
Sample = float | Mapping[str, float]  # a mapping: by the label `priority`


def render_counters(samples: Mapping[str, Sample], labels: Mapping[str, str]) -> str:
    """The page; `labels` (site, bay) stand on every line. Unknown names raise KeyError."""
    lines: list[str] = []
    for name, sample in samples.items():
        kind, meaning = FAMILIES[name]
        lines += [f"# HELP {name} {meaning}", f"# TYPE {name} {kind}"]
        rows = sample.items() if isinstance(sample, Mapping) else [("", sample)]
        for priority, number in rows:
            own = {**labels, "priority": priority} if priority else dict(labels)
            text = ",".join(f'{key}="{_escaped(value)}"' for key, value in own.items())
            lines.append(f"{name}{{{text}}} {float(number):.10g}")
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def parse_address(text: str) -> tuple[str, int]:
    """`127.0.0.1:9105`. Raises UsageError for anything that is not a loopback address with a port."""
    host, _, port = text.rpartition(":")
    host = host.strip("[]") or "127.0.0.1"
    try:
        number = int(port)
        if not ip_address(host).is_loopback or not 0 <= number <= 65_535:
            raise ValueError
    except ValueError:
        raise UsageError(f"--metrics {text}: expected a loopback address such as 127.0.0.1:9105") from None
    return host, number


class CounterPage:
    """Serves the page at /metrics until closed. `show` replaces it."""

    def __init__(self, address: tuple[str, int]) -> None:
        """Raises UsageError when the port is taken."""
        self._text = b""
        page = self

        class Handler(BaseHTTPRequestHandler):
            timeout = REQUEST_S

            def do_GET(self) -> None:
                page._answer(self)

            def log_message(self, format: str, *arguments: Any) -> None:
                """The service's own lines are not for each reading."""

        try:
            self._server = ThreadingHTTPServer(address, Handler)
        except OSError as problem:
            why = problem.strerror or problem
            raise UsageError(f"--metrics {address[0]}:{address[1]}: cannot be listened on: {why}") from None
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, name="counters", daemon=True).start()

    def show(self, text: str) -> None:
        """From now on this is the page."""
        self._text = text.encode()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def _answer(self, request: BaseHTTPRequestHandler) -> None:
        host = request.headers.get("Host", "").rpartition(":")[0].strip("[]")
        known = host == "localhost" or _is_loopback(host)
        status = 403 if not known else 200 if request.path == "/metrics" else 404
        body = self._text if status == 200 else b"see /metrics\n"
        request.send_response(status)
        request.send_header("Content-Type", CONTENT_TYPE)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        request.wfile.write(body)


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
