"""Details of a part as a layout and values."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.core.model import Detail
from watchedpot.outputs.ledger.values import Layout, written

COLUMNS = {"first": 0, "charge_id": 1}
VALUES = (
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8"), max_size=8)
    | st.sampled_from([0, 1, 0.0, -0.0, 1.0, ""])
)
NAMES = st.sampled_from(["first", "charge_id", "age_s", "nozzle_min_c", "because"])


@given(st.dictionaries(NAMES, VALUES), st.integers(-3, 3), st.text(max_size=3))
def test_details_read_back_as_they_were(told: dict[str, Detail], first: int, charge: str) -> None:
    """Whatever the columns hold: names, order, values and types are the same, -0.0 is too."""
    layout, values = written(told, {"first": first, "charge_id": charge})
    again = Layout.parse(layout, COLUMNS).details((first, charge), values)
    assert repr(again) == repr(tuple(told.items()))


def test_only_what_neither_columns_nor_the_layout_say_stands_in_the_row() -> None:
    """A number that equals its column but is of another type is written."""
    layout, values = written({"first": 7, "age_s": 60.5}, {"first": 7})
    assert (layout, values) == ('[["first"],"age_s"]', "[60.5]")
    assert written({"first": 7.0}, {"first": 7}) == ('["first"]', "[7.0]")
    assert written({"is_ready": True, "joined_s": None}, {}) == (
        '[["is_ready",true],["joined_s",null]]',
        "[]",
    )


def test_rows_with_the_same_usual_values_share_a_layout() -> None:
    """Only their own figures differ."""
    one, other = (written({"first": n, "age_s": 1.5 * n, "why": ""}, {"first": n}) for n in (2, 3))
    assert one[0] == other[0]
    assert (one[1], other[1]) == ("[3.0]", "[4.5]")


@pytest.mark.parametrize("text", ["", "7", "[7]", "[[]]", '[["unheard_of"]]', "{", "[[[]]]"])
def test_what_is_no_layout_is_refused(text: str) -> None:
    """It cannot say where values belong."""
    with pytest.raises(ValueError, match=r".+"):
        Layout.parse(text, COLUMNS)


@pytest.mark.parametrize("values", ["[]", "[1,2]", "[", "7"])
def test_values_of_another_layout_are_refused(values: str) -> None:
    """Too few, too many, or none."""
    with pytest.raises((ValueError, TypeError)):
        Layout.parse('["age_s"]', COLUMNS).details((), values)
