"""Pump off, and the lease that keeps the board awake renewed. A blank board has no loader."""


def main() -> None:
    """Both, if there is a loader."""
    try:
        import loader

        loader.pump_off()
        loader.lease()
    except ImportError:
        pass
