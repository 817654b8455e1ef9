"""Which file a value was set in: noted when files are read, found again in the recorded text."""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from watchedpot.app.config.files import Document
from watchedpot.app.config.model import ZoneAlarms
from watchedpot.core.rules import CellRules
from watchedpot.sources.wiring import Source

_KEYS = {"is_latching": "latching"}
"""Keys of alarms that have another name in the files."""


def origins(
    documents: Sequence[Document], sources: Iterable[Source], cells: Iterable[CellRules]
) -> dict[str, str]:
    """The file of each source, material, cell and general alarm, as it is named in the rules.

    Of an alarm that a cell or a zone changes, the file of each changed key too. Files are named
    from the folder of the first one, so that the same files in another folder tell the same.
    What no cell uses is left out, as it is from the rules.
    """
    unused = {f"sources.{one}" for document in documents for one in document.ids("sources")}
    unused |= {f"materials.{one}" for document in documents for one in document.ids("materials")}
    unused -= {f"sources.{source.id}" for source in sources}
    unused -= {f"materials.{zone.material.id}" for cell in cells for zone in cell.zones}
    found: dict[str, str] = {}
    for document in documents:
        name = Path(os.path.relpath(document.name, documents[0].folder)).as_posix()
        found |= {path: name for path in _paths(document) if path not in unused}
    return found


def _paths(document: Document) -> Iterator[str]:
    """What stands in one file."""
    tables = document.tables
    yield from (f"sources.{source.id}" for source in tables.sources)
    yield from (f"materials.{material.id}" for material in tables.materials)
    yield from (f"alarms.{kind}" for kind in _said(tables.alarms))
    for cell in tables.cells:
        place = f"cells.{cell.id}"
        yield place
        yield from _changed(place, cell.alarms)
        for zone in cell.zones:
            yield from _changed(f"{place}.zones.{zone.id}", zone.alarms)


def _changed(place: str, alarms: ZoneAlarms) -> Iterator[str]:
    """The keys of alarms that a cell or a zone changes."""
    for kind in _said(alarms):
        yield from (
            f"{place}.alarms.{kind}.{key}" for key in sorted(getattr(alarms, kind).model_fields_set)
        )


def _said(alarms: ZoneAlarms) -> Collection[str]:
    """The alarms about which something is said, in the order of the tables."""
    return [kind for kind, alarm in alarms if alarm is not None]


def file_of(text: str, path: str) -> str:
    """The file in which a value of a recorded configuration was set; empty where not recorded.

    Parameters
    ----------
    text
        ``Configuration.text``.
    path
        Of the value: keys of the rules or of the files, and ids, joined by dots.

    Examples
    --------
    >>> file_of('{"files": {"cells.lens_4": "lens_4.toml"}}', "cells.lens_4.zones.nozzle.low_c")
    'lens_4.toml'
    """
    try:
        found: Any = json.loads(text)
        files: dict[str, str] = found["files"]
        return next((files[one] for one in _candidates(found, path.split(".")) if one in files), "")
    except (ValueError, KeyError, TypeError):
        return ""


def _candidates(found: Any, names: Sequence[str]) -> Iterator[str]:
    """Where a value may have been set, the place that decides first."""
    of_zone = names[4:] if names[2:3] == ["zones"] else []
    if of_zone[:1] == ["material"] and of_zone[1:2] not in ([], ["id"]):
        yield f"materials.{_material(found, cell=names[1], zone=names[3])}"
    if names[0] == "cells" and "alarms" in names:
        alarm = [_KEYS.get(name, name) for name in names[names.index("alarms") :]]
        yield ".".join((*names[: names.index("alarms")], *alarm))
        yield ".".join((*names[:2], *alarm))
        yield ".".join(alarm[:2])
    yield ".".join(names[:2])


def _material(found: Any, *, cell: str, zone: str) -> str:
    """Id of the material in a zone."""
    of_cell: Any = next((each for each in found["cells"] if each["id"] == cell), {})
    of_zone: Any = next((each for each in of_cell["zones"] if each["id"] == zone), {})
    return str(of_zone["material"]["id"])
