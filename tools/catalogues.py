"""Bring the translations of the owner's texts up to date: host/wakewell/data/languages/*.po.

    python3 tools/catalogues.py            texts that are new are added, those that are gone go
    python3 tools/catalogues.py --check    say what is missing or would change, and change nothing

A text is what `say`, `term`, `plural`, `words.Word` and `words.Said` are given, in Python and in
the pages' templates, or one of the board's TEXTS of its entry page. Afterwards fill in every
`msgstr ""` of a catalogue. Exit code 1: with --check, one is not up to date; otherwise, a text has
no translation. Needs the test extra.
"""

from __future__ import annotations

import ast
import io
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
HOST = ROOT / "host" / "wakewell"
ENTRY = ROOT / "device" / "wakeboard" / "entry.py"
PLACE = HOST / "data" / "languages"
TAKES = {"say": 1, "term": 1, "plural": 2, "Word": 3}  # how many of its first values are texts


def of_python(path: Path) -> Iterator[tuple[str, ...]]:
    """The texts of a module: (text,), or (for one, for more)."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name, given = ast.unparse(node.func).removeprefix("words."), node.args
        if name == "Said" and isinstance(given[0], ast.Dict):
            given = given[0].values
        elif name in TAKES:
            given = given[: TAKES[name]]
        else:
            continue
        texts = [str(v.value) for v in given if isinstance(v, ast.Constant) and v.value]
        if name == "plural":
            yield tuple(texts)
        else:
            yield from ((text,) for text in texts)


def of_template(path: Path) -> Iterator[tuple[str, ...]]:
    """The texts of a template."""
    import jinja2
    from jinja2.ext import extract_from_ast

    tree = jinja2.Environment().parse(path.read_text(encoding="utf-8"))
    for _, name, found in extract_from_ast(tree, tuple(TAKES)):
        given = found if isinstance(found, tuple) else (found,)
        texts = tuple(text for text in given[: TAKES[name]] if isinstance(text, str))
        if texts:
            yield texts


def of_board() -> Iterator[tuple[str, ...]]:
    """The texts of the board's entry page."""
    for node in ast.parse(ENTRY.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "TEXTS":
            yield from ((text,) for text in list(ast.literal_eval(node.value).values())[1:])


def texts() -> dict[tuple[str, ...], str]:
    """{texts: the file that has them first}, in the order of files and lines."""
    found: dict[tuple[str, ...], str] = {}
    for text in of_board():
        found.setdefault(text, ENTRY.relative_to(ROOT).as_posix())
    for path in sorted(HOST.rglob("*")):
        read = {".py": of_python, ".html": of_template}.get(path.suffix)
        if read is not None and path.name != "language.py":
            for text in read(path):
                found.setdefault(text, path.relative_to(HOST).as_posix())
    return found


def renewed(path: Path) -> tuple[bytes, list[str]]:
    """(the catalogue with the texts of today, those without a translation)."""
    from babel.messages import pofile
    from babel.messages.catalog import Catalog

    with path.open("rb") as file:
        old = pofile.read_po(file, locale=path.stem)
    made = Catalog(locale=path.stem, header_comment=old.header_comment, fuzzy=False)
    made.mime_headers = old.mime_headers
    missing = []
    for text, place in texts().items():
        before = old.get(text[0])
        string: Any = "" if len(text) == 1 else ("",) * made.num_plurals
        if before is not None:
            string = before.string
        made.add(text if len(text) > 1 else text[0], string, [(place, 1)])
        if not all(string if isinstance(string, tuple) else (string,)):
            missing.append(text[0])
    out = io.BytesIO()
    pofile.write_po(out, made, width=100, include_lineno=False)
    return out.getvalue(), missing


def lasting(data: bytes) -> list[bytes]:
    """The lines of a catalogue but for the one with the version of Babel that wrote it."""
    return [row for row in data.splitlines() if not row.startswith(b'"Generated-By')]


def main(words: list[str]) -> int:
    """Renew or check them all."""
    code = 0
    for path in sorted(PLACE.glob("*.po")):
        data, missing = renewed(path)
        for text in missing:
            print(f"{path.name}: not translated: {text}")
        changed = lasting(data) != lasting(path.read_bytes())
        if changed and "--check" in words:
            print(f"{path.name}: not up to date; run python3 tools/catalogues.py")
        elif changed:
            path.write_bytes(data)
        code |= bool(missing) or ("--check" in words and changed)
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
