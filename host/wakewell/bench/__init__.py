"""A pot at the bench: checked, brought up, commissioned, calibrated."""
