"""The truth log: what really happened, for judging what a monitor made of it.

``<cell>.csv``, one row per scan (or every few scans):

    column             meaning                                             unit, range
    t_s                since the scenario's start                          s
    utc_ns             cell time, never stepped                            ns since 1970 UTC
    ZONE.shown_c       exactly what is served; nan when the break carries
                       no number, 0 while the controller restarts          degC
    ZONE.sensor_c      lagged sensor with drift and noise, unrounded       degC
    ZONE.block_c       true block                                          degC
    ZONE.setpoint_c    as served                                           degC
    ZONE.output        as served; a stuck heater does not show here        %, 0 to 100
    tip_c              end of the tip                                      degC
    core_c             slowest lump of the charge                          degC
    charge_mean_c      mean of the charge                                  degC
    charge_id, parts   as the controller remembers them: an unannounced
                       change moves no number; served as 0 while it
                       restarts                                            1
    dispensing, wiped  true state                                          0, 1
    part_ok            since the part under way began, every block and the
                       core of the charge stood in their windows           0, 1; empty between
    faults             active, joined by +                                 empty when healthy

``<cell>.events.csv``: t_s, utc_ns, what, zone, detail.

``<cell>.parts.csv``, one row per part that the controller finished, in the order made. A row is
written once the part is joined, and at the end of the run for those that still wait:

    column             meaning                                             unit, range
    number             counted from 1 since the scenario's start, whatever
                       happens to the counter                              1
    counter            what the controller's counter shows after it        1
    part_id            serial of the part in the fixture                   1
    begun_utc_ns, ended_utc_ns, begun_s, ended_s
                       dispensing: cell time, and since the start          ns, s
    charge_id          as the controller numbers the charge                1
    tip_min_c, tip_max_c
                       end of the tip while dispensing                     degC
    ZONE.min_c, ZONE.max_c
                       true block while dispensing                         degC
    core_c             slowest lump of the charge at the start             degC
    dose_s             age of the charge at the end: equivalent time at the
                       plant's ref_c with its ea_j_per_mol, of the mean
                       temperature of the charge                           s
    idle_s             since melt last flowed; empty for the first         s
    wiped              nozzle wiped since then                             0, 1
    melt_min_c, melt_max_c
                       mean of the charge when this melt left it           degC
    ZONE.met_min_c, ZONE.met_max_c
                       true block of each zone but the last while this melt
                       passed; of the reservoir, when this melt left it    degC
    bead_width_mm, inspection
                       as served when it is counted                        mm; 1 passed, 0 failed
    joined_s           second half placed, since the start                 s; empty while it waits
    link_up            the link was up from its start to its count         0, 1

All are flushed after every batch of scans, so that they can be read after a kill.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self, TextIO

from potsim.parts import MadePart, Span

EVENT_COLUMNS = "t_s,utc_ns,what,zone,detail"


def columns(zones: Iterable[str]) -> str:
    """Header of a cell's truth log.

    Parameters
    ----------
    zones : iterable of str
        Zone names in flow order.

    Returns
    -------
    str
        Joined by commas.
    """
    signals = ("shown_c", "sensor_c", "block_c", "setpoint_c", "output")
    per_zone = [f"{zone}.{signal}" for zone in zones for signal in signals]
    rest = "tip_c,core_c,charge_mean_c,charge_id,parts,dispensing,wiped,part_ok,faults"
    return ",".join(["t_s", "utc_ns", *per_zone, rest])


def part_columns(zones: Iterable[str]) -> str:
    """Header of a cell's log of parts.

    Parameters
    ----------
    zones : iterable of str
        Zone names in flow order.

    Returns
    -------
    str
        Joined by commas.
    """
    names = tuple(zones)
    return ",".join(
        [
            "number,counter,part_id,begun_utc_ns,ended_utc_ns,begun_s,ended_s,charge_id",
            "tip_min_c,tip_max_c",
            *(f"{zone}.min_c,{zone}.max_c" for zone in names),
            "core_c,dose_s,idle_s,wiped,melt_min_c,melt_max_c",
            *(f"{zone}.met_min_c,{zone}.met_max_c" for zone in names[:-1]),
            "bead_width_mm,inspection,joined_s,link_up",
        ]
    )


def part_row(part: MadePart) -> str:
    """Row of a cell's log of parts.

    Parameters
    ----------
    part : MadePart
        As it was made.

    Returns
    -------
    str
        In the order of `part_columns`.
    """

    def span(ends: Span) -> str:
        return f"{ends[0]:.4f},{ends[1]:.4f}"

    idle = "" if part.idle_s is None else f"{part.idle_s:.3f}"
    joined = "" if part.joined_s is None else f"{part.joined_s:.3f}"
    return ",".join(
        [
            f"{part.number},{part.counter},{part.part_id},{part.begun_ns},{part.ended_ns}",
            f"{part.begun_s:.3f},{part.ended_s:.3f},{part.charge_id}",
            span(part.tip_c),
            *map(span, part.zones_c),
            f"{part.core_c:.4f},{part.dose_s:.3f},{idle},{int(part.is_wiped)}",
            span(part.melt_c),
            *map(span, part.met_c),
            f"{part.bead_width_mm:.4f},{int(part.is_passed)},{joined},{int(part.is_link_up)}",
        ]
    )


class TruthLog:
    """Three CSV files of one cell.

    Parameters
    ----------
    folder : Path
        Made when missing; files of an earlier run are replaced.
    cell : str
        Name of the cell.
    zones : iterable of str
        Zone names in flow order.
    """

    def __init__(self, folder: Path, cell: str, zones: Iterable[str]) -> None:
        folder.mkdir(parents=True, exist_ok=True)

        def new(name: str, header: str) -> TextIO:
            file = (folder / name).open("w", encoding="utf-8", newline="\n")
            file.write(header + "\n")
            return file

        names = tuple(zones)
        self._rows = new(f"{cell}.csv", columns(names))
        self._events = new(f"{cell}.events.csv", EVENT_COLUMNS)
        self._parts = new(f"{cell}.parts.csv", part_columns(names))
        self.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def row(self, text: str) -> None:
        """Add one row of the truth.

        Parameters
        ----------
        text : str
            Fields joined by commas, in the order of `columns`.
        """
        self._rows.write(text + "\n")

    def event(self, *, t_s: float, utc_ns: int, what: str, zone: str, detail: str) -> None:
        """Add one event.

        Parameters
        ----------
        t_s : float
            Since the start. [s]
        utc_ns : int
            Cell time. [ns]
        what, zone, detail : str
            Without commas.
        """
        self._events.write(f"{t_s:.3f},{utc_ns},{what},{zone},{detail}\n")

    def part(self, part: MadePart) -> None:
        """Add one part.

        Parameters
        ----------
        part : MadePart
            Joined, or never to be.
        """
        self._parts.write(part_row(part) + "\n")

    def flush(self) -> None:
        """Hand everything to the operating system."""
        for file in (self._rows, self._events, self._parts):
            file.flush()

    def close(self) -> None:
        """Close all files."""
        for file in (self._rows, self._events, self._parts):
            file.close()
