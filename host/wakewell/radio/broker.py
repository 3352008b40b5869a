"""One connection to an MQTT broker, as a pot's private.toml says. No secret leaves it."""

from __future__ import annotations

import ssl
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from wakewell.errors import BadInput
from wakewell.pot.private import Private

try:
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion
except ImportError:
    Client = None  # type: ignore[assignment,misc]

TOPIC = "wakewell/{board}/{what}"  # what: report, heard, asked
WAIT_S = 20.0


def client(private: Private, name: str, keep: bool = False, manual: bool = False) -> Client:
    """A client that is set up and not yet connected. keep: the broker keeps what it misses."""
    if Client is None:
        raise BadInput("needs the extra 'remote': pip install 'wakewell[remote]'")
    made = Client(
        CallbackAPIVersion.VERSION2,
        client_id=name,
        clean_session=not keep,
        manual_ack=manual,
    )
    if private.broker["user"]:
        made.username_pw_set(private.broker["user"], private.broker["password"] or None)
    if private.broker["tls"]:
        context = ssl.create_default_context()
        if private.ca:
            context.load_verify_locations(cadata=private.ca)
        made.tls_set_context(context)
    made.reconnect_delay_set(1, 60)
    return made


def place(private: Private, folder: Path) -> tuple[str, int]:
    """(host, port) of the broker. Raises BadInput if none is named."""
    if not private.broker["host"]:
        raise BadInput(f"{folder}/private.toml: broker.host is empty; name the broker there")
    return private.broker["host"], private.broker["port"]


def connect(made: Client, private: Private, folder: Path) -> None:
    """Connect. Raises BadInput that says what is wrong."""
    host, port = place(private, folder)
    try:
        made.connect(host, port, keepalive=60)
    except ssl.SSLError as error:
        why = error.reason or "refused"
        raise BadInput(f"broker {host}:{port}: TLS: {why}; see broker.ca and broker.tls") from None
    except (OSError, ValueError) as error:
        raise BadInput(
            f"broker {host}:{port}: no connection: {getattr(error, 'strerror', None) or error}; "
            "see that it runs and that host and port are right"
        ) from None


def publish(private: Private, folder: Path, topic: str, payload: bytes, retain: bool) -> None:
    """Publish one message and wait until the broker has it. Raises BadInput if it has not."""
    publish_all(private, folder, [(topic, payload)], retain)


def publish_all(
    private: Private, folder: Path, messages: Iterable[tuple[str, bytes]], retain: bool
) -> None:
    """Publish them in this order, each once the broker has the one before. Raises BadInput if it
    has not all of them."""
    made = client(private, "")
    answers: list[Any] = []
    made.on_connect = lambda c, u, f, reason, p: answers.append(reason)
    connect(made, private, folder)
    made.loop_start()
    try:
        end = time.monotonic() + WAIT_S
        while not answers and time.monotonic() < end:
            time.sleep(0.02)
        if not answers or answers[0].is_failure:
            why = answers[0] if answers else "no answer"
            raise BadInput(f"broker: {why}; see broker.user and broker.password")
        for topic, payload in messages:
            sent = made.publish(topic, payload, qos=1, retain=retain)
            sent.wait_for_publish(WAIT_S)
            if not sent.is_published():
                raise BadInput("broker: it did not accept the message; try again")
    finally:
        made.disconnect()
        made.loop_stop()
