"""What all tests share: how Hypothesis searches, what a skip means, which tests go first."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

TESTS = Path(__file__).parent
MACHINE_CANNOT = "this machine cannot:"
"""How the reason of a skip begins that is no failure in CI."""

# The same examples in every run, and no failure because a machine is slow. A developer who wants
# to search elsewhere asks for it: --hypothesis-profile=search.
settings.register_profile("same", derandomize=True, deadline=None, database=None)
settings.register_profile("search", deadline=None, max_examples=1000)
settings.load_profile("same")


@pytest.fixture(scope="session")
def datasets() -> Path:
    """Folder of the open data sets; the test is skipped where there is none."""
    default = TESTS.parent.parent / "shared" / "datasets"
    folder = Path(os.environ.get("WATCHEDPOT_DATASETS", default))
    if not folder.is_dir():
        pytest.skip(f"no data sets in {folder}; WATCHEDPOT_DATASETS names their folder")
    return folder


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run the quick tests first, those with sockets, processes and disks after them."""
    items.sort(
        key=lambda item: (
            item.get_closest_marker("integration") is not None
            or item.path.is_relative_to(TESTS / "integration")
        )
    )


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Hold a skipped test against the rule of CI."""
    report = yield
    _judge_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Hold a skipped file against the rule of CI."""
    report = yield
    _judge_skip(report)
    return report


def _judge_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    """In CI a skip is a failure, unless the machine is the reason."""
    if os.environ.get("CI") != "true" or not report.skipped or hasattr(report, "wasxfail"):
        return
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    if not reason.removeprefix("Skipped: ").startswith(MACHINE_CANNOT):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI ({reason}); allowed only as '{MACHINE_CANNOT} ...'"
