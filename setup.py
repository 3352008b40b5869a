"""What pyproject.toml cannot say: the root files of a board go into the package `wakeboard`.

In a clone they lie beside it, as on a board.
"""

import shutil
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

ROOT_FILES = ("boot.py", "main.py", "loader.py", "bringup.py")


class Build(build_py):
    """As usual, and device/*.py into wakeboard/root/."""

    def run(self) -> None:
        super().run()
        if not self.editable_mode:
            target = Path(self.build_lib) / "wakeboard" / "root"
            target.mkdir(parents=True, exist_ok=True)
            for name in ROOT_FILES:
                shutil.copyfile(Path("device") / name, target / name)


setup(cmdclass={"build_py": Build})
