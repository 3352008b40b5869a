"""Real MicroPythons on this computer."""
