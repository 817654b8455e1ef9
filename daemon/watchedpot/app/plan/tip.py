"""The tip of the nozzle: what a colder or hotter block means for the bead."""

from __future__ import annotations

from collections.abc import Sequence

from watchedpot.app.plan.answer import Answer, prose
from watchedpot.app.plan.drawing import Axis, table
from watchedpot.core.rules import CellRules, Dosing, ZoneKind, ZoneRules
from watchedpot.core.whatif import TipCase, tip_case
from watchedpot.core.zone import usual_c

COLDER_K = (5.0, 10.0)
"""How far below the usual setpoint the block is looked at [K]."""

PASCALS_PER_BAR = 1e5
"""By definition [Pa/bar]."""


def tip(cell: CellRules) -> Answer:
    """Tip, viscosity and bead with the block as usual, colder, and at the edges of its window."""
    question = "what does the block's temperature mean for the bead?"
    nozzle = next((zone for zone in reversed(cell.zones) if zone.kind is ZoneKind.NOZZLE), None)
    if nozzle is None:
        return Answer(f"{cell.id}: {question}", (), {}, ("the cell has no nozzle among its zones",))
    usual = usual_c(nozzle)
    blocks = {nozzle.high_c, usual, nozzle.low_c, *(usual - colder_k for colder_k in COLDER_K)}
    cases = [tip_case(cell, nozzle, block_c) for block_c in sorted(blocks, reverse=True)]
    missing = []
    if nozzle.tip is None:
        missing.append(
            f"the zone {nozzle.id} has no [cells.zones.tip]: the block stands for the tip"
        )
    elif nozzle.tip.fin is not None and cell.charge.flow_kg_per_s is None:
        missing.append("[cells.charge] has no flow_mg_per_s: the flowing tip is told as if idle")
    lines = [
        *_premises(cell, nozzle, usual),
        "",
        *_table(nozzle, cases, usual),
        "",
        *_columns(cell.charge.dosing, has_drop=any(case.drop_pa is not None for case in cases)),
        "",
        *_picture(nozzle, cases),
    ]
    title = f"{cell.id} {nozzle.id}: {question}"
    return Answer(title, tuple(lines), {"cases": cases}, tuple(missing))


def _premises(cell: CellRules, nozzle: ZoneRules, usual: float) -> list[str]:
    """What the estimate rests on."""
    rules, flow = nozzle.tip, cell.charge.flow_kg_per_s
    by = "The block stands for the tip."
    if rules is not None and rules.fin is None:
        by = f"Tip by the offset measured at commissioning: {rules.offset_k:g} K."
    elif rules is not None:
        flowing = "" if flow is None else f", flowing at {1e6 * flow:.3g} mg/s"
        by = f"Tip by its geometry, in a room of {cell.ambient_c:g} degC{flowing}, without draught."
    return prose(f"In percent of what a block at {usual:g} degC gives, as usual; all settled.", by)


def _table(nozzle: ZoneRules, cases: Sequence[TipCase], usual: float) -> list[str]:
    """One row for each block temperature."""
    edges = {nozzle.low_c: "low edge", nozzle.high_c: "high edge", usual: "as usual"}
    head = ("block", "idle tip", "flowing tip", "viscosity", "flow", "bead", "pump", "in the tip")
    rows = [
        (
            f"{case.block_c:g} degC, {edges.get(case.block_c, f'{case.block_c - usual:+g} K')}",
            _estimate(case.idle_c, case.idle_k),
            _estimate(case.flowing_c, case.flowing_k),
            *(
                f"{100.0 * ratio:.0f} %"
                for ratio in (
                    case.viscosity_ratio,
                    case.flow_ratio,
                    case.width_ratio,
                    case.pressure_ratio,
                )
            ),
            "-" if case.drop_pa is None else f"{case.drop_pa / PASCALS_PER_BAR:.2g} bar",
        )
        for case in cases
    ]
    return table(head, rows)


def _estimate(temp_c: float | None, uncertainty_k: float | None) -> str:
    if temp_c is None or uncertainty_k is None:
        return "-"
    return f"{temp_c:.0f} +- {max(uncertainty_k, 1.0):.0f}"


def _columns(dosing: Dosing, *, has_drop: bool) -> list[str]:
    """What the columns say, and which of them hold for this cell."""
    is_pump = dosing is Dosing.VOLUMETRIC
    through = "In the tip: what the usual flow needs through the bare tip alone."
    if not has_drop:
        through = (
            "In the tip: not known without viscosity_points, the tip's bore and flow_mg_per_s."
        )
    return prose(
        f"Flow and bead width: by time and pressure{'' if is_pump else ', as this cell'}.",
        f"Pump: pressure at the same flow{', as this cell' if is_pump else ''}.",
        through,
    )


def _picture(nozzle: ZoneRules, cases: Sequence[TipCase]) -> list[str]:
    """Block and tip on a scale, with the limit of the tip."""
    limit_c = nozzle.low_c if nozzle.tip is None else nozzle.tip.low_c
    known_c = [
        temp_c
        for case in cases
        for temp_c in (case.block_c, case.idle_c, case.flowing_c, limit_c)
        if temp_c is not None
    ]
    across = Axis.over(min(known_c) - 1.0, max(known_c) + 1.0)
    rows = [
        across.row(
            f"{case.block_c:g}",
            [
                (limit_c, limit_c, "|"),
                *(
                    (temp_c, temp_c, mark)
                    for temp_c, mark in (
                        (case.idle_c, "i"),
                        (case.flowing_c, "f"),
                        (case.block_c, "B"),
                    )
                    if temp_c is not None
                ),
            ],
        )
        for case in cases
    ]
    limit = "low edge of the window" if nozzle.tip is None else "lowest tip that still flows well"
    return [*rows, *across.lines("degC"), f"B block   f flowing tip   i idle tip   | {limit}"]
