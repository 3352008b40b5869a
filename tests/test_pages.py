"""The pages for developers: what they link to is there."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LINK = re.compile(r"\]\((?!https?:|mailto:|#)([^)#]+)")
PAGES = subprocess.run(
    ["git", "ls-files", "*.md"], cwd=ROOT, capture_output=True, text=True, check=True
).stdout.split()


@pytest.mark.parametrize("page", PAGES)
def test_every_link_of_a_page_leads_somewhere(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    for found in LINK.finditer(text):
        assert ((ROOT / page).parent / found[1]).exists(), found[1]


def test_the_developers_page_leads_to_every_other() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    linked = {found[1] for found in LINK.finditer(text)}
    beside = {page for page in PAGES if page.startswith(("device/", "host/", "tools/"))}
    assert beside - {page for page in beside if "/data/" in page} <= linked
