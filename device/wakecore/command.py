"""What the core asks of the board, one command at a time. A wake is about a dozen of them.

The comment beside a command says what the board sends back. A board without an answer sends None.
"""

if False:
    from wakecore.run import Run
    from wakecore.typed import Record


class Command:
    """A command that needs no values: the four below. The others carry theirs."""


OFF = Command()  # pump off, its pin set up anew; nothing comes back
REST = Command()  # the battery before any load: its reading, or None
READ = Command()  # every fitted probe: {name: reading or None}
CLOSE = Command()  # all parts off: milliseconds awake so far


class Store(Command):
    """The state into a slot, and read back: True only if both worked."""

    def __init__(self, data: bytes) -> None:
        self.data = data


class Pump(Command):
    """One pulse of the pump, watched. The Run holds the result."""

    def __init__(self, run: "Run") -> None:
        self.run = run


class Log(Command):
    """One line for the field log."""

    def __init__(self, record: "Record") -> None:
        self.record = record


class Report(Command):
    """Send by radio what is recorded up to wake n. The board does it in a boot of its own."""

    def __init__(self, n: int) -> None:
        self.n = n


class Sleep(Command):
    """Deep sleep; the board boots anew after it. button: 1 if a press ends it too."""

    def __init__(self, sleep_s: int, button: int) -> None:
        self.sleep_s, self.button = sleep_s, button
