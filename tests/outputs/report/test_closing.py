"""The end of a report: limits of what it knows, proof, cautions."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC
from pathlib import Path

from outputs.report.reading import words_of
from watchedpot.outputs import ledger
from watchedpot.outputs.report import closing
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.style import Style

STYLE = Style(tz=UTC)


def test_what_cannot_be_known_is_said(facts: Facts) -> None:
    """Sensors, drift, moisture, cure, the bond itself, the unseen; and that demo data are none."""
    text = words_of(closing.unknowable(facts))
    for word in (
        "in metal",
        "drifts",
        "Moisture",
        "degree of cure",
        "The bond itself",
        "not enter",
    ):
        assert word in text
    assert "The data of demo_silicone are invented" in text


def test_real_materials_are_not_called_invented(facts: Facts) -> None:
    """Only demo data are."""
    zones = tuple(
        replace(
            zone,
            rules=replace(zone.rules, material=replace(zone.rules.material, is_demo=False)),
        )
        for zone in facts.zones
    )
    assert "invented" not in words_of(closing.unknowable(replace(facts, zones=zones)))


def test_the_proof_has_the_last_hashes(facts: Facts, sample_ledger: Path) -> None:
    """Those that verifying the ledger gives, with who made the report and when."""
    text = words_of(closing.chain(facts, STYLE))
    report = ledger.verify(sample_ledger)
    assert "The record is whole" in text
    for link in (report.events_hash, report.blocks_hash, report.parts_hash):
        assert link in text
    assert "Made 2026-11-25 07:00:00+00:00 by watchedpot 0.1.0" in text


def test_folders_are_nobodys_business(facts: Facts, sample_ledger: Path) -> None:
    """Only the name of the file is printed."""
    text = words_of(closing.chain(facts, STYLE))
    assert sample_ledger.name in text
    assert str(sample_ledger.parent) not in text


def test_a_broken_record_is_called_so(facts: Facts) -> None:
    """With the place."""
    fault = ledger.Fault("parts", "3", "a hash", "another")
    broken = replace(facts, chain=replace(facts.chain, faults=(fault,)))
    text = words_of(closing.chain(broken, STYLE))
    assert "The record is NOT whole" in text
    assert "parts row 3: expected a hash, got another" in text


def test_the_cautions_name_what_can_hurt() -> None:
    """Each of the dangers, and that this is no safety device."""
    text = words_of(closing.cautions()).lower()
    for pattern in (
        "hot surfaces",
        "pressure",
        "vapours",
        "safety data sheet",
        "local codes",
        "qualified people",
        "no safety device",
    ):
        assert re.search(pattern, text)
