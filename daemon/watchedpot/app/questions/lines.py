"""Text in lines that fit a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import wrap

WIDTH = 100
"""Columns of a line [1]: what a terminal beside a cell shows."""

CAUTION = (
    "This is a record, no safety device. Melt, nozzle and tank are hot and may be under pressure,"
    " vapours can form: follow the adhesive's safety data sheet, your local codes and the cell"
    " maker's instructions, and leave work on the cell to qualified people."
)


def prose(text: str) -> list[str]:
    """A paragraph."""
    return wrap(text, WIDTH)


def beside(label: str, text: str, *, column: int, indent: int = 0) -> list[str]:
    """A label with its text in a column of its own.

    Examples
    --------
    >>> beside("made", "today", column=8, indent=2)
    ['  made  today']
    """
    head = f"{' ' * indent}{label}".ljust(column)
    if len(head) > column:
        head = f"{head} "
    return wrap(
        text,
        WIDTH,
        initial_indent=head,
        subsequent_indent=" " * column,
        break_on_hyphens=False,
    ) or [head.rstrip()]


def counted(count: int, noun: str, many: str = "") -> str:
    """A number of things.

    Examples
    --------
    >>> counted(1, "part"), counted(2, "part"), counted(2, "entry", "entries")
    ('1 part', '2 parts', '2 entries')
    """
    return f"{count:,} {noun if count == 1 else many or f'{noun}s'}"


def numbers(first: int, last: int) -> str:
    """A range of part numbers, as people enter it too.

    Examples
    --------
    >>> numbers(41877, 41888), numbers(3, 3)
    ('41877-41888', '3')
    """
    return str(first) if first == last else f"{first}-{last}"


def shortened(items: Iterable[str], most: int) -> str:
    """Items with commas, the last ones only counted where there are many.

    Examples
    --------
    >>> shortened(["a", "b", "c"], 2)
    'a, b and 1 more'
    """
    named = list(items)
    rest = len(named) - most
    return ", ".join(named[:most]) + (f" and {rest} more" if rest > 0 else "")
