"""Words that keep people safe, and a daemon that can only read.

No text of the repository may tell anyone to put a protection out of action or to reach in, the
README says what can hurt, and nothing in ``sources`` can write to a controller.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = ROOT / "daemon" / "watchedpot" / "sources"
FOLDERS = (".ci", "config", "daemon", "deploy", "docs", "simulator", "tests")
SUFFIXES = (
    *(".css", ".html", ".js", ".json", ".md", ".py", ".service", ".sh", ".sql", ".svg"),
    *(".toml", ".txt", ".yaml", ".yml"),
)
NAMES = ("run", "Containerfile", "LICENSE")

CAUTIONS = {
    "not a safety device": r"\b(?:not a|no) safety (?:device|system)\b",
    "hot surfaces": r"\bhot surfaces?\b|\bsurfaces? (?:\w+ )?(?:burn|hot)\b",
    "pressure": r"\bpressur",
    "vapours": r"\bvapours?\b",
    "safety data sheet": r"\bsafety data sheets?\b",
    "qualified people": r"\bqualified (?:people|person|persons|staff|personnel)\b",
}

DEFEAT = (
    r"\b(?:by-?pass|defeat|overrid|overrul|circumvent|disabl|deactivat|disconnect|short-circuit"
    r"|jumper|bridg|unplug|unscrew|tap(?:e|ing) down|remov|lift|rais|switch(?:ing)? off"
    r"|turn(?:ing)? off|tak(?:e|ing) off|tak(?:e|ing) out|open)\w*"
)
PROTECTION = (
    r"\b(?:limiters?|interlocks?|guards?|thermal cut-?outs?|safety (?:relay|circuit|switch|door)\w*"
    r"|overtemperature (?:protection|cut-?out)|thermal fuses?|emergency stops?|light curtains?)\b"
)
NEAR = r"(?:[\s,]+[\w'-]+){0,5}?[\s,]+"
REACH_IN = r"\b(?:reach(?:ing)? (?:in|into|inside)|put (?:your|a) (?:hand|finger)s? (?:in|into))\b"
DANGEROUS = (
    re.compile(f"{DEFEAT}{NEAR}{PROTECTION}", re.IGNORECASE),
    re.compile(
        f"{PROTECTION}{NEAR}(?:by-?passed|defeated|overridden|disabled|bridged|removed|unplugged)",
        re.IGNORECASE,
    ),
    re.compile(REACH_IN, re.IGNORECASE),
)

# A negation holds until its clause ends; one inside a condition says nothing of what follows it.
CLAUSE_END = re.compile(
    r"[:;]|\b(?:so|then|but|instead|otherwise)\b"
    r"|\b(?:if|when|where|unless|because|since|while|until|although)\b[^,]*,",
    re.IGNORECASE,
)
FORBIDS = re.compile(
    r"\b(?:never|must not|may not|shall not|should not|do not|don't|cannot|nobody|no one|nothing"
    r"|neither|nor|no text|without)\b|\b(?:not|not to|instead of)\s+(?:\w+\s+)?$",
    re.IGNORECASE,
)
FORBIDDEN_INSIDE = re.compile(
    r"\b(?:must|may|shall|should|is|are|can) (?:never|not)\b|\bnever be\b"
)
MARKS = re.compile(r"^[ \t]*(?:[#*>|/+-]+[ \t]+|#+$)", re.MULTILINE)
SENTENCE_END = re.compile(r"(?<=[.!?])[\"')\]]*\s+|\n\s*\n")

WRITES = re.compile(
    r"(?:write|Write|set_value|set_attr|set_data|call_method|mask_write|readwrite|ReadWrite"
    r"|add_node|AddNodes|delete_node|DeleteNodes|HistoryUpdate|history_update|CallMethod)\w*"
)


def texts() -> Iterator[Path]:
    """Every text of the repository but this file, whose patterns are themselves what it seeks."""
    found = [path for folder in FOLDERS for path in (ROOT / folder).rglob("*")]
    for path in sorted([*found, *ROOT.glob("*")]):
        is_text = path.suffix in SUFFIXES or path.name in NAMES
        if path.is_file() and is_text and path != Path(__file__):
            yield path


def sentences(text: str) -> Iterator[tuple[int, str]]:
    """Line and words of each sentence, without the marks of comments and lists."""
    start = 0
    bare = MARKS.sub(lambda mark: " " * len(mark[0]), text)
    for end in [*(match.end() for match in SENTENCE_END.finditer(bare)), len(bare)]:
        piece = bare[start:end]
        lead = len(piece) - len(piece.lstrip())
        if words := " ".join(piece.split()):
            yield bare.count("\n", 0, start + lead) + 1, words
        start = end


def dangers(text: str) -> list[tuple[int, str]]:
    """Sentences that tell someone to put a protection out of action or to reach in."""
    return [
        (line, words)
        for line, words in sentences(text)
        for pattern in DANGEROUS
        for match in pattern.finditer(words)
        if not FORBIDS.search(CLAUSE_END.split(words[: match.start()])[-1])
        and not FORBIDDEN_INSIDE.search(match[0])
        and not words.startswith('" not in ', match.end())  # a test that looks for it
    ]


def test_no_text_tells_anyone_to_defeat_a_protection() -> None:
    """No text tells anyone to put a limiter, interlock or guard out of action, or to reach in."""
    paths = list(texts())
    found = [
        f"{path.relative_to(ROOT)}:{line}: {words[:160]}"
        for path in paths
        for line, words in dangers(path.read_text("utf-8"))
    ]
    seen = {str(path.relative_to(ROOT)) for path in paths}
    assert {"config/alarms.toml", "daemon/watchedpot/outputs/wording.py"} <= seen
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "text",
    [
        "Bypass the limiter and try again.",
        "If the heater does not come on, bypass the limiter.",
        "Never wait: override the interlock.",
        "The zone is not hot, so disable the over-temperature limiter.",
        "Switch off the interlock,\nthen clean the nozzle.",
        "# Remove the\n# guard while it is warm.",
        "Reach in and wipe the nozzle.",
        "The nozzle cannot be wiped from outside; reach in with a cloth.",
        "Do not wait. Defeat the guard.",
        "Run it with the interlock bridged.",
        "Unplug the thermal cut-out.",
        "<p>Open the guard and wipe.</p>",
        'response = "Wipe it. Put your hand into the cell."',
    ],
)
def test_a_dangerous_sentence_is_found(text: str) -> None:
    """A sentence that tells someone to do so is found, whatever stands around it."""
    assert dangers(text)


@pytest.mark.parametrize(
    "text",
    [
        "Never bypass a limiter.",
        "Do not open the cabinet, defeat a guard or reach in.",
        "Leave every limiter and guard in place.",
        "It must not override an interlock.",
        "Watched Pot does not override a limiter.",
        "A limiter must never be bypassed.",
        "Nobody may reach into the cell.",
        "Keep every temperature limiter, guard and interlock of the cell in service.",
        "The limiter tripped and the heater is off for good.",
        "When the zone is cold, never bypass the interlock.",
        "Block temperature at which the independent limiter acts.",
        "def reach(index): return index in table",
    ],
)
def test_a_caution_is_no_danger(text: str) -> None:
    """A sentence that forbids it, or speaks of a protection that works, is left alone."""
    assert dangers(text) == []


def test_a_danger_is_named_with_its_line() -> None:
    """The line is that in which the sentence begins."""
    assert dangers("Heat it.\n\nIt is warm.\nBypass the\nlimiter.") == [(4, "Bypass the limiter.")]


@pytest.mark.parametrize("caution", CAUTIONS)
def test_the_readme_says_what_can_hurt(caution: str) -> None:
    """The README carries every caution."""
    words = " ".join((ROOT / "README.md").read_text("utf-8").split())
    assert re.search(CAUTIONS[caution], words, re.IGNORECASE), f"README.md: nothing of {caution}"


@pytest.mark.parametrize(
    "path",
    ["README.md", "DEVELOPERS.md", "daemon/watchedpot/outputs/web/app.py"],
)
def test_who_reads_on_learns_that_it_is_no_safety_device(path: str) -> None:
    """Both guides and the web page say that this is not a safety device."""
    words = " ".join((ROOT / path).read_text("utf-8").split())
    assert re.search(CAUTIONS["not a safety device"], words, re.IGNORECASE)


def test_what_to_do_when_it_is_too_hot_names_the_dangers() -> None:
    """The configured responses to heat name vapours, pressure, data sheet and qualified people."""
    words = " ".join((ROOT / "config" / "alarms.toml").read_text("utf-8").split())
    needed = ("vapours", "pressure", "safety data sheet", "qualified people")
    assert [name for name in needed if not re.search(CAUTIONS[name], words, re.IGNORECASE)] == []


def writes(text: str) -> list[tuple[int, str]]:
    """Line and name of everything a source mentions that could change a controller."""
    found = []
    for node in ast.walk(ast.parse(text)):
        match node:
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.alias(name=name):
                named = name.rpartition(".")[2]
            case ast.Constant(value=str(value)) if value.isidentifier():
                named = value  # getattr(client, "write_coil")
            case _:
                continue
        if WRITES.fullmatch(named):
            found.append((node.lineno, named))
    return found


def test_nothing_in_the_sources_writes_to_a_controller() -> None:
    """No module of the sources mentions a function that writes over the wire."""
    paths = sorted(SOURCES.rglob("*.py"))
    found = [
        f"{path.relative_to(ROOT)}:{line}: {name}"
        for path in paths
        for line, name in writes(path.read_text("utf-8"))
    ]
    assert {"session.py", "modbus.py"} <= {path.name for path in paths}
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "text",
    [
        "client.write_coil(1, True)",
        "client.write_coils(1, [True])",
        "client.write_register(1, 2)",
        "client.write_registers(1, [2])",
        "client.mask_write_register(1, 2, 3)",
        "client.readwrite_registers(1)",
        "node.write_value(1.0)",
        "node.set_value(1.0)",
        "client.set_values([node], [1.0])",
        "node.write_attribute(13, value)",
        "node.write_attribute_value(value)",
        "client.write_values([node], [1.0])",
        "ua.WriteParameters()",
        "from asyncua.ua import WriteRequest",
        "from pymodbus.pdu.register_message import WriteSingleRegisterRequest as Request",
        "node.call_method('2:reset')",
        "getattr(client, 'write_register')(1, 2)",
        "put = client.write_register",
    ],
)
def test_a_write_is_found(text: str) -> None:
    """Every way that the two libraries offer to write is found, with its line."""
    assert [line for line, _ in writes(f"\n{text}")] == [2]


def test_a_read_is_no_write() -> None:
    """Reading is what the sources do."""
    assert writes("client.read_holding_registers(1)\nclient.read_attributes(nodes, 13)") == []
