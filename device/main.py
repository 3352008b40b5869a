"""A wake. All it does is in loader.py (which version) and wakeboard (the wake itself)."""

import loader

try:
    import bringup  # there only while `wakewell bringup` is at work
except ImportError:
    bringup = None  # type: ignore[assignment]

if bringup is None or not bringup.run():
    loader.run()
