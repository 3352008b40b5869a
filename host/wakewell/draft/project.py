"""A project of the maker's own: pots, sequences, trials and prices, checked on every push.

What belongs here: its files as they are first, and writing those that are missing. What does not:
a pot's folder (files.py), reading prices (pot/prices.py).
"""

from __future__ import annotations

from pathlib import Path

from wakewell.errors import BadInput
from wakewell.pot import prices
from wakewell.tomlfile import show_path

README = """\
# My pots

Planters that water themselves, made with Wakewell.

    wakewell new pots/basil          another pot; each value in its files has its reason
    sh ci.sh                         what runs on every push: check, sequences, trials

| folder | what is in it |
| --- | --- |
| `pots/` | a folder for each pot, with its log; secrets stay out of git |
| `sequences/` | what the core must do, as tests; `wakewell cut` makes one from a log |
| `trials/` | simulated months of a pot |
| `prices.toml` | what parts cost you; the first ones are invented |
"""
CHANGELOG = """\
# Changes

What whoever builds these pots should know, the newest first.

## Not yet released

- The project begins.
"""
GITIGNORE = """\
private*.toml
private-card.html
.venv/
__pycache__/
.pytest_cache/
/pages/
"""
PYTEST = """\
# wakewell's plugin collects every .toml file below a folder named sequences
[pytest]
testpaths = sequences
"""
REQUIREMENTS = """\
# What ci.sh needs. Where no package index has wakewell, write the folder or the git address of
# your copy in its place: wakewell[rig] @ git+https://...
wakewell[rig]
pytest
"""
CI = """\
#!/bin/sh
# What is checked on every push: pots, sequences, trials. Run it here too before you push.
set -eu
cd "$(dirname "$0")"
failed=0

for pot in pots/*/; do
    [ -f "${pot}pot.toml" ] || continue
    echo "== check $pot"
    wakewell check "$pot" || failed=1
done

echo "== sequences"
python3 -m pytest -q || [ $? -eq 5 ] || failed=1  # 5: there is none

for trial in trials/*.toml; do
    [ -f "$trial" ] || continue
    echo "== simulate $trial"
    wakewell simulate "$trial" || failed=1
done

exit $failed
"""
# Woodpecker CI, free software: steps in a container, from a file in the repository
WORKFLOW = """\
# Woodpecker CI reads this file. Another CI needs the same two lines: install, then ci.sh.
when:
  - event: [push, pull_request]

steps:
  - name: check
    image: python:3
    commands:
      - pip install -r requirements.txt
      - sh ci.sh
"""
SEQUENCE = """\
# R1, R16: dry soil is watered, and the pump is off before and after. Invented readings.
# wakewell cut makes such a file from a pot's log.
title = "Dry soil is watered"
rules = "R1"

[[wake]]
soil_ppt = 240

[[wake.expect]]
rule = "R1"
pump = true
"""
TRIAL = """\
# A month of the café's basil, an invented pot that ships with wakewell. One of your own:
#   pot = "../pots/basil"
# wakewell simulate --names lists every name.
title = "An example: a month of basil"
pot = "basil"
begins = 2026-05-01
days = 30
"""
POTS = "A folder for each pot: wakewell new pots/NAME makes one.\n"


def texts() -> dict[str, str]:
    """{path in the project: text}."""
    return {
        "README.md": README,
        "CHANGELOG.md": CHANGELOG,
        ".gitignore": GITIGNORE,
        "pytest.ini": PYTEST,
        "requirements.txt": REQUIREMENTS,
        "ci.sh": CI,
        ".woodpecker.yaml": WORKFLOW,
        "prices.toml": prices.example(),
        "pots/README.md": POTS,
        "sequences/dry_soil.toml": SEQUENCE,
        "trials/example.toml": TRIAL,
    }


def write(folder: Path) -> tuple[list[str], list[str]]:
    """Write what is missing; (written, left as it was). Raises BadInput."""
    if folder.exists() and not folder.is_dir():
        raise BadInput(f"{show_path(str(folder))}: a file of that name is there; name a folder")
    written, kept = list[str](), list[str]()
    for name, text in texts().items():
        path = folder / name
        if path.exists():
            kept.append(name)
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        if name == "ci.sh":
            path.chmod(path.stat().st_mode | 0o111)
        written.append(name)
    if not written:
        text = f"{show_path(str(folder))}: is a project already, and nothing in it is overwritten"
        raise BadInput(text + "; name another folder")
    return written, kept
