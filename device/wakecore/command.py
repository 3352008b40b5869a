"""What the core asks of the board, one command at a time. A wake is a dozen of them.

What each one is sent back stands beside it. A board that knows no answer sends None.
"""

if False:
    from wakecore.run import Run
    from wakecore.typed import Record


class Command:
    """Asked by its name alone: one of the four below. All others carry what they need."""


OFF = Command()  # pump off, its pin set up anew; nothing comes back
REST = Command()  # the battery before any load: its reading, or None
READ = Command()  # every fitted probe: {name: reading or None}
CLOSE = Command()  # all parts off: milliseconds awake so far


class Store(Command):
    """The state into a slot, and read back: True only if both worked."""

    def __init__(self, data: bytes) -> None:
        self.data = data


class Pump(Command):
    """One pulse, watched; the Run holds what came of it."""

    def __init__(self, run: "Run") -> None:
        self.run = run


class Log(Command):
    """One line for the field log."""

    def __init__(self, record: "Record") -> None:
        self.record = record


class Report(Command):
    """By radio, in a boot of its own: what is recorded up to wake n."""

    def __init__(self, n: int) -> None:
        self.n = n


class Sleep(Command):
    """Deep sleep, which never returns. button: 1 if a press ends it too."""

    def __init__(self, sleep_s: int, button: int) -> None:
        self.sleep_s, self.button = sleep_s, button
