"""What is wrong with a configuration, in sentences.

Reading goes on after a fault: what is faulty is left out and the rest is looked through, so
that one start shows all that has to be corrected.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from watchedpot.app.config.model import ORDER, TEXT_OR_NUMBER, File, Part

EFFECT = "nothing was started"

_UNITS = {
    "_j_per_kg_k": "J/(kg K)",
    "_w_per_m2_k": "W/(m2 K)",
    "_w_per_m_k": "W/(m K)",
    "_kg_per_m3": "kg/m3",
    "_kj_per_mol": "kJ/mol",
    "_mm2_per_s": "mm2/s",
    "_mg_per_s": "mg/s",
    "_bar_abs": "bar",
    "_days": "days",
    "_min": "min",
    "_mb": "MB",
    "_ml": "ml",
    "_mm": "mm",
    "_c": "degC",
    "_g": "g",
    "_h": "h",
    "_k": "K",
    "_s": "s",
}
"""Units of keys by how their names end, the longer endings first."""
_SECRET = re.compile(r"password|passwd|passphrase|token|secret|private_?key|api_?key|credential")
_REFERENCE = re.compile(r"_(file|path|credential)$")
_BARE_KEY = re.compile(r"^[A-Za-z0-9_-]+$")
_USER_IN_URL = re.compile(r"//[^/\s]*@")

_EXPECTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": "a text",
    "list_type": "a list",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
    "greater_than": "more than {gt:g}{unit}",
    "greater_than_equal": "{ge:g}{unit} or more",
    "less_than": "less than {lt:g}{unit}",
    "less_than_equal": "{le:g}{unit} or less",
    "string_too_short": "a text that is not empty",
    "string_too_long": "at most {max_length} characters",
    "string_pattern_mismatch": "a text of the form {pattern}",
    "too_short": "{min_length} entries",
    "too_long": "{max_length} entries",
    "enum": "{expected}",
    "literal_error": "{expected}",
    "union_tag_invalid": "{expected_tags}",
    TEXT_OR_NUMBER: "a text or a finite number",
}
_ENTRIES = {
    "sources": "[[sources]]",
    "materials": "[[materials]]",
    "cells": "[[cells]]",
    "zones": "[[cells.zones]]",
}
_CHOICES = {"enum", "literal_error", "union_tag_invalid"}


@dataclass(frozen=True, slots=True)
class Place:
    """A table or key of a file, named by the ids on the way to it."""

    file: str
    path: str = ""

    def at(self, *keys: str | int) -> Place:
        """Place below this one; a number counts the entries of a list."""
        path = self.path
        for key in keys:
            if isinstance(key, int):
                path += f"[{key}]"
            else:
                name = key if _BARE_KEY.match(key) else json.dumps(key, ensure_ascii=False)
                path += f".{name}" if path else name
        return Place(self.file, path)

    def __str__(self) -> str:
        return f"{self.file}, {self.path}" if self.path else self.file


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing to correct: where, what was expected and what came, what can be done."""

    place: Place
    problem: str
    hint: str = ""

    def __str__(self) -> str:
        parts = (f"{self.place}: {self.problem}", EFFECT, self.hint)
        return "; ".join(part for part in parts if part)


@dataclass(slots=True)
class Faults:
    """The faults found so far."""

    found: list[Fault] = field(default_factory=list)

    def add(self, place: Place, problem: str, hint: str = "") -> None:
        """Note one fault."""
        self.found.append(Fault(place, problem, hint))

    def concern(self, place: Place) -> bool:
        """Whether something at this place or below it is already known to be faulty."""
        below = (f"{place.path}.", f"{place.path}[")
        return any(
            fault.place.file == place.file
            and (fault.place.path == place.path or fault.place.path.startswith(below))
            for fault in self.found
        )

    def has(self, part: Part, key: str, place: Place) -> bool:
        """Whether a key of a table was written, be it with a fault."""
        return getattr(part, key) is not None or self.concern(place.at(key))

    def check_one_of(self, part: Part, keys: tuple[str, str], place: Place, hint: str) -> None:
        """Note it where both of two keys were written, or neither."""
        written = [key for key in keys if self.has(part, key, place)]
        if len(written) != 1:
            came = "both" if written else "none"
            self.add(place, f"expected {keys[0]} or {keys[1]}, got {came}", hint)

    def texts(self) -> tuple[str, ...]:
        """Each fault as one sentence."""
        return tuple(dict.fromkeys(str(fault) for fault in self.found))


