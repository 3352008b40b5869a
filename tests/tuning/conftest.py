"""One fitted pot for all tests of the room."""

from __future__ import annotations

import pytest

from lacking import NO_LIBRARY

pytest.importorskip("fluids", reason=NO_LIBRARY)

from wakewell.shipped import CAFE
from wakewell.tuning import study
from wakewell.tuning.study import Study


@pytest.fixture(scope="session")
def basil() -> Study:
    """The café's basil: four months, watered by hand once, in the evening of a dose."""
    return study.fitted(study.opened(str(CAFE / "basil")))
