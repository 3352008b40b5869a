"""`wakewell new --repository`: a project of the maker's own whose CI script runs at once."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from lacking import NO_LIBRARY
from wakewell.cli import main
from wakewell.draft import project
from wakewell.errors import BadInput
from wakewell.pot import prices


def ci(folder: Path) -> subprocess.CompletedProcess[str]:
    """Run its script, with the python and the wakewell of this test."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    return subprocess.run(
        ["sh", str(folder / "ci.sh")], env={**os.environ, "PATH": path}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip


def test_a_new_project_passes_its_own_ci_and_fails_it_when_a_pot_is_broken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    folder = tmp_path / "my pots"
    assert main(["new", "--repository", str(folder)]) == 0
    # A folder with a space in its name: the command can be pasted as it stands
    assert f"wakewell new {shlex.quote(f'{folder}/pots/basil')}" in capsys.readouterr().out
    assert main(["new", str(folder / "pots" / "basil"), "--yes"]) == 0
    done = ci(folder)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "basil: good" in done.stdout
    assert "1 passed" in done.stdout
    assert "1 simulated, all good" in done.stdout
    # A pot that its maker broke, a sequence that fails: told by the exit code
    (folder / "pots" / "basil" / "limits.toml").write_text("day_ml = 0\n")
    (folder / "trials" / "example.toml").unlink()
    (folder / "sequences" / "dry_soil.toml").unlink()
    done = ci(folder)
    assert done.returncode == 1
    assert "day_ml = 0: allowed 1 to 5000" in done.stdout


def test_nothing_of_a_project_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "README.md").write_text("mine")
    (tmp_path / "prices.toml").write_text("mine = 1\n")
    written, kept = project.write(tmp_path)
    assert kept == ["README.md", "prices.toml"]
    assert "ci.sh" in written
    assert (tmp_path / "README.md").read_text() == "mine"
    with pytest.raises(BadInput, match="is a project already"):
        project.write(tmp_path)


def test_a_project_names_no_host_and_no_secret() -> None:
    for name, text in project.texts().items():
        assert "://" not in text.replace("git+https://...", ""), name
        assert "password" not in text, name
    assert len(project.README.splitlines()) <= 16


@pytest.mark.parametrize("words", [["pots/x"], ["--plant", "fern"], ["--like", "cafe/fern"]])
def test_a_project_is_no_pot(words: list[str], tmp_path: Path) -> None:
    assert main(["new", "--repository", str(tmp_path / "p"), *words]) == 2
    assert not (tmp_path / "p").exists()


def test_prices_are_read_as_they_are_written(tmp_path: Path) -> None:
    path = tmp_path / prices.FILE
    path.write_text(prices.example(), encoding="utf-8")
    currency, found = prices.read(path)
    assert currency == "EUR"
    assert set(found) == set(prices.PARTS)
    assert all(price.invented for price in found.values()), "nobody paid them"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no value in it"),
        ("[pump]\nprice = 1\n", "currency = None: allowed"),
        ('currency = "EUR"\n[pmup]\nprice = 1\n', "nearest known name pump"),
        (
            'currency = "EUR"\n[pump]\nprice = -1\n',
            ":3: pump.price = -1: allowed a number, 0 to 100000",
        ),
        ('currency = "EUR"\n[pump]\nprice = "1"\n', "allowed a number"),
        ('currency = "EUR"\n[pump]\nprice = nan\n', "allowed a number, 0 to"),
        ('currency = "EUR"\n[pump]\ncost = 1\n', "known names: price, source, invented"),
        ('currency = "EUR"\npump = 3\n', "allowed a table"),
        ('currency = "EUR"\n[pump]\nprice = 1\nsource = 2\n', "pump.source = 2: allowed a line"),
        ('currency = "EUR"\n[pump]\nprice = 1\ninvented = 1\n', "allowed true or false"),
        ('currency = "EUR"\n[pump]\nprice = 1\ninstead = 2\n', "pump.instead = 2: allowed for"),
        ('currency = "EUR"\n[fuse]\nprice = 1\ninstead = { a = 2 }\n', "fuse.instead = a table"),
        ('currency = "EUR"\n[pump]\nprice = 1\ninstead = { stong = 2 }\n', "name strong"),
        ('currency = "EUR"\n[pump]\nprice = 1\ninstead = { small = "a" }\n', "instead.small"),
    ],
)
def test_a_price_that_cannot_be_used(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / prices.FILE
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput) as why:
        prices.read(path)
    assert said in str(why.value)
