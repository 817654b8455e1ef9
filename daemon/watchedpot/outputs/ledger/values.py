"""Details of a part in few bytes: what its columns hold, and what is usual, is not written again.

A part has some thirty details, the same ones each time. A layout names them once for many rows,
as a JSON array with an item for each, in their order: ``"age_s"`` for one whose value stands in
the row, ``["first"]`` for one that a column of the row holds, ``["joined_s",null]`` for one that
is the same in all rows of this layout.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from watchedpot.core.model import Detail

_USUAL = frozenset((type(value), value) for value in (None, True, "", 1, 1.0))
"""Values that many parts have in common, with their types: 1, 1.0 and True are three."""


def written(told: Mapping[str, Detail], columns: Mapping[str, Detail]) -> tuple[str, str]:
    """Text of the layout of some details, and that of the values it leaves to the row.

    Examples
    --------
    >>> written({"first": 7, "age_s": 60.5, "joined_s": None}, {"first": 7})
    ('[["first"],"age_s",["joined_s",null]]', '[60.5]')
    """
    layout: list[str | list[Detail]] = []
    values: list[Detail] = []
    for name, value in told.items():
        kind = type(value)
        if name in columns and kind is type(columns[name]) and value == columns[name]:
            layout.append([name])
        elif (kind, value) in _USUAL:
            layout.append([name, value])
        else:
            layout.append(name)
            values.append(value)
    return _text(layout), _text(values)


def _text(items: Sequence[Any]) -> str:
    """JSON without spaces."""
    return json.dumps(items, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Layout:
    """A layout, ready to read many rows.

    Attributes
    ----------
    text
        As it is written.
    names
        Of the details, in their order.
    base
        Their values as far as they are the same in all rows.
    held
        Places of those that columns hold, with the column.
    free
        Places of those that stand in the row.
    """

    text: str
    names: tuple[str, ...]
    base: tuple[Detail, ...]
    held: tuple[tuple[int, int], ...]
    free: tuple[int, ...]

    @classmethod
    def parse(cls, text: str, columns: Mapping[str, int]) -> Layout:
        """Layout from its text; the columns are given with their places in a row.

        Raises
        ------
        ValueError
            It is no layout.
        """
        names, base = list[str](), list[Detail]()
        held, free = list[tuple[int, int]](), list[int]()
        try:
            for place, item in enumerate(json.loads(text)):
                name, *usual = [item] if isinstance(item, str) else item
                names.append(name)
                base.append(usual[0] if usual else None)
                if isinstance(item, str):
                    free.append(place)
                elif not usual:
                    held.append((place, columns[name]))
        except (TypeError, LookupError) as exc:
            raise ValueError(f"no layout: {exc!r}") from exc
        return cls(text, tuple(names), tuple(base), tuple(held), tuple(free))

    def details(self, row: Sequence[Any], values: str) -> tuple[tuple[str, Detail], ...]:
        """Details from the columns and the values of a row.

        Raises
        ------
        ValueError
            The values are not those of this layout.
        """
        found = list(self.base)
        for place, column in self.held:
            found[place] = row[column]
        for place, value in zip(self.free, json.loads(values), strict=True):
            found[place] = value
        return tuple(zip(self.names, found, strict=True))
