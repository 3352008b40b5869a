"""What an earlier flash had begun to put in force is finished, before anything else is read."""


def main() -> None:
    """As the loader does it at each boot."""
    try:
        import loader

        loader.finish_moves()
    except (ImportError, AttributeError):
        pass  # a blank board, or a loader of before
