"""Every text of the code base that may reach a person, with its place, for somebody to read.

python3 tools/messages.py [PART-OF-A-PATH...]      only the files whose path holds one of these

A text is a string literal with two words or more that is no docstring, or the text between the
tags of a template. A value that is filled in is shown by its expression in braces.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PLACES = ("device", "host", "tools")
WORDS = re.compile(r"[A-Za-z]{2,}[,:;.]? .*[a-z]{2,}")


def texts(source: str) -> Iterator[tuple[int, str]]:
    """(line, text) of each text in a Python file."""
    tree = ast.parse(source)
    skipped = set()
    for node in ast.walk(tree):
        for name in ("annotation", "returns"):
            skipped |= {id(n) for n in ast.walk(getattr(node, name, None) or ast.Pass())}
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(id(node.value))
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(part) for part in node.values}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(map(_part, node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


def _part(part: ast.expr) -> str:
    if isinstance(part, ast.Constant):
        return str(part.value)
    assert isinstance(part, ast.FormattedValue)
    return f"{{{ast.unparse(part.value)}}}"


def found(path: Path) -> list[tuple[int, str]]:
    """The texts of a file, in their order."""
    source = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        rows = sorted(texts(source))
    else:  # a template
        rows = [
            (at, part)
            for at, row in enumerate(source.splitlines(), 1)
            for part in re.split(r"<[^>]*>", row)
        ]
    return [(at, " ".join(text.split())) for at, text in rows if WORDS.search(text)]


def main(parts: list[str]) -> int:
    """Print them all."""
    for place in PLACES:
        for path in sorted((ROOT / place).rglob("*")):
            name = path.relative_to(ROOT).as_posix()
            if path.suffix not in (".py", ".html", ".js") or not path.is_file():
                continue
            if not parts or any(part in name for part in parts):
                for at, text in found(path):
                    print(f"{name}:{at}: {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
