"""What holds in every test: Hypothesis judges by what is right, never by the clock."""

from __future__ import annotations

import hypothesis

hypothesis.settings.register_profile("wakewell", deadline=None)
# For the coverage of a check: the same few each time, so that what they reach stays the same
hypothesis.settings.register_profile("few", deadline=None, max_examples=20, derandomize=True)
hypothesis.settings.load_profile("wakewell")
