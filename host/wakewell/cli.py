"""The `wakewell` command: runs a subcommand and reports what goes wrong."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from wakewell import extras, terminal
from wakewell.commands import COMMANDS, Parser, known, options_of, parser_of
from wakewell.errors import BadInput
from wakewell.terminal import OutputLost
from wakewell.tomlfile import nearest, show, show_path

BROKEN_PIPE = 141  # as a shell counts a program that wrote to one


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand. Exit codes: 0 good, 1 a finding, 2 input that cannot be used, 130
    stopped by Ctrl-C, 141 whoever read the output went away."""
    words = list(sys.argv[1:] if argv is None else argv)
    name = words[0] if words and words[0] in COMMANDS else ""
    with terminal.streams():
        try:
            return command(name, words)
        except KeyboardInterrupt:
            why, code = "stopped", 130
        except BadInput as error:
            why, code = str(error), 2
        except EOFError:
            why, code = "no answer was given, so nothing was done", 2
        except MemoryError:
            why, code = "not enough memory; close other programs or give it less at once", 2
        except OutputLost as error:
            terminal.give_up(sys.stdout)
            if isinstance(error.why, BrokenPipeError):
                return BROKEN_PIPE
            why, code = f"the output cannot be written: {error}; make room there", 2
        except ModuleNotFoundError as absent:
            why, code = extras.advice(absent.name, name), 2
            if not why:
                raise
        except OSError as error:
            if error.errno is None:  # none of the system's
                raise
            why, code = refused(error), 2
        print(f"{f'wakewell {name}'.rstrip()}: {why}", file=sys.stderr)
    return code


def refused(error: OSError) -> str:
    """What to say where the system refuses a file or a place that no command speaks for itself."""
    named = isinstance(error.filename, (str, bytes, os.PathLike))
    place = f"{show_path(os.fsdecode(error.filename))}: " if named else ""
    return f"{place}{error.strerror}; check that place, its permissions and its free space"


def unknown(parser: Parser, name: str, word: str) -> str:
    """What to say of a word that a subcommand does not take."""
    if not word.startswith("-"):
        return f"{show(word)}: one word too many; wakewell help {name} says what it takes"
    near = nearest(word.partition("=")[0], options_of(parser, name))
    return f"{show(word)}: no such option; {near}; wakewell help {name} says more"


def command(name: str, words: Sequence[str]) -> int:
    """The exit code of the command of that name; "": what the words alone ask for."""
    if sys.stdout is None:
        raise BadInput("standard output is closed; leave it open, or send it to a file")
    if words and not words[0].startswith("-"):
        known(words[0])
    try:
        parser = parser_of([name])
        args, others = parser.parse_known_args(words)
        if others:
            raise BadInput(unknown(parser, name, others[0]))
        args.words = list(words)
        code: int = args.run(args)
    finally:
        sys.stdout.flush()
    return code
