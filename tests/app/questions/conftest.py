"""The time zone of the people who ask."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import timedelta, timezone

import pytest

ZONE = timezone(timedelta(hours=2))


@pytest.fixture
def _two_hours_ahead(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Set the clock of this computer two hours ahead of UTC, all year."""
    monkeypatch.setenv("TZ", "UTC-2")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()
