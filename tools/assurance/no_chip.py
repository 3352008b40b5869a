"""An empty module in place of the chip's own: imported before a module of the board's side that
asks for it and of which only tables or plain functions are used."""

import sys
from types import ModuleType

sys.modules.setdefault("chip", ModuleType("chip"))
