"""Entries as they are made on the command line."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

import pytest

from outputs.ledger.samples import at, recording
from watchedpot.app.cli import main
from watchedpot.app.config import load
from watchedpot.app.entry import command, spool
from watchedpot.core.model import Check, Entry, EntryKind
from watchedpot.outputs.ledger import Ledger

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger of the example cells."""
    path = tmp_path / "cell.ledger"

    opened = Ledger.open(
        path, now=lambda: at(0.0), version="0", config=load(CONFIG / "demo.toml").text
    )
    assert opened.stop()
    return path


def left(ledger: Path) -> Entry:
    """The one entry that waits."""
    (path,) = spool.waiting(spool.folder_of(ledger))
    entry = spool.read(path)
    assert entry is not None
    path.unlink()
    return entry


def enter(ledger: Path, what: str, *options: str, cell: str = "lens_4") -> Entry:
    """What a command leaves while no daemon runs."""
    told = ["entry", what, str(ledger), "--cell", cell, "--who", "ann", "--wait-s", "0", *options]
    assert main(told) == 0
    return left(ledger)


def test_a_check_names_its_zone_and_both_temperatures(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a daemon it waits, and says so."""
    entry = enter(ledger, "check", "--zone", "nozzle", "--true", "123", "--read", "120.5")
    assert (entry.kind, entry.target, entry.who) == (EntryKind.CHECK, "lens_4/nozzle", "ann")
    assert entry.check == Check(123.0, 120.5)
    assert "not in the record yet" in capsys.readouterr().out


def test_a_charge_comes_with_all_that_is_known_of_it(ledger: Path) -> None:
    """In base units; a date may be used to its end."""
    loaded = ("--charge", "44", "--lot", "L2031", "--expires", "2027-03-01", "--age-h", "0.5")
    more = ("--preheat-c", "100", "--preheat-min", "20", "--mass-g", "33", "--out-of-store-h", "2")
    entry = enter(ledger, "charge-loaded", *loaded, *more)
    loading = entry.loading
    assert loading is not None
    assert (entry.subject, loading.lot, loading.age_s) == ("44", "L2031", 1800.0)
    assert (loading.preheat_c, loading.preheat_s, loading.mass_kg) == (100.0, 1200.0, 0.033)
    assert loading.out_of_store_s == 7200.0
    assert not loading.is_refill
    assert not loading.is_assumed
    end_s = datetime(2027, 3, 2).astimezone().timestamp()
    assert loading.expires_utc_ns == int(end_s) * 10**9


def test_a_charge_of_which_no_warming_is_said_came_as_usual(ledger: Path) -> None:
    """Naming a lot makes it no younger than saying nothing; that it came cold is to be said."""
    usual = load(CONFIG / "demo.toml").cells[0].charge
    loading = enter(ledger, "charge-loaded", "--charge", "44", "--lot", "L2031").loading
    assert loading is not None
    assert loading.is_assumed
    assert (loading.preheat_c, loading.preheat_s) == (usual.preheat_c, usual.preheat_s)
    assert usual.preheat_s > 0.0
    cold = enter(ledger, "charge-loaded", "--charge", "44", "--cold").loading
    assert cold is not None
    assert (cold.preheat_c, cold.preheat_s, cold.is_assumed) == (None, 0.0, False)


def test_an_alarm_may_be_named_as_it_stands_in_the_record(ledger: Path) -> None:
    """With its cell before it."""
    entry = enter(ledger, "acknowledge", "--alarm", "lens_4/nozzle/cold")
    assert entry.target == "lens_4/nozzle/cold"


def test_the_newest_run_says_which_cells_there_are(ledger: Path) -> None:
    """Also where its configuration had been used before another one."""
    for name in ("housing_7.toml", "demo.toml"):
        text = load(CONFIG / name).text
        opened = Ledger.open(ledger, now=lambda: at(0.0), version="0", config=text)
        assert opened.stop()
    assert enter(ledger, "note", "--why", "door").target == "lens_4"


def test_a_storage_log_is_judged_before_it_is_entered(
    ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the material's own limit: an hour of five was above 30 degC."""
    log = tmp_path / "logger.csv"
    rows = [f"2026-11-25 0{hour}:00:00,{temp}" for hour, temp in enumerate((20, 20, 40, 20, 20))]
    log.write_text("time,temperature [degC]\n" + "\n".join(rows), "utf-8")
    entry = enter(ledger, "charge-loaded", "--charge", "44", "--storage-log", str(log))
    assert entry.loading is not None
    storage = entry.loading.storage
    assert storage is not None
    assert (storage.above_s, storage.max_c, storage.seen_s) == (3600.0, 40.0, 14_400.0)
    assert "1.0 h above 30 degC" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("what", "options", "kind", "target"),
    [
        ("wiped", (), EntryKind.WIPED, "lens_4"),
        ("purged", ("--zone", "nozzle"), EntryKind.PURGED, "lens_4/nozzle"),
        ("charge-kept", (), EntryKind.CHARGE_KEPT, "lens_4"),
        ("note", ("--why", "door"), EntryKind.NOTE, "lens_4"),
        ("acknowledge", ("--alarm", "nozzle/cold"), EntryKind.ACKNOWLEDGE, "lens_4/nozzle/cold"),
        (
            "out-of-service",
            ("--alarm", "pot_life", "--why", "probe change"),
            EntryKind.TAKE_OUT_OF_SERVICE,
            "lens_4/pot_life",
        ),
        (
            "in-service",
            ("--alarm", "pot_life"),
            EntryKind.RETURN_TO_SERVICE,
            "lens_4/pot_life",
        ),
    ],
)
def test_each_command_leaves_its_kind(
    ledger: Path, what: str, options: tuple[str, ...], kind: EntryKind, target: str
) -> None:
    """About the cell, a zone or an alarm."""
    entry = enter(ledger, what, *options)
    assert (entry.kind, entry.target) == (kind, target)


