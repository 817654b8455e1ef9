"""What the web room is given: answers from a record, doors and certificate."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from app.questions.plant import made
from support.clock import START_UTC_NS
from support.tls import make_certificate
from watchedpot.app import serving
from watchedpot.app.config import Configuration, Service, load
from watchedpot.app.serving import Recorded, certificate_end_ns, certificate_of, doors_of
from watchedpot.core.entries import entered
from watchedpot.core.model import (
    Block,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Quality,
    Reading,
    Reason,
    block_row,
    join_blocks,
    missing_row,
    not_good,
)
from watchedpot.core.rules import Verdict
from watchedpot.errors import ConfigError, LedgerError
from watchedpot.outputs.ledger import Batch, Ledger
from watchedpot.outputs.web.model import Suspects
from watchedpot.outputs.web.server import Certificate
from watchedpot.outputs.web.tokens import line_of

DEMO = Path(__file__).parents[2] / "config" / "demo.toml"
S = 1_000_000_000
MINUTES = 30
LAST_S = 60 * MINUTES


def at(second: float) -> Instant:
    """Moment so long after the beginning of the record."""
    ns = round(second * S)
    return Instant(START_UTC_NS + ns, ns)


def row(second: int) -> Block:
    """One poll of lens_4: a bead every ten seconds, a spike, ten seconds of a broken sensor."""
    names = [f"lens_4/nozzle/{name}" for name in ("temperature", "setpoint", "output")]
    temp = Reading(140.5 if second == 700 else 120.0 + second % 3)
    if 900 <= second < 910:
        temp = not_good(Quality.BAD, Reason.STATUS)
    told = [temp, Reading(120.0), Reading(20.0 + second % 7)]
    readings = dict(zip(names, told, strict=True))
    readings["lens_4/dispensing"] = Reading(float(second % 10 < 4))
    return block_row("lens_4", at(second), readings)


def moved(event: Event, second: float) -> Event:
    """The same event at another moment."""
    return replace(event, at=at(second))


def alarm(second: float, *, cause: str, before: str, after: str, stage: int) -> Event:
    """A change of the alarm for a cold nozzle."""
    details = (
        ("alarm", "cold"),
        ("input", cause),
        ("from", before),
        ("to", after),
        ("stage", stage),
        ("priority", "high"),
    )
    return Event(EventKind.ALARM_CHANGED, at(second), "lens_4", "nozzle", details)


@pytest.fixture(scope="module")
def configuration(tmp_path_factory: pytest.TempPathFactory) -> Configuration:
    """Both demonstration cells with half an hour on record; nothing was read from 300 to 400 s."""
    found = load(DEMO)
    path = tmp_path_factory.mktemp("serving") / "a.ledger"
    found = replace(found, service=replace(found.service, ledger_path=path))
    seconds = [second for second in range(LAST_S) if not 300 <= second < 400]
    parts = [
        moved(made(n + 1, 0.0, Verdict.REVIEW if n == 3 else Verdict.CLEAR), 10.0 * n)
        for n in range(LAST_S // 10)
    ]
    real = Entry(
        EntryKind.MARK_ALARM, "lens_4/nozzle/cold", at(1000.0), "anna", "open", word="real"
    )
    note = Entry(EntryKind.NOTE, "lens_4", at(1200.0), "anna", "looked at the bead")
    events = [
        alarm(800.0, cause="on", before="normal", after="unacknowledged", stage=1),
        alarm(830.0, cause="acknowledge", before="unacknowledged", after="acknowledged", stage=1),
        entered(real, "lens_4"),
        entered(note, "lens_4"),
    ]
    nothing = missing_row("housing_7", ["housing_7/tank/temperature"], at(1.0), Reason.NO_ANSWER)
    record = Ledger.open(path, now=lambda: at(0.0), version="1", config=found.text)
    record.append(Batch((join_blocks([row(second) for second in seconds]), nothing)))
    record.append(Batch((), (*events, *parts)))
    assert record.stop()
    return found


@pytest.fixture
def recorded(configuration: Configuration) -> Recorded:
    """Asked at the end of the record."""
    return Recorded(configuration, lambda: at(LAST_S))


def test_a_trend_keeps_extremes_gaps_and_order(recorded: Recorded) -> None:
    """The spike of one second, the broken sensor and the time that nobody read, in few points."""
    trend = recorded.trend("lens_4", minutes=MINUTES, points=100)
    assert (trend.since, trend.until) == ("2026-01-01T00:00:00.000Z", "2026-01-01T00:30:00.000Z")
    nozzle = next(zone for zone in trend.zones if zone.id == "nozzle")
    assert (nozzle.low_c, nozzle.high_c) == (115.0, 126.0)
    assert len(nozzle.at_s) <= 100
    assert nozzle.at_s == sorted(nozzle.at_s)
    drawn = dict(zip(nozzle.at_s, nozzle.temp_c, strict=True))
    assert drawn[700.0] == 140.5
    assert any(value is None for at_s, value in drawn.items() if 299 < at_s < 401)
    assert any(value is None for at_s, value in drawn.items() if 899 < at_s < 911)
    assert {value for value in nozzle.setpoint_c if value is not None} == {120.0}
    told = [value for value in nozzle.output_percent if value is not None]
    assert (min(told), max(told)) == (20.0, 26.0)


def test_a_zone_of_which_nothing_is_on_record_has_an_empty_line(recorded: Recorded) -> None:
    """No point is no value."""
    syringe = recorded.trend("lens_4", minutes=5, points=100).zones[0]
    assert (syringe.id, syringe.at_s, syringe.temp_c) == ("syringe", [], [])
    tank = recorded.trend("housing_7", minutes=MINUTES, points=100).zones[0]
    assert tank.temp_c == [None]


def test_few_readings_are_all_drawn(recorded: Recorded) -> None:
    """One minute, sixty points, each as it was read."""
    nozzle = recorded.trend("lens_4", minutes=1, points=400).zones[1]
    assert nozzle.at_s == [float(second) for second in range(60)]
    assert nozzle.temp_c == [120.0 + (LAST_S - 60 + second) % 3 for second in range(60)]


def test_a_trend_tells_when_adhesive_flowed_and_what_was_made(recorded: Recorded) -> None:
    """Six beads of four seconds in the last minute, six parts, and events by their sentence."""
    trend = recorded.trend("lens_4", minutes=1, points=400)
    assert trend.dispensing == [(float(n), float(n + 4)) for n in range(0, 60, 10)]
    assert [part.at_s for part in trend.parts] == [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    assert trend.events == []
    whole = recorded.trend("lens_4", minutes=MINUTES, points=400)
    assert [(one.at_s, one.kind) for one in whole.events][-1] == (1200.0, "entered")
    assert "looked at the bead" in whole.events[-1].sentence
    assert [part.verdict for part in whole.parts[:5]] == ["clear"] * 3 + ["review", "clear"]


def test_a_trend_has_only_so_many_marks(
    recorded: Recorded, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newest."""
    monkeypatch.setattr(serving, "MOST_MARKS", 3)
    trend = recorded.trend("lens_4", minutes=MINUTES, points=100)
    assert [part.first for part in trend.parts] == [178, 179, 180]
    assert len(trend.events) == 3


