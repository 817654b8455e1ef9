"""``watchedpot entry``: what people say, from the command line.

It leaves the entry beside the ledger and waits a moment for the daemon's answer. What can make no
sense in that cell is refused at once and not left; the rest the daemon decides, which knows how
the cell stands. What is heavy is imported when it runs.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from watchedpot.errors import WatchedpotError

if TYPE_CHECKING:
    from collections.abc import Callable

    from watchedpot.core.model import Entry, EntryKind, Loading, Storage
    from watchedpot.core.rules import CellRules

DONE, REFUSED = 0, 1

CAUTION = (
    "Hot surfaces, pressure, vapours: safety data sheet, local rules and qualified people come"
    " first. This is no safety device."
)

LOOK_S = 0.1
"""Time between two looks for an answer, in real time. [s]"""

LONGEST_LOGGER_GAP_S = 3600.0
"""Longest step between two readings of a storage logger that is joined; longer ones are its gaps:
common practice, no source. [s]"""


class EntryError(WatchedpotError):
    """An entry that cannot be made of what was given."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command with all that can be entered."""
    entry = commands.add_parser("entry", help="enter what was done, seen or decided at a cell")
    kinds = entry.add_subparsers(required=True, metavar="WHAT", dest="what")

    loaded = _kind(kinds, "charge-loaded", "a charge was loaded, or a tank refilled")
    loaded.add_argument("--charge", required=True, metavar="ID")
    loaded.add_argument("--lot", default="", metavar="LOT")
    loaded.add_argument("--expires", metavar="DATE", help="last day of its shelf life")
    loaded.add_argument("--preheat-c", type=float, metavar="T", help="of the warmer, with:")
    loaded.add_argument("--preheat-min", type=float, metavar="MIN", help="time in the warmer")
    loaded.add_argument(
        "--cold", action="store_true", help="not warmed before (default: as usual in this cell)"
    )
    loaded.add_argument("--age-h", type=float, metavar="H", help="aged before, at the reference")
    loaded.add_argument("--mass-g", type=float, metavar="G")
    loaded.add_argument("--refill", action="store_true", help="added to what is there")
    loaded.add_argument(
        "--out-of-store-h", type=float, metavar="H", help="unheated, before loading"
    )
    loaded.add_argument("--storage-log", type=Path, metavar="CSV", help="of its temperature logger")
    loaded.add_argument("--log-unit", choices=("degC", "degF"), help="where the log does not say")
    loaded.add_argument(
        "--log-dates", choices=("day_first", "month_first"), help="where they can be read both ways"
    )

    _kind(kinds, "charge-kept", "it is the same charge as before: answers a suspicion")
    for what in ("purged", "wiped"):
        one = _kind(kinds, what, f"the nozzle was {what}")
        one.add_argument("--zone", default="", metavar="NOZZLE", help="default: all of the cell")

    check = _kind(kinds, "check", "a zone compared with a reference probe")
    check.add_argument("--zone", required=True, metavar="ZONE")
    check.add_argument("--true", required=True, type=float, metavar="T", help="reference [degC]")
    check.add_argument("--read", required=True, type=float, metavar="T", help="the zone [degC]")

    note = _kind(kinds, "note", "anything worth keeping; its text is --why")
    note.add_argument("--zone", default="", metavar="ZONE")

    decided = _kind(kinds, "disposition", "what becomes of suspect parts", needs_why=True)
    decided.add_argument("--parts", required=True, metavar="41877-41880,41885")
    decided.add_argument(
        "--word", required=True, choices=("released", "reworked", "scrapped", "held")
    )

    mark = _kind(kinds, "alarm-mark", "whether an alarm was right to be raised")
    _add_alarm(mark)
    mark.add_argument("--word", required=True, choices=("real", "expected", "false"))
    for what in ("acknowledge", "reset", "unshelve", "out-of-service", "in-service"):
        text = f"an alarm: {what.replace('-', ' ')}"
        _add_alarm(_kind(kinds, what, text, needs_why=what == "out-of-service"))
    shelve = _kind(kinds, "shelve", "put an alarm aside for a while", needs_why=True)
    _add_alarm(shelve)
    shelve.add_argument("--minutes", type=float, metavar="MIN", help="needed without --once")
    shelve.add_argument(
        "--once",
        action="store_true",
        help="until the alarm is over, this time or the next; --minutes, or else the longest"
        " shelving that is configured, is the latest",
    )


