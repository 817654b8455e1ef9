"""One table of all figures, printed when the benches are over."""

from __future__ import annotations

import pytest

from bench.figures import Figures

FIGURES = pytest.StashKey[Figures]()


def pytest_configure(config: pytest.Config) -> None:
    """Make room for the figures."""
    config.stash[FIGURES] = Figures()


@pytest.fixture
def figures(pytestconfig: pytest.Config) -> Figures:
    """Where a bench puts its figures."""
    return pytestconfig.stash[FIGURES]


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Print the table, if a bench ran."""
    if config.stash[FIGURES].found:
        terminalreporter.section("figures")
        terminalreporter.write_line(config.stash[FIGURES].table())