def test_parts_are_told_from_the_newest(recorded: Recorded) -> None:
    """Page by page; times, rules as sentences, and what the melt met."""
    first = recorded.parts("lens_4", limit=2, before_ns=None).parts
    assert [part.first for part in first] == [180, 179]
    assert first[0].counted == "2026-01-01T00:29:50.000Z"
    assert first[0].zones["nozzle"].min_c == 117.0
    assert first[0].rules == []
    before_ns = at(1780.0).utc_ns
    assert [one.first for one in recorded.parts("lens_4", limit=1, before_ns=before_ns).parts] == [
        178
    ]
    assert recorded.parts("housing_7", limit=9, before_ns=None).parts == []


def test_suspects_are_those_of_the_command(recorded: Recorded) -> None:
    """The same keys and the same range."""
    found = recorded.suspects("lens_4", since_ns=None)
    assert found["suspect"] == 1
    assert set(found) == set(Suspects.model_fields)
    told = Suspects.model_validate(found)
    assert [(one["first"], one["verdict"]) for one in told.ranges] == [(4, "review")]
    assert recorded.suspects(None, since_ns=at(100.0).utc_ns)["suspect"] == 0


def test_events_are_told_from_the_newest_with_their_details(recorded: Recorded) -> None:
    """Who said what, as a sentence and for a program."""
    (newest,) = recorded.events(
        cell="lens_4", kinds=[EventKind.ENTERED], since_ns=None, until_ns=None, limit=1
    ).events
    assert (newest.kind, newest.details["who"]) == ("entered", "anna")
    assert newest.sentence.startswith("lens_4: ")
    found = recorded.events(
        cell=None, kinds=(), since_ns=at(810.0).utc_ns, until_ns=at(1100.0).utc_ns, limit=9
    ).events
    assert [one.at for one in found] == ["2026-01-01T00:16:40.000Z", "2026-01-01T00:13:50.000Z"]


def test_the_figures_of_the_alarms_are_of_what_was_watched(recorded: Recorded) -> None:
    """One alarm in half an hour up to the newest row, acknowledged after half a minute: real."""
    found = recorded.performance()
    assert found is not None
    assert (found.annunciated, found.median_s, found.observed_s) == (1, 30.0, 1799.0)
    assert found.marks["real"] == 1


