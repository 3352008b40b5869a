"""Wakewell on the host: replay, rig, boards over USB, calibration, budget, report."""

__version__ = "0.1.0"
