"""TOML files -> checked tables -> frozen rules; every fault of all files at once.

``files`` reads, ``model`` knows the tables and keys, ``faults`` speaks, ``build`` checks what one
key cannot know and builds the rules, ``table`` shows the result to a person.
"""

from __future__ import annotations

from pathlib import Path

from watchedpot.app.config.build import Configuration, Service, build
from watchedpot.app.config.faults import Faults
from watchedpot.app.config.files import read
from watchedpot.app.config.model import json_schema
from watchedpot.app.config.table import wiring_table
from watchedpot.errors import ConfigError

__all__ = ["Configuration", "Service", "json_schema", "load", "wiring_table"]


def load(path: Path) -> Configuration:
    """Configuration of a file and of all that it includes.

    Raises
    ------
    ConfigError
        With every fault of every file.
    """
    faults = Faults()
    configuration = build(read(path, faults), faults)
    if faults.found:
        raise ConfigError(str(path), faults.texts())
    return configuration
