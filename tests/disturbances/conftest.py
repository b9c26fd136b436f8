"""A small project in an empty folder."""

from pathlib import Path

import pytest

from tests.rooms import SMALL


@pytest.fixture
def here(tmp_path: Path) -> Path:
    (tmp_path / "small.toml").write_text(SMALL)
    return tmp_path
