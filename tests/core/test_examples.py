"""The examples in the docstrings of the core run."""

from __future__ import annotations

import doctest
import pkgutil
from importlib import import_module

import pytest

from watchedpot import core

MODULES = sorted(module.name for module in pkgutil.iter_modules(core.__path__))
WITH_EXAMPLES = {
    *("units", "series", "rates", "viscosity", "humidity"),
    *("exposure", "wear", "dose", "doubts", "soak", "tip", "tank", "storage"),
    *("alarms", "phases", "charges", "parts", "entries", "supply", "whatif"),
    *("forecast", "learned", "findings"),
}


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_run(name: str) -> None:
    """Each gives what it says; the modules of quantities and machines have some."""
    result = doctest.testmod(import_module(f"watchedpot.core.{name}"))
    assert result.failed == 0
    assert (result.attempted > 0) == (name in WITH_EXAMPLES)
