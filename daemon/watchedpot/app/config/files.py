"""From a path to the tables of a configuration file and of all that it includes."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

from watchedpot.app.config.faults import Faults, Place, checked, nearest, secrets
from watchedpot.app.config.model import File

_POSITION = re.compile(r"^(?P<problem>.*) \(at (?P<position>[^()]*)\)$", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Document:
    """One file.

    Attributes
    ----------
    name
        Its path, as faults name it.
    folder
        Where its relative paths start.
    raw
        What it says, faulty or not.
    tables
        The part of it that can be used.
    """

    name: str
    folder: Path
    raw: Mapping[str, Any]
    tables: File

    def ids(self, key: str) -> tuple[str, ...]:
        """Ids of all entries of a list of tables, also of the faulty ones."""
        entries = self.raw.get(key)
        entries = entries if isinstance(entries, list) else [entries]
        found = [entry.get("id") for entry in entries if isinstance(entry, dict)]
        return tuple(entry_id for entry_id in found if isinstance(entry_id, str))


class _HasId(Protocol):
    @property
    def id(self) -> str: ...


_Entry = TypeVar("_Entry", bound=_HasId)


def by_id(
    key: str, entries: Iterable[tuple[Document, _Entry]], faults: Faults
) -> dict[str, tuple[Place, _Entry]]:
    """Entries of a list of tables of all files by their id, each with its place."""
    found: dict[str, tuple[Place, _Entry]] = {}
    for document, entry in entries:
        place = Place(document.name).at(key, entry.id)
        first, _ = found.setdefault(entry.id, (place, entry))
        if found[entry.id][1] is not entry:
            faults.add(
                place, f"expected an id of its own, {first} has it too", "rename one of the two"
            )
    return found


def read(path: Path, faults: Faults) -> tuple[Document, ...]:
    """The file and, after it, all that it includes, each file once."""
    documents: dict[Path, Document] = {}
    _read(path, Place(str(path)), (), documents, faults)
    return tuple(documents.values())


def _read(
    path: Path,
    asked_at: Place,
    chain: tuple[Path, ...],
    documents: dict[Path, Document],
    faults: Faults,
) -> None:
    """Read one file into the documents, then what it includes."""
    target = path.resolve()
    if target in chain:
        names = " -> ".join(link.name for link in (*chain[chain.index(target) :], target))
        faults.add(asked_at, f"expected no circle, got {names}", "take one include out")
        return
    if target in documents:
        return
    raw = _parsed(path, asked_at, faults)
    if raw is None:
        return
    name = str(path)
    raw = secrets(raw, Place(name), faults)
    tables = checked(raw, name, faults)
    documents[target] = Document(name, path.parent, raw, tables)
    for at, include in enumerate(tables.include):
        place = Place(name).at("include", at)
        _read(path.parent / include, place, (*chain, target), documents, faults)


def _parsed(path: Path, asked_at: Place, faults: Faults) -> dict[str, Any] | None:
    """What a file says, None if it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        folder = path.parent
        if folder.is_dir():
            hint = nearest(path.name, (entry.name for entry in folder.glob("*.toml")))
        else:
            hint = f"there is no folder {folder}"
        faults.add(asked_at, f"expected a file {path}, found none", hint)
    except OSError as error:
        faults.add(asked_at, f"expected a readable file {path}, got: {error.strerror}")
    except UnicodeDecodeError as error:
        faults.add(Place(str(path)), f"expected UTF-8 text, got byte {error.start} that is not")
    except tomllib.TOMLDecodeError as error:
        match = _POSITION.match(str(error))
        problem, position = match.group("problem", "position") if match else (str(error), "")
        where = f"{path}, {position}" if position else str(path)
        faults.add(Place(where), f"expected TOML, got: {problem}", "nothing after it was read")
    return None
