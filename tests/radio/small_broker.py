"""amqtt in a process of its own: the broker of these tests where there is no Mosquitto.

Arguments: PORT USER PASSWORD [CERTIFICATE KEY]. It forgets all messages when it ends.
"""

from __future__ import annotations

import asyncio
import sys
from typing import Any

from amqtt.broker import Broker

from wakewell.radio.own_broker import Guard


async def serve(port: str, user: str, word: str, *tls: str) -> None:
    """Until it is killed."""
    Guard.user, Guard.word = user, word
    listener: dict[str, Any] = {"type": "tcp", "bind": f"127.0.0.1:{port}"}
    if tls:
        listener |= {"ssl": True, "certfile": tls[0], "keyfile": tls[1]}
    plugins: dict[str, Any] = {f"{Guard.__module__}.{Guard.__name__}": {}}
    broker = Broker({"listeners": {"default": listener}, "plugins": plugins})
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(*sys.argv[1:]))
