"""The rig's libraries are loaded only where they are used."""

import subprocess
import sys

import pytest

from lacking import NO_LIBRARY


def printed(code: str) -> str:
    """What that code prints in an interpreter of its own."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_importing_the_rig_loads_no_heavy_library() -> None:
    """They serve set-up alone; a plain install must import without them."""
    code = (
        "import sys, wakewell.rig.pot, wakewell.rig.fao56;"
        "heavy = {'numpy', 'scipy', 'fluids', 'refet', 'pvlib', 'pandas'} & set(sys.modules);"
        "print(' '.join(sorted(heavy)))"
    )
    assert printed(code) == ""


def test_a_line_is_solved_without_scipy() -> None:
    """Its import would cost every run of the command more than all of the solving."""
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    code = (
        "import sys; from wakewell.rig.hydraulics import RigHose, RigPump, box, plumbing;"
        "plumbing(box(100.0, 150.0, 200.0), RigPump(), RigHose());"
        "print(sorted({'fluids', 'scipy'} & set(sys.modules)))"
    )
    assert printed(code) == "['fluids']"
