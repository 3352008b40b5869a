"""Switches the pump off and renews the lease that keeps the board awake. A blank board has no
loader.
"""


def main() -> None:
    """Both, if there is a loader."""
    try:
        import loader

        loader.pump_off()
        loader.lease()
    except ImportError:
        pass