def shown(value: object) -> str:
    """A value as it stands in the file, shortened, without anything secret."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        text = f"[{', '.join(shown(item) for item in value)}]"
        return text if len(text) <= 60 else f"a list of {len(value)}"
    if isinstance(value, str):
        text = json.dumps(_USER_IN_URL.sub("//...@", value), ensure_ascii=False)
        return text if len(text) <= 60 else f'{text[:56]}..."'
    return str(value).lower() if isinstance(value, bool) else str(value)


def nearest(word: str, words: Iterable[str]) -> str:
    """Hint at the word that was probably meant, or at all there are."""
    known = list(words)
    if match := difflib.get_close_matches(word, known, n=1):
        return f"did you mean {match[0]}?"
    return f"known are {', '.join(sorted(known))}" if known else ""


def named(raw: object, location: Sequence[int | str], file: str) -> Place:
    """Place of a location in the raw file: list entries by their id where they have one."""
    place = Place(file)
    for key in location:
        raw = _step(raw, key)
        place = place.at(_entry(key, raw) if isinstance(key, int) else key)
    return place


def _entry(index: int, entry: object) -> str | int:
    """What an entry of a list is called: its id, else its number."""
    entry_id = entry.get("id") if isinstance(entry, dict) else None
    return entry_id if isinstance(entry_id, str) and entry_id else index


def _step(raw: Any, key: int | str) -> Any:
    """What stands under a key of a raw table or list, None where a key is missing."""
    return raw.get(key) if isinstance(raw, dict) else raw[key]


def secrets(raw: Mapping[str, Any], place: Place, faults: Faults) -> dict[str, Any]:
    """The file without its secrets, each of them a fault: a configuration is shown and recorded."""
    clean: dict[str, Any] = {}
    for key, value in raw.items():
        if _SECRET.search(key.lower()) and not _REFERENCE.search(key.lower()):
            faults.add(
                place.at(key),
                "expected no secret in a configuration file, got one",
                f"change it, since it was written down; keep it in a file of its own "
                f"({key}_file), none is needed yet",
            )
        elif isinstance(value, dict):
            clean[key] = secrets(value, place.at(key), faults)
        elif isinstance(value, list):
            clean[key] = [
                secrets(item, place.at(key, _entry(at, item)), faults)
                if isinstance(item, dict)
                else item
                for at, item in enumerate(value)
            ]
        else:
            clean[key] = value
    return clean


def checked(raw: Mapping[str, Any], file: str, faults: Faults) -> File:
    """The file's tables; what is faulty is noted and left out."""
    rest = deepcopy(dict(raw))
    is_salvage = False
    while True:
        try:
            return File.model_validate(rest, context={"is_salvage": is_salvage})
        except ValidationError as error:
            details = error.errors(include_url=False)
        if not is_salvage:
            for detail in details:
                _note(detail, rest, file, faults)
        _prune(rest, [detail for detail in details if detail["type"] != ORDER])
        is_salvage = True


def _path(detail: ErrorDetails, raw: Any) -> tuple[int | str, ...]:
    """Keys to the place of an error, without the protocol that pydantic puts among them."""
    path: list[int | str] = []
    for key in detail["loc"]:
        is_entry = path and isinstance(path[-1], int) and isinstance(raw, dict)
        if is_entry and raw.get("protocol") == key:
            continue
        path.append(key)
        raw = _step(raw, key)
    if detail["type"] in {"union_tag_not_found", "union_tag_invalid"}:
        path.append("protocol")
    return tuple(path)


