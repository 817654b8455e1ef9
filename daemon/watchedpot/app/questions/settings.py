"""What was configured when, from the texts that the ledger keeps."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from watchedpot.errors import ConfigError
from watchedpot.outputs import ledger

_NAMES = ("id", "name", "kind")
"""Keys that name an entry of a list, the first of them that it has."""

_IN_FILES = {"low_c": "window_low_c", "high_c": "window_high_c"}
"""Keys of a zone that have another name in the files."""


_RECORDED = {"degF": "degC", "1": ""}
"""Units of devices that are recorded in another one, or are none."""


class Change(NamedTuple):
    """A value of the configuration that became another; None where there was none."""

    path: str
    old: Any
    new: Any


def changes(old: str, new: str) -> tuple[Change, ...]:
    """What differs between two configurations, given as their recorded texts.

    What is there in one of them only is one change, with all that is in it.

    Examples
    --------
    >>> changes('{"cells": [{"id": "lens_4", "ambient_c": 23.0}]}',
    ...     '{"cells": [{"id": "lens_4", "ambient_c": 21.0}]}')
    (Change(path='cells.lens_4.ambient_c', old=23.0, new=21.0),)
    """
    found = ({**parsed(text), "files": None} for text in (old, new))  # where, and not what
    return tuple(_changes((), *found))


def parsed(text: str) -> dict[str, Any]:
    """A recorded configuration; empty where the text is none."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _changes(path: tuple[str, ...], old: Any, new: Any) -> Iterable[Change]:
    if old == new:
        return
    olds, news = _entries(old), _entries(new)
    if olds is None or news is None:
        yield Change(_readable(path), old, new)
        return
    for name in dict.fromkeys((*olds, *news)):
        yield from _changes((*path, name), olds.get(name), news.get(name))


def _entries(value: Any) -> Mapping[str, Any] | None:
    """What is inside a value by name, None where nothing inside it has a name."""
    if isinstance(value, dict):
        return value
    if not isinstance(value, list):
        return None
    if all(isinstance(item, dict) for item in value):
        key = next((key for key in _NAMES if all(key in item for item in value)), None)
        named = {} if key is None else {str(item[key]): item for item in value}
    elif all(isinstance(item, list) and len(item) == 2 for item in value):
        named = {str(item[0]): item[1] for item in value}
    else:
        return None
    return named if len(named) == len(value) else None


def _readable(path: tuple[str, ...]) -> str:
    *before, last = path or ("configuration",)
    is_of_zone = len(before) == 4 and before[2] == "zones"
    return ".".join((*before, _IN_FILES.get(last, last) if is_of_zone else last))


def shown(value: Any) -> str:
    """A value of the configuration for people."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, dict):
        return "a table of its own"
    return str(value) if isinstance(value, str) else json.dumps(value)


@dataclass(frozen=True, slots=True)
class Settings:
    """Configurations of a ledger.

    Attributes
    ----------
    texts
        By revision.
    runs
        Each start of the daemon.
    by_run
        Parsed configuration that each run used.
    """

    texts: Mapping[str, str]
    runs: Sequence[ledger.Run]
    by_run: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)

    @staticmethod
    def read(path: Path) -> Settings:
        """All that a ledger knows."""
        texts = {each.revision: each.text for each in ledger.configurations(path)}
        found = {revision: parsed(text) for revision, text in texts.items()}
        runs = tuple(ledger.runs(path))
        return Settings(texts, runs, {run.id: found.get(run.config_revision, {}) for run in runs})

    @property
    def newest(self) -> Mapping[str, Any]:
        """The configuration of the newest run, empty without one."""
        return self.by_run[self.runs[-1].id] if self.runs else {}

    def revision(self, run: int) -> str | None:
        """Name of the configuration of a run."""
        return next((each.config_revision for each in self.runs if each.id == run), None)

    def cell(self, run: int, name: str) -> Mapping[str, Any]:
        """The rules of a cell in a run, empty where not known."""
        return _named(self.by_run.get(run, {}).get("cells"), name)

    def zone(self, run: int, cell: str, name: str) -> Mapping[str, Any]:
        """The rules of a zone in a run, empty where not known."""
        return _named(self.cell(run, cell).get("zones"), name)

    def check_cell(self, name: str | None) -> None:
        """Hold a cell that was asked for against all that were ever configured.

        Raises
        ------
        ConfigError
            None of them is it.
        """
        known = {
            str(cell["id"]): None
            for found in self.by_run.values()
            for cell in found.get("cells", ())
        }
        if name is not None and known and name not in known:
            raise ConfigError(
                "--cell", [f"--cell: expected one of {', '.join(known)}, got {name!r}"]
            )

    def sources_of(self, cell: str) -> frozenset[str]:
        """Sources that ever read a channel of a cell."""
        return frozenset(
            str(source["id"])
            for found in self.by_run.values()
            for source in found.get("sources", ())
            if any(channel["name"].startswith(f"{cell}/") for channel in source["channels"])
        )

    def units(self) -> dict[str, str]:
        """Unit in which each channel is recorded; empty for a plain number."""
        given = {
            channel["name"]: channel.get("conversion", {}).get("unit", "")
            for found in self.by_run.values()
            for source in found.get("sources", ())
            for channel in source["channels"]
        }
        widths = {
            cell.get("bead_width"): "mm"
            for found in self.by_run.values()
            for cell in found.get("cells", ())
        }
        return {name: widths.get(name) or _RECORDED.get(unit, unit) for name, unit in given.items()}

    def rework(self, cells: Iterable[str]) -> dict[str, tuple[float | None, str]]:
        """Rework time [s] and caution of the materials of some cells, by material."""
        wanted = set(cells)
        found: dict[str, tuple[float | None, str]] = {}
        for cell in self.newest.get("cells", ()):
            for zone in cell.get("zones", ()) if cell.get("id") in wanted else ():
                material = zone.get("material") or {}
                time_s, caution = material.get("rework_s"), material.get("rework_caution", "")
                if time_s is not None or caution:
                    found[str(material.get("id"))] = time_s, caution
        return found


def _named(entries: Any, name: str) -> Mapping[str, Any]:
    return next((each for each in entries or () if each.get("id") == name), {})
