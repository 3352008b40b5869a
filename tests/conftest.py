"""For all tests: Hypothesis never judges by the clock, and tests that wait for long begin first."""

from __future__ import annotations

import gc

import hypothesis
import pytest

hypothesis.settings.register_profile("wakewell", deadline=None)
# For the coverage of a check: the same few each time, so that what they reach stays the same
hypothesis.settings.register_profile("few", deadline=None, max_examples=20, derandomize=True)
hypothesis.settings.load_profile("wakewell")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that wait for long begin first, so that no worker has only these left at the end."""
    items.sort(key=lambda item: item.get_closest_marker("waits") is None)


def pytest_collection_finish() -> None:
    """What is there for the whole run is garbage never: board code collects before much that it
    does, and each collection would walk over all tests and libraries."""
    gc.freeze()
