"""Numbers for whoever collects them, as OpenMetrics text over HTTP: `listen --metrics`.

They tell the newest wake of each pot that was heard, and what this listener did: numbers, and words
of the core's own tables, never a name, a key or the Wi-Fi. A pot is named by its board. Only this
computer can reach them unless told otherwise. One caller at a time, each for a bounded time.
"""

from __future__ import annotations

import http.server
import ipaddress
import socket
import threading
from collections.abc import Iterable
from http import HTTPStatus
from typing import Any

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    StateSetMetricFamily,
)
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry
from sqlalchemy.exc import SQLAlchemyError

from wakewell.errors import BadInput
from wakewell.radio import plain
from wakewell.radio.listen import Listener
from wakewell.radio.plain import LOCKOUTS, NEEDS

_text: Any = generate_latest  # it has no types of its own
PATH = "/metrics"
CALLER_S = 5.0  # for a caller to say what it wants, and to take it
# (value of the newest wake, name, unit, what it is worth in that unit, what it is)
GAUGES = (
    ("soil_ppt", "wakewell_soil", "ratio", 1e3, "Water in the soil by volume"),
    ("level_ml", "wakewell_tank", "liters", 1e3, "Water in the tank"),
    ("battery_mv", "wakewell_battery", "volts", 1e3, "Battery at rest"),
    ("temperature_mc", "wakewell_temperature", "celsius", 1e3, "Temperature of the soil"),
    ("day_ml", "wakewell_given_in_a_day", "liters", 1e3, "Water given in 24 hours"),
    (
        "charge_uah",
        "wakewell_charge_of_a_wake",
        "coulombs",
        1e6 / 3600,
        "Charge since the wake before",
    ),
)
STATES = (
    ("lockouts", LOCKOUTS, "wakewell_lockout", "Lockouts in force"),
    ("needs", NEEDS, "wakewell_need", "What somebody is asked to do"),
)


class Numbers(Collector):
    """What there is to collect. listener: whose pots, and whose work."""

    def __init__(self, listener: Listener) -> None:
        self.listener = listener

    def collect(self) -> Iterable[Metric]:
        """Every number, anew. Raises SQLAlchemyError."""
        listener = self.listener
        heard = {b: h for b, h in listener.store.pots().items() if b in listener.keys}
        found = {board: plain.numbers(one) for board, one in heard.items()}
        for value, name, unit, scale, text in GAUGES:
            told = f"{text}, by its newest wake"
            gauge = GaugeMetricFamily(name, told, unit=unit, labels=["board"])
            for board, numbers in found.items():
                if value in numbers:
                    gauge.add_metric([board], numbers[value] / scale)
            yield gauge
        for when, text in (("told", "said so"), ("heard", "was heard")):
            name = f"wakewell_{when}_timestamp"
            gauge = GaugeMetricFamily(
                name, f"When a pot last {text}, since 1970", unit="seconds", labels=["board"]
            )
            for board, one in heard.items():
                gauge.add_metric([board], float(getattr(one, f"{when}_at")))
            yield gauge
        for member, table, name, text in STATES:
            states = StateSetMetricFamily(name, f"{text}, by its newest wake", labels=["board"])
            for board, one in heard.items():
                held = plain.known(one.told.get(member), table)
                states.add_metric([board], {word: word in held for word in table})
            yield states
        for count, name, text in (
            (listener.heard, "wakewell_reports_heard", "Reports heard since the start"),
            (listener.new, "wakewell_lines_kept", "New lines kept since the start"),
            (listener.bad, "wakewell_messages_dropped", "Messages dropped since the start"),
        ):
            yield CounterMetricFamily(name, text, value=count)


def page(listener: Listener) -> bytes:
    """The text. Raises SQLAlchemyError."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(Numbers(listener))
    made: bytes = _text(registry)
    return made


def place_of(text: str) -> tuple[str, int]:
    """(host, port) of HOST:PORT or of a port alone, which is on the loopback. Raises BadInput."""
    host, colon, port = text.rpartition(":")
    if not colon:
        host = "127.0.0.1"
    if not port.isdecimal() or not 1 <= int(port[:6]) <= 65535 or not host:
        raise BadInput(
            f"--metrics {text[:40]!r}: write a port from 1 to 65535 for this computer alone, or "
            "HOST:PORT, such as 192.168.1.5:9100"
        )
    return host.strip("[]"), int(port)


def is_own(host: str) -> bool:
    """Is that a name of this very computer, which nobody else reaches?"""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class Metrics:
    """Serves from `start` to `stop`, in a thread."""

    def __init__(self, listener: Listener, host: str, port: int) -> None:
        """Raises BadInput where the port cannot be had."""
        self.listener, self.own = listener, is_own(host)
        handler = type("Answer", (MetricsCaller,), {"metrics": self})
        try:
            family, *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
            server = type("Door", (http.server.HTTPServer,), {"address_family": family})
            self.door = server((str(address[0]), port), handler)
        except OSError as error:
            raise BadInput(
                f"--metrics: {host} port {port}: {error.strerror}; name another"
            ) from None
        self.thread = threading.Thread(target=self.door.serve_forever, name="metrics", daemon=True)

    def start(self) -> None:
        """Serve."""
        self.thread.start()

    def stop(self) -> None:
        """No more callers."""
        if self.thread.is_alive():
            self.door.shutdown()
            self.thread.join()
        self.door.server_close()


class MetricsCaller(http.server.BaseHTTPRequestHandler):
    """One caller."""

    metrics: Metrics
    timeout = CALLER_S
    protocol_version = "HTTP/1.0"

    def do_GET(self) -> None:
        """The text, or why not."""
        status, body = HTTPStatus.OK, b""
        name = self.headers.get("Host", "").rpartition(":")[0] or self.headers.get("Host", "")
        if self.path.partition("?")[0] != PATH:
            status = HTTPStatus.NOT_FOUND
        elif self.metrics.own and name and not is_own(name.strip("[]")):
            status = HTTPStatus.FORBIDDEN  # a page of another site that took our address
        else:
            try:
                body = page(self.metrics.listener)
            except SQLAlchemyError:
                status = HTTPStatus.SERVICE_UNAVAILABLE
        self.send_response(status)
        self.send_header("Content-Type", CONTENT_TYPE_LATEST)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Prints nothing: it would be a line every few seconds."""
