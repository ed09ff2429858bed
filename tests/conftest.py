"""Where pictures that are not part of the project are found."""

import os
from pathlib import Path

import pytest


def _folder(variable: str) -> Path:
    value = os.environ.get(variable)
    if not value or not Path(value).is_dir():
        pytest.skip(f"{variable} does not name a folder of evaluation pictures")
    return Path(value)


@pytest.fixture(scope="session")
def real_photos() -> Path:
    """Real photographs made by others."""
    return _folder("WEARSCOPE_REAL_PHOTOS")


@pytest.fixture(scope="session")
def renders() -> Path:
    """Rendered pictures with exact truth beside them."""
    return _folder("WEARSCOPE_RENDERS")
