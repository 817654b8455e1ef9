"""What a query of Prometheus names, so that it can be held against what is served.

No parser of the language: that a query is well-formed is for promtool to say. Of a well-formed
one everything is taken away that is no name of a series; a word that is left and is not of the
language must be a series.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

LANGUAGE = frozenset(
    {"abs", "absent", "and", "by", "changes", "count", "count_over_time", "group_left"}
    | {"group_right", "histogram_quantile", "ignoring", "increase", "last_over_time", "max", "on"}
    | {"or", "rate", "sum", "time", "timestamp", "unless", "without"}
)
"""Words that our queries use; one that is missing here is reported as a series, and is added."""

SELECTOR = re.compile(r"([a-zA-Z_:][\w:]*)\s*\{([^}]*)\}")
EXPRESSION = re.compile(
    r"- (record|alert): (\S+)\n\s+expr: (?:\|\n)?(.*?)(?=\n\s*\n|\n\s+\w+:\s|\n\s+- |\Z)", re.DOTALL
)
MATCHER = re.compile(r'(\w+)\s*(=~|!~|!=|=)\s*"([^"]*)"')
GROUPING = re.compile(r"\b(by|without|on|ignoring|group_left|group_right)\s*\(([^)]*)\)")
WORD = re.compile(r"[a-zA-Z_:][\w:]*")

TARGET_LABELS = frozenset({"job", "instance", "site", "line", "clock"})
"""What the server adds to every series, as deploy/prometheus/prometheus.yml and stack.py say."""

Served = Mapping[str, Mapping[str, frozenset[str]]]
"""Values of each label of each series."""


@dataclass(frozen=True)
class Query:
    """Names in one query.

    Attributes
    ----------
    series
        Names of series.
    matchers
        Series, label, operator and value of each condition.
    kept, dropped
        Labels that are named as left or joined by, and as summed away.
    """

    series: frozenset[str]
    matchers: tuple[tuple[str, str, str, str], ...]
    kept: frozenset[str]
    dropped: frozenset[str]


def read(text: str) -> Query:
    """Take a query apart."""
    matchers = tuple(
        (name, *matcher)
        for name, conditions in SELECTOR.findall(text)
        for matcher in MATCHER.findall(conditions)
    )
    kept: set[str] = set()
    dropped: set[str] = set()
    for how, labels in GROUPING.findall(text):
        (dropped if how in {"without", "ignoring"} else kept).update(WORD.findall(labels))
    bare = GROUPING.sub(" ", re.sub(r"\{[^}]*\}|\[[^\]]*\]", " ", text))
    series = frozenset(WORD.findall(re.sub(r"\b[\d.]+(e\d+)?", " ", bare))) - LANGUAGE
    return Query(series, matchers, frozenset(kept), frozenset(dropped))


def faults(text: str, served: Served) -> list[str]:
    """What a query names and nobody serves: series, labels, values of labels."""
    query = read(text)
    found = [f"series {name}" for name in sorted(query.series - served.keys())]
    labels = {label for name in query.series for label in served.get(name, ())} | TARGET_LABELS
    found += [f"label {label}" for label in sorted((query.kept | query.dropped) - labels)]
    for name, label, operator, value in query.matchers:
        if label in TARGET_LABELS or name not in served:
            continue
        if label not in served[name]:
            found.append(f"label {label} of {name}")
        elif "$" not in value:
            wanted = value.split("|") if operator in {"=~", "!~"} else [value]
            missing = set(wanted) - served[name][label] - {".+"}
            found += [f"{label}={one} of {name}" for one in sorted(missing)]
    return found


def expressions(rules: str) -> list[tuple[str, str, str]]:
    """Of each rule of a file: record or alert, its name, its query."""
    return EXPRESSION.findall(rules)


def with_recorded(served: Served, rules: str) -> Served:
    """What is served and what the rules record of it, in the order of the file."""
    known = dict(served)
    for what, name, text in expressions(rules):
        if what == "record":
            query = read(text)
            labels: dict[str, frozenset[str]] = {}
            for one in query.series:
                for label, values in known.get(one, {}).items():
                    if label not in query.dropped:
                        labels[label] = labels.get(label, frozenset()) | values
            known[name] = labels
    return known
