"""Text in lines."""

from __future__ import annotations

from watchedpot.app.questions.lines import (
    CAUTION,
    WIDTH,
    beside,
    counted,
    numbers,
    prose,
    shortened,
)


def test_no_line_is_too_wide() -> None:
    """A paragraph is broken between words, and all of its words are there."""
    lines = prose(CAUTION)
    assert len(lines) > 1
    assert max(map(len, lines)) <= WIDTH
    assert " ".join(lines) == CAUTION


def test_a_text_stays_in_its_column() -> None:
    """Only the first line has the label; one that is too long still parts from the text."""
    lines = beside("made", "word " * 40, column=12, indent=2)
    assert lines[0].startswith("  made      word word")
    assert all(line.startswith(" " * 12 + "word") for line in lines[1:])
    assert max(map(len, lines)) <= WIDTH
    assert beside("configuration", "x", column=8) == ["configuration x"]
    assert beside("made", "", column=12) == ["made"]


def test_numbers_read_as_they_are_entered() -> None:
    """A range has a dash, a single number has none."""
    assert numbers(41877, 41888) == "41877-41888"
    assert numbers(7, 7) == "7"


def test_things_are_counted() -> None:
    """One thing, many things, and many of which only some are named."""
    assert [counted(count, "part") for count in (0, 1, 1200)] == [
        "0 parts",
        "1 part",
        "1,200 parts",
    ]
    assert counted(2, "entry", "entries") == "2 entries"
    assert shortened("abc", 3) == "a, b, c"
    assert shortened("abcd", 3) == "a, b, c and 1 more"
