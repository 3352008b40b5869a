"""The simulated pot, tank, hose, pump, probes and battery: physics only, no decision."""
