"""Finishes what an earlier flash began to put in force, before anything else is read."""


def main() -> None:
    """As the loader does it at each boot."""
    try:
        import loader

        loader.finish_moves()
    except (ImportError, AttributeError):
        pass  # a blank board, or an older loader
