"""So many at once, then so many a second."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outputs.web.asking import Seconds
from watchedpot.outputs.web import limits
from watchedpot.outputs.web.limits import Limit


def test_a_full_bucket_gives_what_it_holds_then_says_how_long_to_wait() -> None:
    """Three at once, the fourth in two seconds."""
    now_s = Seconds()
    limit = Limit(burst=3, per_s=0.5, now_s=now_s)
    assert [limit.take("anna") for _ in range(4)] == [0.0, 0.0, 0.0, 2.0]
    now_s.now_s = 1.5
    assert limit.take("anna") == pytest.approx(0.5)
    now_s.now_s = 2.0
    assert limit.take("anna") == 0.0


def test_each_key_has_a_bucket_of_its_own() -> None:
    """One that is used up stops no other."""
    limit = Limit(burst=1, per_s=1.0, now_s=Seconds())
    assert (limit.take("a"), limit.take("b")) == (0.0, 0.0)
    assert limit.take("a") > 0.0


def test_a_bucket_never_holds_more_than_it_can() -> None:
    """A day without a try buys no more than a burst."""
    now_s = Seconds()
    limit = Limit(burst=2, per_s=1.0, now_s=now_s)
    limit.take("a")
    now_s.now_s = 86_400.0
    assert [limit.take("a") > 0.0 for _ in range(3)] == [False, False, True]


def test_only_so_many_keys_are_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one not heard of for longest is forgotten, whatever addresses there are."""
    monkeypatch.setattr(limits, "MOST_KEYS", 2)
    limit = Limit(burst=1, per_s=1e-6, now_s=Seconds())
    for key in ("a", "b", "a", "c"):
        limit.take(key)
    assert len(limit._buckets) == 2
    assert limit.take("a") > 0.0
    assert limit.take("b") == 0.0


@given(st.lists(st.floats(0.0, 5.0), max_size=60))
def test_in_any_time_no_more_is_given_than_burst_and_rate_allow(waits_s: list[float]) -> None:
    """However the tries are spread."""
    now_s = Seconds()
    limit = Limit(burst=4, per_s=0.5, now_s=now_s)
    given_ = 0
    for wait_s in waits_s:
        now_s.now_s += wait_s
        given_ += limit.take("a") == 0.0
        assert given_ <= 4 + 0.5 * now_s.now_s + 1e-6
