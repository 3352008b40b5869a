"""Which control core is this? Its identity is a hash of what its source does.

Words for people are no part of it: a corrected comment, docstring or annotation makes no other
core. The syntax tree is written down here, not by `ast.dump`, whose text differs from one Python
to the next.
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import wakecore

# Words for people, types, and what only some versions of Python put into a tree
LEFT_OUT = {"annotation", "returns", "ctx", "kind", "simple", "type_comment"}
LEFT_OUT |= {"type_ignores", "type_params"}


def core_folder() -> Path:
    """Where the core's source is."""
    return Path(wakecore.__file__).parent


@cache
def core_id() -> str:
    """Twelve hexadecimal digits of the SHA-256 of every source file's name and syntax tree."""
    digest = hashlib.sha256()
    for path in sorted(core_folder().glob("*.py")):
        digest.update(path.name.encode() + b"\0" + tree_text(path.read_bytes()).encode())
    return digest.hexdigest()[:12]


def tree_text(source: bytes) -> str:
    """What a file does, as text that is the same under every Python. Raises SyntaxError."""
    return "".join(_parts(ast.parse(source)))


def _parts(value: object) -> Iterator[str]:
    """A node, a list of nodes, or a constant."""
    if isinstance(value, list):
        yield "["
        for item in value:
            if not _is_for_people(item):
                yield from _parts(item)
        yield "]"
    elif isinstance(value, ast.AnnAssign) and value.value:  # with its annotation left out
        yield from _parts(ast.Assign(targets=[value.target], value=value.value))
    elif isinstance(value, ast.AST):
        yield type(value).__name__ + "("
        for name in value._fields:
            field = getattr(value, name, None)
            if name not in LEFT_OUT and field is not None and field != []:
                yield name + "="
                yield from _parts(field)
        yield ")"
    else:
        yield repr(value) + ","


def _is_for_people(node: object) -> bool:
    """Text that stands alone, a name that only gets a type, and names imported for types alone,
    below `if False`."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return isinstance(node.value.value, str)
    if isinstance(node, ast.AnnAssign):
        return node.value is None
    return isinstance(node, ast.If) and (
        isinstance(node.test, ast.Constant) and node.test.value is False
    )
