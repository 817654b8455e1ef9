"""One fixture: a folder to configure in."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.config.plant import Plant


@pytest.fixture
def plant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Plant:
    """A folder of its own, as working folder, with a complete ``plant.toml``."""
    monkeypatch.chdir(tmp_path)
    made = Plant(tmp_path)
    made.change()
    return made
