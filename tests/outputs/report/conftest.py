"""The sample ledger and its facts, made once for all tests of the report."""

from __future__ import annotations

from pathlib import Path

import pytest

from outputs.report import sample
from watchedpot.outputs.report.facts import Facts


@pytest.fixture(scope="session")
def sample_ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample as a file."""
    path: Path = tmp_path_factory.mktemp("report") / "sample.ledger"
    sample.write(path)
    return path


@pytest.fixture(scope="session")
def facts(sample_ledger: Path) -> Facts:
    """Facts of the whole sample, as of an hour after its begin."""
    return sample.facts_of(sample_ledger)
