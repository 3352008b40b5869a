"""A broker inside `wakewell listen`, for a first try with nothing to install or set up.

amqtt in a thread of its own, without TLS and without a disk: what was not heard is told again
by the boards, what was asked is lost with it. For a home server: Mosquitto.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import threading
from typing import Any

from wakewell.errors import BadInput
from wakewell.pot.private import Private

try:
    from amqtt.broker import Broker
    from amqtt.plugins.base import BaseAuthPlugin
except ImportError:
    raise BadInput("needs the extra 'try': pip install 'wakewell[try]'") from None

WAIT_S = 20.0


class Guard(BaseAuthPlugin):  # type: ignore[misc,unused-ignore]
    """Lets in who knows the user and the password of private.toml."""

    user, word = "", ""

    async def authenticate(self, *, session: Any) -> bool:
        """True for the one user there is."""
        given = f"{session.username or ''}\0{session.password or ''}".encode()
        return hmac.compare_digest(given, f"{Guard.user}\0{Guard.word}".encode())


class OwnBroker:
    """Runs from `start` to `stop`."""

    def __init__(self, secret: Private) -> None:
        if secret.broker["tls"]:
            raise BadInput("--own-broker knows no TLS: broker.tls = false, in your own net only")
        if not secret.broker["user"] or not secret.broker["password"]:
            raise BadInput("--own-broker: give broker.user and broker.password in private.toml")
        Guard.user, Guard.word = secret.broker["user"], secret.broker["password"]
        self.port = secret.broker["port"]
        self.loop = asyncio.new_event_loop()
        self.ready = threading.Event()
        self.trouble = ""
        self.thread = threading.Thread(target=self._run, name="own broker", daemon=True)

    def start(self) -> None:
        """Listen on every interface. Raises BadInput if it cannot."""
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)  # its lines may hold what is said
        self.thread.start()
        if not self.ready.wait(WAIT_S) or self.trouble:
            raise BadInput(f"--own-broker: port {self.port}: {self.trouble or 'no answer'}")

    def _run(self) -> None:
        asyncio.set_event_loop(self.loop)
        plugins: dict[str, Any] = {f"{Guard.__module__}.{Guard.__name__}": {}}
        listeners = {"default": {"type": "tcp", "bind": f"0.0.0.0:{self.port}"}}
        try:
            self.broker = Broker({"listeners": listeners, "plugins": plugins}, loop=self.loop)
            self.loop.run_until_complete(self.broker.start())
        except Exception as error:  # amqtt has no common base for what it raises here
            self.trouble = logs_word(error)
            self.ready.set()
            return
        self.ready.set()
        self.loop.run_forever()
        self.loop.run_until_complete(self.broker.shutdown())
        self.loop.close()

    def stop(self) -> None:
        """Let every board go."""
        if self.thread.is_alive():
            self.loop.call_soon_threadsafe(self.loop.stop)
            self.thread.join(WAIT_S)


def logs_word(error: Exception) -> str:
    """An error in one line."""
    cause = error.__cause__ or error.__context__ or error
    return f"{type(cause).__name__}: {cause}".splitlines()[0][:200]
