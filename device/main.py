"""A wake. All it does is in loader.py (which version) and wakeboard (the wake itself)."""

import loader

loader.run()
