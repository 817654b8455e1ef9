"""What is to be read of a piece of a page."""

from __future__ import annotations

import re
from html import unescape


def words_of(markup: str) -> str:
    """Its words in one line, pictures aside."""
    text = re.sub(r"<svg.*?</svg>", " ", markup, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", text)).split())


def rows_of(markup: str) -> list[list[str]]:
    """Cells of all rows of all tables, heads left out."""
    rows = re.findall(r"<tr>((?:<td.*?</td>)+)</tr>", markup, flags=re.DOTALL)
    return [[words_of(one) for one in re.findall(r"<td.*?</td>", row)] for row in rows]
