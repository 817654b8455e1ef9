"""Every error as the whole sentence a person reads."""

from __future__ import annotations

import pytest

from watchedpot.errors import (
    ConfigError,
    DataError,
    LedgerError,
    SourceError,
    SourceNotTrusted,
    SourceRefused,
    SourceSlotTaken,
    SourceTimeout,
    SourceUnreachable,
    WatchedpotError,
)


def test_a_sentence_has_four_parts() -> None:
    """Where, problem, effect and hint, in this order."""
    error = SourceTimeout(
        "source lens_4 (opc.tcp://10.20.0.7:4840)",
        "no answer to a read of 12 nodes within 2.0 s",
        effect="its 12 channels are missing since 14.2 s",
        hint="check the cable and that the controller runs",
    )
    assert str(error) == (
        "source lens_4 (opc.tcp://10.20.0.7:4840): no answer to a read of 12 nodes within 2.0 s; "
        "its 12 channels are missing since 14.2 s; check the cable and that the controller runs"
    )


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        ({}, "here: this"),
        ({"effect": "so"}, "here: this; so"),
        ({"hint": "do that"}, "here: this; do that"),
        ({"effect": "so", "hint": "do that"}, "here: this; so; do that"),
    ],
)
def test_parts_that_say_nothing_are_left_out(parts: dict[str, str], text: str) -> None:
    """No empty part, no stray semicolon."""
    assert str(WatchedpotError("here", "this", **parts)) == text


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (DataError("level", "expected a limit, got nan"), "level: expected a limit, got nan"),
        (SourceError("source a", "it is gone"), "source a: it is gone"),
        (
            SourceUnreachable("source a", "no connection within 2.0 s"),
            "source a: no connection within 2.0 s",
        ),
        (SourceTimeout("source a", "no answer in 1.0 s"), "source a: no answer in 1.0 s"),
        (SourceRefused("source a", "exception code 2"), "source a: exception code 2"),
        (SourceNotTrusted("source a", "another key"), "source a: another key"),
        (SourceSlotTaken("source a", "no session left"), "source a: no session left"),
        (LedgerError("ledger", "the disk is full"), "ledger: the disk is full"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_each_class_reads_as_a_sentence(error: WatchedpotError, text: str) -> None:
    """And keeps its parts as attributes."""
    assert str(error) == text
    assert f"{error.where}: {error.problem}" == text
    assert (error.effect, error.hint) == ("", "")


@pytest.mark.parametrize(
    ("faults", "head"),
    [
        (["low_c is above high_c"], "lens_4.toml: 1 fault; nothing was started"),
        (["one", "two"], "lens_4.toml: 2 faults; nothing was started"),
        ([], "lens_4.toml: 0 faults; nothing was started"),
    ],
)
def test_a_configuration_tells_all_its_faults_at_once(faults: list[str], head: str) -> None:
    """One line for the file, one for each fault."""
    error = ConfigError("lens_4.toml", faults)
    assert str(error) == "\n".join([head, *faults])
    assert error.faults == tuple(faults)


def test_only_a_source_is_worth_trying_again() -> None:
    """And all of its kinds are."""
    assert SourceError.retryable
    assert all(kind.retryable for kind in (SourceUnreachable, SourceTimeout, SourceRefused))
    assert not any(kind.retryable for kind in (ConfigError, DataError, LedgerError))


def test_wrong_data_is_a_value_error_too() -> None:
    """A caller that knows only Python's own errors still catches it."""
    with pytest.raises(ValueError, match=r"^here: this$"):
        raise DataError("here", "this")
