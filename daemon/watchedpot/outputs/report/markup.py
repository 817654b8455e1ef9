"""The few elements a report is made of; whatever is not markup already is escaped here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files

_CSS = (files(__package__) / "report.css").read_text(encoding="utf-8")


class Markup(str):
    """Text that is markup, made by this module or drawn as a picture."""

    __slots__ = ()


def text(content: str) -> Markup:
    """Content as it is to be read, whatever characters it has."""
    return content if isinstance(content, Markup) else Markup(escape(content))


def element(name: str, *contents: str, of: str = "") -> Markup:
    """An element around contents, perhaps with a class."""
    attribute = f' class="{escape(of)}"' if of else ""
    return Markup(f"<{name}{attribute}>{''.join(text(each) for each in contents)}</{name}>")


def joined(parts: Iterable[str]) -> Markup:
    """Parts one after the other."""
    return Markup("\n".join(text(part) for part in parts if part))


def listed(items: Iterable[str]) -> Markup:
    """A plain list."""
    return element("ul", *(element("li", item) for item in items))


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    numeric: Sequence[int] = (),
    wide: Sequence[int] = (),
    tight: Sequence[int] = (),
) -> Markup:
    """A table; numeric columns stand to the right, tight ones in one line, wide ones have room."""
    named = {"n": numeric, "w": wide, "t": tight}
    kinds = [
        next((kind for kind, places in named.items() if place in places), "")
        for place in range(len(heads))
    ]
    head = element(
        "tr", *(element("th", name, of=kind) for name, kind in zip(heads, kinds, strict=True))
    )
    body = [
        element(
            "tr", *(element("td", cell, of=kind) for cell, kind in zip(row, kinds, strict=True))
        )
        for row in rows
    ]
    return element("table", element("thead", head), element("tbody", *body))


def picture(svg: str, words: str, caption: str) -> Markup:
    """A picture with what it shows in words, for those who cannot see it, and a caption."""
    drawn = f'<div role="img" aria-label="{escape(words)}">{svg}</div>'
    return element("figure", Markup(drawn), element("figcaption", caption))


def section(title: str, *contents: str, of: str = "") -> Markup:
    """A part of the page under a heading."""
    return element("section", element("h2", title), joined(contents), of=of)


def document(title: str, contents: Iterable[str], *, css: str = "") -> str:
    """A whole file of HTML that needs no other, perhaps with a style of its own besides ours."""
    head = joined(
        (
            Markup('<meta charset="utf-8">'),
            Markup('<meta name="viewport" content="width=device-width, initial-scale=1">'),
            element("title", title),
            Markup(f"<style>\n{_CSS}{css}</style>"),
        )
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n{head}\n</head>\n<body>\n'
        f"{joined(contents)}\n</body>\n</html>\n"
    )
