"""python -m wakewell, and the command `wakewell`."""

import sys


def main() -> int:
    """The command's exit code. Modules are loaded here, so that Ctrl-C may come at any time."""
    try:
        from wakewell import cli

        return cli.main()
    except KeyboardInterrupt:  # before the command could handle it
        print("wakewell: stopped", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
