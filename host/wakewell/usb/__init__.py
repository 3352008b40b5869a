"""Boards over USB: finding them, talking to them, flashing, pulling, commissioning."""