def test_decisions_and_marks_carry_their_words(ledger: Path) -> None:
    """And why."""
    decided = ("--parts", "7-9,12", "--word", "scrapped", "--why", "cut open")
    entry = enter(ledger, "disposition", *decided)
    assert (entry.subject, entry.word, entry.why) == ("7-9,12", "scrapped", "cut open")
    marked = enter(ledger, "alarm-mark", "--alarm", "nozzle/hot", "--word", "expected")
    assert (marked.kind, marked.word) == (EntryKind.MARK_ALARM, "expected")
    shelved = ("--alarm", "nozzle/hot", "--minutes", "30", "--why", "probe change")
    assert enter(ledger, "shelve", *shelved).duration_s == 1800.0


@pytest.mark.parametrize(
    ("options", "duration_s"), [(("--once",), 0.0), (("--once", "--minutes", "30"), 1800.0)]
)
def test_an_alarm_is_shelved_until_it_is_over(
    ledger: Path, options: tuple[str, ...], duration_s: float
) -> None:
    """With a bound of its own, or with the one that is configured."""
    entry = enter(ledger, "shelve", "--alarm", "nozzle/hot", "--why", "probe change", *options)
    assert (entry.is_one_shot, entry.duration_s) == (True, duration_s)


def test_the_answer_of_the_daemon_is_printed(
    ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Taken or refused, in its words; the exit code tells them apart."""
    for is_taken, code in ((True, 0), (False, 1)):
        folder = spool.folder_of(ledger)

        def daemon(_: float, *, folder: Path = folder, is_taken: bool = is_taken) -> None:
            for path in spool.waiting(folder):
                spool.answer(folder, path.stem, spool.Answer(is_taken, "as you said"))

        options = argparse.Namespace(
            ledger=ledger, cell="lens_4", what="note", who="ann", why="x", wait_s=1.0, zone=""
        )
        assert command.run(options, now_ns=lambda: 7, sleep=daemon) == code
        said = capsys.readouterr()
        assert "as you said" in (said.out if is_taken else said.err)


@pytest.mark.parametrize(
    ("told", "message"),
    [
        (("note", "--cell", "press_1"), "expected one of lens_4, housing_7, got 'press_1'"),
        (("note",), "expected one of lens_4, housing_7, got none"),
        (
            ("charge-loaded", "--cell", "lens_4", "--charge", "4", "--expires", "soon"),
            "expected a date such as 2027-03-01, got 'soon'",
        ),
        (
            ("charge-loaded", "--cell", "lens_4", "--charge", "4", "--expires", "9999-12-31"),
            "expected a date such as 2027-03-01, got '9999-12-31'",
        ),
        (
            ("charge-loaded", "--cell", "lens_4", "--charge", "4", "--age-h", "nan"),
            "charge-loaded for lens_4: expected age_s of 0 to",
        ),
        (
            ("charge-loaded", "--cell", "lens_4", "--charge", "4", "--preheat-c", "100"),
            "--preheat-c: expected together with --preheat-min",
        ),
        (
            ("charge-loaded", "--cell", "lens_4", "--charge", "4", "--preheat-min", "20"),
            "--preheat-c: expected together with --preheat-min",
        ),
        (
            ("acknowledge", "--cell", "lens_4", "--alarm", "nozzle/sad"),
            "acknowledge for lens_4/nozzle/sad: the cell has no such alarm; nothing was entered",
        ),
        (
            ("shelve", "--cell", "lens_4", "--alarm", "nozzle/hot", "--why", "x"),
            "shelve: expected --minutes MIN, --once, or both",
        ),
        *(
            (
                ("shelve", "--cell", "lens_4", "--alarm", "nozzle/hot", "--why", "x", *options),
                "this alarm is shelved for more than 0 and at most 480 min; nothing was entered",
            )
            for options in (
                ("--minutes", "0"),
                ("--minutes", "481"),
                ("--minutes", "nan"),
                ("--once", "--minutes", "481"),
            )
        ),
        (
            ("out-of-service", "--cell", "lens_4", "--alarm", "nozzle/hot", "--why", " "),
            "nobody says why it is to be put aside; nothing was entered",
        ),
    ],
)
def test_what_cannot_be_entered_is_said(
    ledger: Path, told: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is left for the daemon."""
    what, *options = told
    assert main(["entry", what, str(ledger), "--who", "ann", *options]) == 1
    assert message in capsys.readouterr().err
    assert not spool.folder_of(ledger).exists()


@pytest.mark.parametrize("wait", ["nan", "-1", "soon"])
def test_a_wait_is_a_time(ledger: Path, wait: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Anything else is an argument that cannot be used."""
    with pytest.raises(SystemExit) as caught:
        main(["entry", "wiped", str(ledger), "--who", "ann", "--wait-s", wait])
    assert caught.value.code == 2
    assert f"expected 0 to 3600 s, got '{wait}'" in capsys.readouterr().err


def test_a_storage_log_needs_a_limit_to_be_judged_by(tmp_path: Path) -> None:
    """A ledger without configuration has no cell either."""
    path = tmp_path / "bare.ledger"
    with recording(path) as recorder:
        recorder.write([])
    assert main(["entry", "note", str(path), "--who", "ann"]) == 1
