"""First contact goes on by itself, with the steps of /bringup.py."""


def main() -> None:
    """The next of its steps. Never returns."""
    import machine

    import bringup

    bringup.run()
    machine.reset()
