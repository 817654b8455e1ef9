"""Elements of the page; what is not markup is escaped."""

from __future__ import annotations

from outputs.report.sample import NASTY
from watchedpot.outputs.report.markup import (
    Markup,
    document,
    element,
    joined,
    listed,
    picture,
    section,
    table,
    text,
)

SAFE = "&lt;script&gt;alert(&#x27;x&#x27;)&lt;/script&gt; &amp; &quot;quotes&quot;"


def test_text_is_escaped_once() -> None:
    """Markup is left alone, also a second time."""
    assert text(NASTY) == SAFE
    assert text(text(NASTY)) == SAFE
    assert text(Markup("<b>")) == "<b>"


def test_every_element_escapes_its_contents() -> None:
    """Paragraphs, lists, tables, captions, descriptions and headings."""
    made = (
        element("p", NASTY, of=NASTY),
        listed([NASTY]),
        table([NASTY], [[NASTY]]),
        picture("<svg></svg>", NASTY, NASTY),
        section(NASTY, NASTY),
        joined([NASTY]),
    )
    for each in made:
        assert "<script" not in each
        assert SAFE in each


def test_elements_nest() -> None:
    """What an element made is markup for the next."""
    assert element("ul", element("li", "<")) == "<ul><li>&lt;</li></ul>"


def test_columns_have_their_kinds() -> None:
    """Numbers to the right, tight ones in one line, wide ones with room."""
    made = table(("a", "b", "c", "d"), [("1", "2", "3", "4")], numeric=(0,), tight=(1,), wide=(2,))
    assert '<th class="n">a</th><th class="t">b</th><th class="w">c</th><th>d</th>' in made
    assert '<td class="n">1</td><td class="t">2</td><td class="w">3</td><td>4</td>' in made


def test_what_is_empty_is_left_out() -> None:
    """A part that says nothing leaves no empty line."""
    assert joined(["a", "", "b"]) == "a\nb"


def test_a_document_stands_alone_and_escapes_its_title() -> None:
    """Style inside, nothing from elsewhere, no script."""
    made = document(NASTY, [NASTY, element("p", "x")], css="p { color: red; }")
    assert f"<title>{SAFE}</title>" in made
    assert made.startswith("<!DOCTYPE html>")
    assert "p { color: red; }</style>" in made
    assert "@page" in made
    assert "<script" not in made
    assert "http" not in made
