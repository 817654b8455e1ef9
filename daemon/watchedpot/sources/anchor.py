"""Whether a device is the one that is meant: a value of it that must be as expected.

Pure. An address says where a device is, not which: after a repair another one can answer there,
and its temperatures look just as good.
"""

from __future__ import annotations

import math

from watchedpot.errors import SourceNotTrusted

RELATIVE_TOLERANCE = 1e-6
"""Two numbers nearer than this are one: a 32-bit float holds seven digits (IEEE 754) [1]."""

LONGEST_SHOWN = 40


def check_identity(where: str, expected: float | str, got: object) -> None:
    """Accept a device whose value is as expected.

    A yes or no is never a number, a text never a number. Blanks and zero bytes around a text
    are padding of the controller and do not count.

    Parameters
    ----------
    where
        The source concerned, as the configuration names it.
    expected
        What was configured. [raw]
    got
        The value as it came, before any scaling; None if there was none. [raw]

    Raises
    ------
    SourceNotTrusted
        It is another value.

    Examples
    --------
    >>> check_identity("source plc", "A-17", "A-17  ")
    >>> check_identity("source plc", 17, 18)
    Traceback (most recent call last):
    ...
    watchedpot.errors.SourceNotTrusted: source plc: this is not the device that is meant: expected \
17, got 18; its values are not used; check which device is at this address
    """
    if _is_same(expected, got):
        return
    raise SourceNotTrusted(
        where,
        f"this is not the device that is meant: expected {_shown(expected)}, got {_shown(got)}",
        effect="its values are not used",
        hint="check which device is at this address",
    )


def _is_same(expected: float | str, got: object) -> bool:
    if isinstance(got, bool):
        return False
    if isinstance(expected, str):
        return isinstance(got, str) and got.strip(" \0") == expected.strip(" \0")
    if isinstance(expected, int) and isinstance(got, int):
        return got == expected
    return isinstance(got, int | float) and math.isclose(
        got, expected, rel_tol=RELATIVE_TOLERANCE, abs_tol=0.0
    )


def _shown(value: object) -> str:
    if value is None:
        return "no value"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."
