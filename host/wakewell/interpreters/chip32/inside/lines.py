# mypy: ignore-errors
"""As boot.py, but the wake's line is written over and over, each with a later failed allocation."""


def main(pins, level, first, step):
    """first: which allocation fails in the first line; step: how many later in each next one."""
    import bare

    bare.begin(pins, level)
    import bare_host

    with open("/boot.py") as file:
        exec(file.read(), {})
    import sys

    import loader

    version = loader.read("/code/in-force")
    sys.path.insert(0, "/code/" + version)
    from wakeboard.board import Board

    plain = Board.log

    def log(board, record):
        nth, enough = first, 0
        while not enough:
            again, escaped = dict(record), 0
            bare_host.begin_line(nth)
            try:
                plain(board, again)
            except MemoryError:
                escaped = 1
            enough = bare_host.end_line(nth, escaped)
            nth += step
        bare.end("enough")

    Board.log = log
    Board(version, 0).wake()
