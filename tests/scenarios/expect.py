"""What a monitor has to conclude of a scenario, as its file says it.

Beside its cells a scenario may hold a table ``[expect.CELL]`` for each of them:

    key               meaning                                                      default
    basis             where the figures come from                                  (required)
    onset_s           when what it is about truly begins [s]                       (required)
    must              list of tables, each of which is to be concluded:
      cause           one word or several, any of which will do; "any" for all     (required)
      zone            where it shows most, or among its zones; empty for the cell  any
      severity        one word or several                                          any
      by_s            at the latest so long after the onset [s]                    (required)
      from_s          not before so long after the onset [s]                       0
      listed          true: it need not be the likeliest, but is to be listed      false
      onset           false: its begin is not compared with the truth              true
      onset_s         of this one, if not that of the cell [s]                     of the cell
    must_not          causes, severities or "sounding" (critical, hold or soon);
                      "cause@zone" for one zone; "cause>n" only n s after the
                      onset and later, "cause<m" only m s after it and before      []
    never             the same; one of these counts as heavily as a false critical []
    sounding_at_most  how many findings may sound in all                           any
    advice            list of tables: is (one word or several), by_s, from_s [s]   []
    charge            list of tables: to (a state of the charge), from_s, by_s     []
    not_ready         list of tables: zone, from_s, until_s after the onset [s]    []
    parts             "truth": as the simulator knows them; "unknowable"           "truth"
    suspect, clear    lists of [from, until] after the onset: parts that end in
                      it are to be held back, are not to be [s]                    []
    away              list of [from, until] of the scenario: no monitor runs [s]   []
    utc_steps         list of [at, by]: the monitor's own clock is set [s, s]      []
    entries           list of tables: at_s of the scenario, kind, target           []
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from watchedpot.core.model import Entry, EntryKind, Instant
from watchedpot.core.snapshot import Advice, Cause, ChargeState, Severity

ANY = "any"
SOUNDING = "sounding"
SEVERITIES = {severity.value for severity in Severity}
SOUND = SEVERITIES - {Severity.NOTE.value}
CAUSES = {cause.value for cause in Cause}


class ExpectError(Exception):
    """A table of expectations that cannot be judged by."""


@dataclass(frozen=True, slots=True)
class Must:
    """One conclusion that has to be reached."""

    causes: frozenset[str]
    by_s: float
    from_s: float = 0.0
    zone: str | None = None
    severities: frozenset[str] = frozenset()
    is_listed: bool = False
    has_onset: bool = True
    onset_s: float = 0.0

    def __str__(self) -> str:
        severity = "|".join(sorted(self.severities))
        place = "" if self.zone is None else f"@{self.zone}"
        causes = ANY if self.causes == CAUSES else "|".join(sorted(self.causes))
        return f"{severity} {causes}{place} by {self.by_s:g} s".strip()


@dataclass(frozen=True, slots=True)
class MustNot:
    """One conclusion that is wrong."""

    what: str
    zone: str | None = None
    from_s: float | None = None
    until_s: float | None = None

    def __str__(self) -> str:
        return self.what + ("" if self.zone is None else f"@{self.zone}")


@dataclass(frozen=True, slots=True)
class Advised:
    """An advice that has to be given within a time after the onset. [s]."""

    words: frozenset[str]
    by_s: float
    from_s: float = 0.0

    def __str__(self) -> str:
        return f"advice {'|'.join(sorted(self.words))} by {self.by_s:g} s"


@dataclass(frozen=True, slots=True)
class Entered:
    """A state that the charge has to enter within a time after the onset. [s]."""

    to: str
    from_s: float
    by_s: float

    def __str__(self) -> str:
        return f"charge {self.to} from {self.from_s:g} to {self.by_s:g} s"


@dataclass(frozen=True, slots=True)
class NotReady:
    """A zone that must not be called ready within a time after the onset. [s]."""

    zone: str
    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Said:
    """What a person says at a time of the scenario. [s]."""

    at_s: float
    kind: EntryKind
    target: str

    def entry(self, at: Instant) -> Entry:
        """The same as an input of the engine."""
        return Entry(self.kind, self.target, at, who="operator", why="scenario")


@dataclass(frozen=True, slots=True)
class Expected:
    """Everything that is expected of the monitor of one cell of a scenario."""

    basis: str
    onset_s: float
    must: tuple[Must, ...] = ()
    must_not: tuple[MustNot, ...] = ()
    never: tuple[MustNot, ...] = ()
    sounding_at_most: int | None = None
    advice: tuple[Advised, ...] = ()
    charge: tuple[Entered, ...] = ()
    not_ready: tuple[NotReady, ...] = ()
    is_truth_known: bool = True
    suspect: tuple[tuple[float, float], ...] = ()
    clear: tuple[tuple[float, float], ...] = ()
    away: tuple[tuple[float, float], ...] = ()
    utc_steps: tuple[tuple[float, float], ...] = ()
    entries: tuple[Said, ...] = ()

    def is_away(self, now_s: float) -> bool:
        """Whether no monitor runs at a time of the scenario. [s]."""
        return any(since_s <= now_s < until_s for since_s, until_s in self.away)


def expectations(text: str, name: str) -> dict[str, Expected]:
    """What is expected of each cell of a scenario.

    Parameters
    ----------
    text
        The scenario's file.
    name
        Of the scenario, for the error.

    Returns
    -------
    dict
        By cell; empty where nothing is.

    Raises
    ------
    ExpectError
        A key or a word that is not known, with its path.
    """
    raw = tomllib.loads(text)
    found = {}
    for cell, table in raw.get("expect", {}).items():
        if cell not in raw["cells"]:
            raise ExpectError(f"{name}: expect.{cell}: the scenario has no such cell")
        found[cell] = _Reader(f"{name}: expect.{cell}").expected(table)
    return found


@dataclass(slots=True)
class _Reader:
    """Reads one table and complains with its path."""

    path: str
    seen: set[str] = field(default_factory=set)

    def expected(self, table: Mapping[str, Any]) -> Expected:
        self._known(table, EXPECTED_KEYS, "")
        onset_s = float(table["onset_s"])
        parts = table.get("parts", "truth")
        if parts not in {"truth", "unknowable"}:
            raise ExpectError(f"{self.path}.parts: expected truth or unknowable, got {parts!r}")
        return Expected(
            basis=str(table["basis"]),
            onset_s=onset_s,
            must=tuple(self._must(one, onset_s) for one in table.get("must", ())),
            must_not=tuple(self._must_not(word) for word in table.get("must_not", ())),
            never=tuple(self._must_not(word) for word in table.get("never", ())),
            sounding_at_most=table.get("sounding_at_most"),
            advice=tuple(self._advised(one) for one in table.get("advice", ())),
            charge=tuple(self._charge(one) for one in table.get("charge", ())),
            not_ready=tuple(self._not_ready(one) for one in table.get("not_ready", ())),
            is_truth_known=parts == "truth",
            suspect=_spans(table, "suspect"),
            clear=_spans(table, "clear"),
            away=_spans(table, "away"),
            utc_steps=_spans(table, "utc_steps"),
            entries=tuple(self._said(one) for one in table.get("entries", ())),
        )

    def _must(self, table: Mapping[str, Any], onset_s: float) -> Must:
        self._known(table, MUST_KEYS, ".must")
        causes = self._words(table["cause"], CAUSES | {ANY}, ".must.cause")
        return Must(
            CAUSES if ANY in causes else causes,  # type: ignore[arg-type]
            by_s=float(table["by_s"]),
            from_s=float(table.get("from_s", 0.0)),
            zone=table.get("zone"),
            severities=self._words(table.get("severity", ()), SEVERITIES, ".must.severity"),
            is_listed=bool(table.get("listed", False)),
            has_onset=bool(table.get("onset", True)),
            onset_s=float(table.get("onset_s", onset_s)),
        )

    def _must_not(self, text: str) -> MustNot:
        text, _, until = text.partition("<")
        text, _, since = text.partition(">")
        what, _, zone = text.partition("@")
        self._words(what, CAUSES | SEVERITIES | {SOUNDING}, ".must_not")
        return MustNot(
            what, zone or None, float(since) if since else None, float(until) if until else None
        )

    def _advised(self, table: Mapping[str, Any]) -> Advised:
        self._known(table, {"is", "by_s", "from_s"}, ".advice")
        words = self._words(table["is"], {advice.value for advice in Advice}, ".advice.is")
        return Advised(words, float(table["by_s"]), float(table.get("from_s", 0.0)))

    def _charge(self, table: Mapping[str, Any]) -> Entered:
        self._known(table, {"to", "from_s", "by_s"}, ".charge")
        (to,) = self._words(table["to"], {state.value for state in ChargeState}, ".charge.to")
        return Entered(to, float(table["from_s"]), float(table["by_s"]))

    def _not_ready(self, table: Mapping[str, Any]) -> NotReady:
        self._known(table, {"zone", "from_s", "until_s"}, ".not_ready")
        return NotReady(str(table["zone"]), float(table["from_s"]), float(table["until_s"]))

    def _said(self, table: Mapping[str, Any]) -> Said:
        self._known(table, {"at_s", "kind", "target"}, ".entries")
        return Said(float(table["at_s"]), EntryKind(table["kind"]), str(table["target"]))

    def _words(self, value: str | Sequence[str], known: set[str], key: str) -> frozenset[str]:
        words = frozenset([value] if isinstance(value, str) else value)
        if strange := words - known:
            raise ExpectError(f"{self.path}{key}: {', '.join(sorted(strange))} is not known")
        return words

    def _known(self, table: Mapping[str, Any], keys: set[str], key: str) -> None:
        if strange := set(table) - keys:
            raise ExpectError(f"{self.path}{key}: {', '.join(sorted(strange))} is not a key here")


MUST_KEYS = {
    *("cause", "zone", "severity", "by_s", "from_s", "listed", "onset", "onset_s"),
}
EXPECTED_KEYS = {
    *("basis", "onset_s", "must", "must_not", "never", "sounding_at_most", "advice"),
    *("charge", "not_ready", "parts", "suspect", "clear", "away", "utc_steps", "entries"),
}


def _spans(table: Mapping[str, Any], key: str) -> tuple[tuple[float, float], ...]:
    return tuple((float(since), float(until)) for since, until in table.get(key, ()))
