"""Owner texts in other languages: whole catalogues, the page in them, English where one lacks."""

from __future__ import annotations

import re
import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from wakewell import language
from wakewell.cli import main
from wakewell.language import number, plural, say
from wakewell.pot import pot_folder

ROOT = Path(__file__).resolve().parents[1]
sys.path.append(str(ROOT / "tools"))
import catalogues  # noqa: E402

CAFE = ROOT / "host" / "wakewell" / "data" / "cafe"
OTHERS = sorted(set(language.NAMES) - {language.ENGLISH})
HOLE = re.compile(r"\{(\w+)\}")


@pytest.mark.parametrize("name", OTHERS)
def test_a_catalogue_has_every_text_and_no_other(name: str) -> None:
    path = catalogues.PLACE / f"{name}.po"
    data, missing = catalogues.renewed(path)
    assert not missing
    assert catalogues.lasting(data) == catalogues.lasting(path.read_bytes())


@pytest.mark.parametrize("name", OTHERS)
def test_a_translation_has_the_values_of_its_text(name: str) -> None:
    from babel.messages import pofile

    with (catalogues.PLACE / f"{name}.po").open("rb") as file:
        read = pofile.read_po(file, locale=name)
    for message in read:
        if not message.id:
            continue
        ids = message.id if isinstance(message.id, tuple) else (message.id,)
        strings = message.string if isinstance(message.string, tuple) else (message.string,)
        for form, string in enumerate(strings):
            wanted = ids[min(form, len(ids) - 1)]
            assert set(HOLE.findall(string)) == set(HOLE.findall(wanted)), message.id


def test_every_language_ships() -> None:
    assert [path.stem for path in sorted(catalogues.PLACE.glob("*.po"))] == OTHERS


def test_texts_numbers_and_dates_are_in_the_language_in_force() -> None:
    """Dates and decimals as the Unicode locale data have them (CLDR, by Babel)."""
    when = datetime(2026, 6, 12, tzinfo=UTC)
    assert (say("tomorrow"), number(27.14, 1)) == ("tomorrow", "27.1")
    assert language.date(when, "EEE d MMMM y") == "Fri 12 June 2026"
    with language.speaking("de"):
        assert (say("tomorrow"), number(27.14, 1)) == ("morgen", "27,1")
        assert plural("{count} hour", "{count} hours", 1) == "1 Stunde"
        assert language.date(when, "EEE d MMMM y") == "Fr., 12. Juni 2026"
        with language.speaking("es"):
            assert plural("{count} hour", "{count} hours", 2) == "2 horas"
            assert language.date(when, "d MMMM y") == "12 de junio de 2026"
    assert say("tomorrow") == "tomorrow"


def test_a_text_without_a_translation_stays_english() -> None:
    with language.speaking("de"):
        assert say("a text that nobody translated, {count}", count=3).endswith("translated, 3")
        assert say("") == ""


def test_an_unknown_language_is_refused_with_those_there_are(tmp_path: Path) -> None:
    folder = spoken(tmp_path, "fr")
    (problem,) = pot_folder.load(folder).problems
    assert problem.text.startswith('language = "fr": allowed de, en, es')
    assert problem.file.endswith("pot.toml")


def spoken(tmp_path: Path, name: str) -> Path:
    """A café pot whose owner reads that language."""
    folder = Path(shutil.copytree(CAFE / "fern", tmp_path / "fern"))
    path = folder / "pot.toml"
    path.write_text(f'language = "{name}"\n' + path.read_text("utf-8"), "utf-8")
    return folder


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("de", ("Zuletzt gegossen", "Wasser im Boden", "noch von niemandem mit deutscher")),
        ("es", ("Último riego", "Agua en la tierra", "Ningún hablante nativo ha revisado")),
    ],
)
def test_a_page_is_in_its_owners_language_and_says_who_checked_it(
    name: str, said: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = spoken(tmp_path, name)
    assert main(["report", str(folder), "--as-of", "2025-06-01", "--out", str(tmp_path)]) in (0, 1)
    assert capsys.readouterr().out.split()[0] in ("well", "due", "needs", "no"), "for the maker"
    page = (tmp_path / "fern.html").read_text("utf-8")
    assert f'<html lang="{name}">' in page
    for text in said:
        assert text in page
    assert "Last watered" not in page


def test_an_english_page_names_no_translation(tmp_path: Path) -> None:
    main(["report", str(CAFE / "fern"), "--as-of", "2025-06-01", "--out", str(tmp_path)])
    assert "native speaker" not in (tmp_path / "fern.html").read_text("utf-8")
