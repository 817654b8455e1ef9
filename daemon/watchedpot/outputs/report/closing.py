"""How a report ends: what it cannot know, the proof of its record, and what can hurt."""

from __future__ import annotations

from collections.abc import Sequence

from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.markup import Markup, element, listed, section
from watchedpot.outputs.report.style import Style

_UNKNOWABLE: Sequence[str] = (
    "Sensors sit in metal. What the adhesive itself was is computed; a tip temperature is an"
    " estimate from its block, a core temperature from its wall.",
    "A sensor that drifts slowly looks like a steady zone. Only a reference probe shows it; the"
    " checks above are all that is known.",
    "Moisture in the adhesive, bubbles, gel, cured skin and the degree of cure leave no trace in"
    " temperatures.",
    "Viscosity differs between lots at the same temperature.",
    "Age is computed from the pot life and activation energy of the material's data, not measured.",
    "The parts to be joined: their temperature, cleanliness and fit, and the air they cure in.",
    "The bond itself. A part that is clear here was made inside the rules; whether it holds, only a"
    " test of the bond can say.",
    "Parts that were made while nothing was read, or that the counter did not count.",
    "What people did at the cell and did not enter.",
)


def unknowable(facts: Facts) -> Markup:
    """What no report of this kind can know."""
    demo = [zone.rules.material.id for zone in facts.zones if zone.rules.material.is_demo]
    more = (
        [f"The data of {', '.join(dict.fromkeys(demo))} are invented, for demonstration."]
        if demo
        else []
    )
    return section("What this report cannot know", listed((*_UNKNOWABLE, *more)))


def chain(facts: Facts, style: Style) -> Markup:
    """Whether the record is whole, its last hashes, and who made the report."""
    told = facts.chain
    if told.is_whole:
        verdict = "The record is whole: no row was changed, taken out or put in since it was made."
    else:
        verdict = "The record is NOT whole: something was changed, taken out or damaged."
    versions = ", ".join(dict.fromkeys(each.version for each in facts.revisions))
    return section(
        "Proof of the record",
        element("p", element("span", verdict, of="" if told.is_whole else "bad-word")),
        element("div", *(element("p", each) for each in _short(told.sentences())), of="mono"),
        element(
            "p",
            "Who keeps the last hashes in another place can prove later that nothing up to here was"
            " written anew.",
            of="small",
        ),
        element(
            "p",
            f"Made {style.moment(facts.made_ns)} by watchedpot {facts.version}, from records of"
            f" watchedpot {versions}.",
            of="small",
        ),
    )


def _short(sentences: Sequence[str]) -> tuple[str, ...]:
    """The sentences about a ledger with its file name alone: folders are nobody's business."""
    first, *rest = sentences
    path, colon, words_of = first.partition(": ")
    return (f"{path.rpartition('/')[2]}{colon}{words_of}", *rest)


def cautions() -> Markup:
    """What can hurt."""
    return element(
        "section",
        element("h2", "Cautions"),
        element(
            "p",
            "Tanks, hoses and nozzles are hot surfaces, and melt in them is under pressure even"
            " when the cell stands. Hot adhesive gives off vapours, more of them the hotter it is."
            " Read the safety data sheet of the adhesive, follow local codes, and leave work at the"
            " cell to qualified people. This program only reads and records: it is no safety device"
            " and does not replace one.",
            of="caution",
        ),
    )