def _prune(raw: dict[str, Any], details: Sequence[ErrorDetails]) -> None:
    """Take out what is faulty; where a key is missing, the table it is missing from."""
    paths = set()
    for detail in details:
        path = _path(detail, raw)
        is_missing = detail["type"] in {"missing", "union_tag_not_found"}
        paths.add(path[:-1] if is_missing else path)
    # Deepest first, last of a list first: no removal moves what another one names.
    for path in sorted(paths, key=_depth, reverse=True):
        holder: Any = raw
        for key in path[:-1]:
            holder = holder[key]
        del holder[path[-1]]


def _depth(path: tuple[int | str, ...]) -> tuple[int, list[int]]:
    return len(path), [key if isinstance(key, int) else -1 for key in path]


def _note(detail: ErrorDetails, raw: Mapping[str, Any], file: str, faults: Faults) -> None:
    """Add the sentence of one of pydantic's errors."""
    path = _path(detail, raw)
    key, place = str(path[-1]), named(raw, path, file)
    part = _part(path, raw)
    fields = part.model_fields if part else {}
    hint = as_hint(fields[key].description) if key in fields else ""
    match detail["type"]:
        case "missing" | "union_tag_not_found":
            faults.add(place, "expected a value, got none", hint)
        case "extra_forbidden":
            faults.add(place, f"unknown key, got {shown(detail['input'])}", nearest(key, fields))
        case kind if kind == ORDER:
            pair = named(raw, path[:-1], file) if key in detail["msg"] else place
            faults.add(pair, detail["msg"], "correct one of the two")
        case _:
            _note_value(detail, _value(raw, path), place, key=key, hint=hint, faults=faults)


def _note_value(
    detail: ErrorDetails, came: object, place: Place, *, key: str, hint: str, faults: Faults
) -> None:
    """Add the sentence of a value of the wrong type or outside its range."""
    kind = detail["type"]
    unit = ""
    if isinstance(came, int | float):
        unit = next((f" {name}" for end, name in _UNITS.items() if key.endswith(end)), "")
    template = _EXPECTED.get(kind, "another value")
    expected = template.format(unit=unit, **detail.get("ctx", {}))
    expected = expected.replace("', '", "' or '").replace("'", '"')
    if kind in _CHOICES and isinstance(came, str):
        near = difflib.get_close_matches(came, re.findall(r'"([^"]+)"', expected), n=1)
        hint = f"did you mean {near[0]}?" if near else hint
    if kind == "list_type" and key in _ENTRIES and isinstance(came, dict):
        hint = f"write {_ENTRIES[key]} for each of them"
    faults.add(place, f"expected {expected}, got {shown(came)}{unit}", hint)


def as_hint(description: str | None) -> str:
    """Description of a key as the last part of a sentence."""
    text = " ".join((description or "").split()).rstrip(".")
    is_word = text[1:2].islower() or text[1:2] == " "
    return text[:1].lower() + text[1:] if is_word else text


def _value(raw: object, path: Sequence[int | str]) -> object:
    """What stands at a place of the raw file."""
    for key in path:
        raw = _step(raw, key)
    return raw


def _part(path: Sequence[int | str], raw: object) -> type[Part] | None:
    """The table that the last key of a path belongs to."""
    parts: list[type[Part]] = [File]
    for key in path[:-1]:
        raw = _step(raw, key)
        if isinstance(key, str):
            fields = [part.model_fields[key] for part in parts if key in part.model_fields]
            parts = [part for field_info in fields for part in _parts(field_info.annotation)]
    protocol = raw.get("protocol") if isinstance(raw, dict) else None
    of_protocol = (part for part in parts if protocol in _protocols(part))
    return next(of_protocol, next(iter(parts), None))


def _protocols(part: type[Part]) -> tuple[object, ...]:
    """Protocols that a table is for, none if it is not a source."""
    tag = part.model_fields.get("protocol")
    return get_args(tag.annotation) if tag else ()


def _parts(annotation: object) -> list[type[Part]]:
    """Tables that a key may hold."""
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return [annotation]
    return [part for inner in get_args(annotation) for part in _parts(inner)]