def _kind(
    kinds: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    text: str,
    *,
    needs_why: bool = False,
) -> argparse.ArgumentParser:
    """One thing that can be entered, with what each entry has."""
    parser = kinds.add_parser(name, help=text, description=f"{text}. {CAUTION}")
    parser.add_argument("ledger", type=Path, metavar="LEDGER")
    parser.add_argument("--cell", metavar="CELL", help="may be left out where there is only one")
    parser.add_argument("--who", required=True, metavar="NAME", help="recorded as said")
    parser.add_argument("--why", default="", required=needs_why, metavar="TEXT")
    parser.add_argument(
        "--wait-s", type=_wait_s, default=5.0, metavar="S", help="for the daemon (default 5)"
    )
    parser.set_defaults(command=run)
    return parser


def _wait_s(text: str) -> float:
    """Time to wait for an answer; an hour at most. [s]."""
    try:
        wait_s = float(text)
    except ValueError:
        wait_s = math.nan
    if not 0.0 <= wait_s <= 3600.0:
        msg = f"expected 0 to 3600 s, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return wait_s


def _add_alarm(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--alarm", required=True, metavar="ZONE/KIND", help="such as nozzle/cold, or pot_life"
    )


def run(
    options: argparse.Namespace,
    *,
    now_ns: Callable[[], int] = time.time_ns,
    sleep: Callable[[float], None] = time.sleep,
) -> int:
    """Leave one entry and wait for its answer."""
    from watchedpot.app.entry import spool
    from watchedpot.core.engine import plan_cell
    from watchedpot.core.entries import nonsense

    cell = _cell(options)
    entry = _entry(options, cell)
    problem = nonsense(entry, plan_cell(cell))
    if problem:
        about = f"{options.what} for {entry.target}"
        raise EntryError(about, problem, effect="nothing was entered")
    folder = spool.folder_of(options.ledger)
    entry = spool.put(folder, entry, said_utc_ns=now_ns())
    for _ in range(max(1, round(options.wait_s / LOOK_S))):
        answer = spool.take_answer(folder, entry.id)
        if answer is not None:
            print(answer.sentence, file=sys.stdout if answer.is_taken else sys.stderr)
            return DONE if answer.is_taken else REFUSED
        sleep(LOOK_S)
    print(
        f"The entry waits in {folder}: the daemon takes it when it runs and can write its ledger."
        " It is not in the record yet; do not enter it again."
    )
    return DONE


def _cell(options: argparse.Namespace) -> CellRules:
    """The cell that is meant, by the configuration of the newest run of the ledger."""
    from watchedpot.app.config.recorded import rules_of
    from watchedpot.outputs import ledger

    texts = {one.revision: one.text for one in ledger.configurations(options.ledger)}
    used = [run.config_revision for run in ledger.runs(options.ledger)]
    cells = {cell.id: cell for cell in rules_of(texts[used[-1]])} if used else {}
    if options.cell is None and len(cells) == 1:
        return next(iter(cells.values()))
    if options.cell not in cells:
        got = "none" if options.cell is None else repr(options.cell)
        raise EntryError("--cell", f"expected one of {', '.join(cells) or 'no cell'}, got {got}")
    return cells[options.cell]


