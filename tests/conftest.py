"""What holds in every test: Hypothesis judges by what is right, never by the clock."""

from __future__ import annotations

import hypothesis

hypothesis.settings.register_profile("wakewell", deadline=None)
hypothesis.settings.load_profile("wakewell")