def test_before_anything_was_watched_there_are_no_figures(configuration: Configuration) -> None:
    """A record that begins now."""
    assert Recorded(configuration, lambda: at(0.0)).performance() is None


def test_a_record_that_is_not_there_is_an_error_of_ours(
    configuration: Configuration, tmp_path: Path
) -> None:
    """For each question."""
    service = replace(configuration.service, ledger_path=tmp_path / "nowhere.ledger")
    gone = Recorded(replace(configuration, service=service), lambda: at(LAST_S))
    with pytest.raises(LedgerError):
        gone.trend("lens_4", minutes=1, points=100)
    with pytest.raises(LedgerError):
        gone.performance()


@pytest.fixture
def service(configuration: Configuration, monkeypatch: pytest.MonkeyPatch) -> Service:
    """That of the demonstration, without systemd."""
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    return configuration.service


def no_report(_: str) -> None:
    """Nobody listens."""


def test_on_loopback_reading_is_open_and_without_tokens_nobody_acts(service: Service) -> None:
    """Names of this computer only."""
    found = doors_of(service, no_report)
    assert (found.tokens, found.is_reading_open) == (None, True)
    assert found.hosts == frozenset({"localhost", "127.0.0.1", "[::1]"})


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.0.7", "::", "cell.example"])
def test_beyond_loopback_a_start_without_tokens_is_refused(service: Service, host: str) -> None:
    """It says why, and what to do."""
    with pytest.raises(ConfigError) as caught:
        doors_of(replace(service, host=host), no_report)
    assert str(caught.value) == (
        "service.tokens_path: 1 fault; nothing was started\n"
        f"service.host: {host} can be reached from other computers, and nobody has a token; name "
        "a file as service.tokens_path (a line of it is printed by: watchedpot token NAME), or "
        "listen on 127.0.0.1"
    )


def test_beyond_loopback_reading_takes_a_token_unless_it_is_opened(
    service: Service, tmp_path: Path
) -> None:
    """By whatever name this computer is asked."""
    path = tmp_path / "tokens"
    path.write_text(line_of("anna", "x"))
    public = replace(service, host="0.0.0.0", tokens_path=path)
    found = doors_of(public, no_report)
    assert (found.is_reading_open, found.hosts) == (False, None)
    assert found.tokens is not None
    assert found.tokens.holder("x") is not None
    assert doors_of(replace(public, open_reading=True), no_report).is_reading_open
    assert doors_of(replace(service, tokens_path=path), no_report).tokens is not None


def test_a_tokens_file_without_anybody_in_it_opens_no_door_beyond_loopback(
    service: Service, tmp_path: Path
) -> None:
    """It would be the same as none."""
    path = tmp_path / "tokens"
    path.write_text("# nobody yet\n")
    with pytest.raises(ConfigError, match="nobody has a token"):
        doors_of(replace(service, host="0.0.0.0", tokens_path=path), no_report)
    assert doors_of(replace(service, tokens_path=path), no_report).tokens is not None


def test_a_tokens_file_that_cannot_be_used_is_refused(service: Service, tmp_path: Path) -> None:
    """On loopback too."""
    with pytest.raises(ConfigError, match="cannot be read"):
        doors_of(replace(service, tokens_path=tmp_path / "nowhere"), no_report)


def test_a_credential_of_systemd_stands_in_for_a_path(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under the name tokens; a path that is configured goes first."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert doors_of(service, no_report).tokens is None
    (tmp_path / "tokens").write_text(line_of("anna", "x"))
    found = doors_of(replace(service, host="0.0.0.0"), no_report)
    assert found.tokens is not None
    assert found.tokens.holder("x") is not None
    with pytest.raises(ConfigError, match="cannot be read"):
        doors_of(replace(service, tokens_path=tmp_path / "nowhere"), no_report)


def test_a_certificate_is_checked_before_anything_is_started(
    service: Service, tmp_path: Path
) -> None:
    """None without paths; a fault with paths to nothing."""
    assert certificate_of(service) is None
    tls = replace(service, tls_certificate_path=tmp_path / "a", tls_key_path=tmp_path / "b")
    with pytest.raises(ConfigError, match="tls certificate"):
        certificate_of(tls)


def test_the_end_of_a_certificate_is_known(tmp_path: Path) -> None:
    """To the second, as it stands in the file."""
    ends = datetime(2031, 5, 17, 3, 4, 5, tzinfo=UTC)
    certificate = Certificate(*make_certificate(tmp_path, ends=ends))
    assert certificate_end_ns(certificate) == 1_936_753_445 * 10**9