def _entry(options: argparse.Namespace, cell: CellRules) -> Entry:
    """The entry that the options make."""
    from watchedpot.core.model import Check, Entry, EntryKind, Instant

    what: str = options.what
    kinds = {
        "charge-loaded": EntryKind.CHARGE_LOADED,
        "charge-kept": EntryKind.CHARGE_KEPT,
        "alarm-mark": EntryKind.MARK_ALARM,
        "out-of-service": EntryKind.TAKE_OUT_OF_SERVICE,
        "in-service": EntryKind.RETURN_TO_SERVICE,
    }
    kind: EntryKind = kinds.get(what) or EntryKind(what)
    if kind is EntryKind.SHELVE and options.minutes is None and not options.once:
        raise EntryError("shelve", "expected --minutes MIN, --once, or both")
    named = str(getattr(options, "alarm", None) or getattr(options, "zone", ""))
    about = named.removeprefix(f"{cell.id}/")  # as it stands in the record
    is_check = kind is EntryKind.CHECK
    return Entry(
        kind=kind,
        target=f"{cell.id}/{about}" if about else cell.id,
        at=Instant(0, 0),
        who=options.who,
        why=options.why,
        subject=str(getattr(options, "charge", None) or getattr(options, "parts", "")),
        duration_s=60.0 * (getattr(options, "minutes", None) or 0.0),
        is_one_shot=getattr(options, "once", False),
        loading=_loading(options, cell) if kind is EntryKind.CHARGE_LOADED else None,
        check=Check(options.true, options.read) if is_check else None,
        word=getattr(options, "word", ""),
    )


def _loading(options: argparse.Namespace, cell: CellRules) -> Loading:
    """What was said of a charge; of its warming, where nothing was, what is usual in the cell."""
    from watchedpot.core.model import Loading

    is_said = options.preheat_c is not None
    if is_said is (options.preheat_min is None) or (is_said and options.cold):
        raise EntryError("--preheat-c", "expected together with --preheat-min, without --cold")
    is_usual = not is_said and not options.cold
    preheat_c, preheat_s = options.preheat_c, 60.0 * (options.preheat_min or 0.0)
    if is_usual:
        preheat_c, preheat_s = cell.charge.preheat_c, cell.charge.preheat_s
    return Loading(
        age_s=None if options.age_h is None else 3600.0 * options.age_h,
        preheat_c=preheat_c,
        preheat_s=preheat_s,
        is_assumed=is_usual,
        mass_kg=None if options.mass_g is None else options.mass_g / 1000.0,
        is_refill=options.refill,
        lot=options.lot,
        expires_utc_ns=None if options.expires is None else _date_ns(options.expires),
        out_of_store_s=None if options.out_of_store_h is None else 3600.0 * options.out_of_store_h,
        storage=_storage(options, cell) if options.storage_log else None,
    )


def _date_ns(text: str) -> int:
    """The end of a date, or a moment, in local time unless it says otherwise. [ns]."""
    try:
        moment = datetime.fromisoformat(text)
        if len(text) == len("2027-03-01"):
            moment += timedelta(days=1)  # it may still be used on that day
        moment = moment.astimezone(UTC)
    except (ValueError, OverflowError) as exc:
        raise EntryError("--expires", f"expected a date such as 2027-03-01, got {text!r}") from exc
    return int(moment.timestamp()) * 1_000_000_000


def _storage(options: argparse.Namespace, cell: CellRules) -> Storage:
    """What a logger's file says, told before it is entered."""
    from watchedpot.app.entry.logger_csv import DayOrder, Unit, read_logger
    from watchedpot.core.storage import stored

    path: Path = options.storage_log
    rules = None if cell.reservoir is None else cell.reservoir.material.storage
    if rules is None:
        raise EntryError(
            "--storage-log",
            f"the material of cell {cell.id} has no storage limit to judge it by",
            hint="add [materials.storage] to its configuration",
        )
    record = read_logger(
        path,
        unit=None if options.log_unit is None else Unit(options.log_unit),
        day_order=None if options.log_dates is None else DayOrder(options.log_dates),
    )
    found = stored(
        record.time_s,
        record.temp_c,
        limit_c=rules.limit_c,
        max_gap_s=LONGEST_LOGGER_GAP_S,
        ea_j_per_mol=rules.ea_j_per_mol,
    )
    print(
        f"{path.name}: {found.seen_s / 3600.0:.1f} h seen, highest {found.max_c:.1f} degC,"
        f" {found.above_s / 3600.0:.1f} h above {rules.limit_c:g} degC,"
        f" mean kinetic temperature {found.mean_kinetic_c:.1f} degC,"
        f" gaps {found.blind_s / 3600.0:.1f} h"
    )
    for assumed in record.assumed:
        print(f"  assumed: {assumed}")
    return found
