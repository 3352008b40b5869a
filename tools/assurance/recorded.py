"""The record of the last run of each part: `--record` writes it, the note and `--go-on` read it."""

from __future__ import annotations

import json
import platform
import subprocess
import sys
import time
from typing import Any

from assurance.hazards import ROOT
from wakewell.core import core_id

LAST_RUN = ROOT / "tests" / "assurance" / "last_run.json"


def commit() -> str:
    """The commit that is checked out, with a plus where files differ from it; "" if none."""
    git = ["git", "-C", str(ROOT)]
    found = subprocess.run(
        [*git, "rev-parse", "--short=12", "HEAD"], capture_output=True, text=True
    )
    folders = ("device", "host", "tests", "tools")
    besides = (":(exclude)*last_run.json", ":(exclude)*safety.md")  # the recording writes them
    changed = subprocess.run(
        [*git, "status", "--porcelain", "--", *folders, *besides], capture_output=True
    )
    return found.stdout.strip() + ("+" if changed.stdout else "")


def record(
    part: str,
    quick: bool,
    numbers: dict[str, Any],
    left_out: list[str],
    more: dict[str, Any],
) -> None:
    """Keep what a part came to, with date and commit, for the note; `more` as it is."""
    kept = last_run()
    kept[part] = {
        "date": time.strftime("%Y-%m-%d", time.gmtime()),
        "commit": commit(),
        "on": f"{platform.python_implementation()} {platform.python_version()}",
        "core": core_id(),
        "quick": quick,
        "numbers": numbers,
        "left_out": left_out,
        **more,
    }
    new = LAST_RUN.with_suffix(".new")
    new.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    new.replace(LAST_RUN)  # a power cut leaves the old record or the new one


def last_run() -> dict[str, Any]:
    """{part: what it came to} of the last recorded run of each."""
    try:
        found = json.loads(LAST_RUN.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except ValueError as wrong:
        told = "a record is one JSON object: take it back from git, or move it away and --record"
        print(f"{LAST_RUN}: {wrong}; {told}", file=sys.stderr)
        raise SystemExit(2) from None
    return dict(found)
