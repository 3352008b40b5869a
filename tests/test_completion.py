"""Shell completion: what the Tab key offers, asked of a real bash."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from lacking import lacking
from wakewell import cli, commands

BASH = shutil.which("bash")


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The script for bash, as the command prints it."""
    path = tmp_path_factory.mktemp("completion") / "wakewell"
    with pytest.MonkeyPatch.context() as patch:
        text: list[str] = []
        patch.setattr("builtins.print", lambda *words: text.extend(words))
        assert cli.main(["completion", "bash"]) == 0
    path.write_text("\n".join(text), encoding="utf-8")
    return path


def offered(script: Path, *words: str, folder: Path | None = None) -> set[str]:
    """What bash offers after those words; the last one is being typed."""
    if BASH is None:
        pytest.skip(lacking("bash"))
    typed = " ".join(f"'{word}'" for word in ("wakewell", *words))
    code = f"""
source {script}
COMP_WORDS=({typed}); COMP_CWORD={len(words)}; COMP_LINE="{" ".join(words)}"
_shtab_wakewell wakewell "${{COMP_WORDS[COMP_CWORD]}}" "${{COMP_WORDS[COMP_CWORD-1]}}"
printf '%s\\n' "${{COMPREPLY[@]}}"
"""
    done = subprocess.run([BASH, "-c", code], capture_output=True, text=True, cwd=folder)
    assert done.stderr == ""
    return set(done.stdout.split())


def test_commands_and_options_are_offered(script: Path) -> None:
    assert offered(script, "re") == {"replay", "report", "remind"} & set(commands.COMMANDS)
    assert offered(script, "comp") == {"completion"}
    assert {"--demo", "--core"} <= offered(script, "replay", "--")
    assert offered(script, "completion", "zs") == {"zsh"}


def test_folders_are_offered_for_a_pot(script: Path, tmp_path: Path) -> None:
    (tmp_path / "fern").mkdir()
    (tmp_path / "fern.txt").touch()
    assert offered(script, "flash", "fe", folder=tmp_path) == {"fern"}


@pytest.mark.parametrize("shell", ["zsh", "tcsh"])
def test_other_shells_get_a_script_of_their_own(
    shell: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["completion", shell]) == 0
    text = capsys.readouterr().out
    assert all(name in text for name in commands.COMMANDS)
