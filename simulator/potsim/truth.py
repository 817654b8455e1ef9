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

``<cell>.events.csv``: t_s, utc_ns, what, zone, detail. Both are flushed after every batch of
scans, so that they can be read after a kill.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self, TextIO

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


class TruthLog:
    """Two CSV files of one cell.

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
        self._rows: TextIO = (folder / f"{cell}.csv").open("w", encoding="utf-8", newline="\n")
        self._events: TextIO = (folder / f"{cell}.events.csv").open(
            "w", encoding="utf-8", newline="\n"
        )
        self._rows.write(columns(zones) + "\n")
        self._events.write(EVENT_COLUMNS + "\n")
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

    def flush(self) -> None:
        """Hand everything to the operating system."""
        self._rows.flush()
        self._events.flush()

    def close(self) -> None:
        """Close both files."""
        self._rows.close()
        self._events.close()
