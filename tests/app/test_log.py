"""Where log lines go and what they look like."""

from __future__ import annotations

import ast
import io
import json
import logging
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog

import watchedpot.sources
from watchedpot.app import log


@pytest.fixture(autouse=True)
def _logging_as_before() -> Iterator[None]:
    """Leave the logging of the test run as it was."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    levels = {name: logging.getLogger(name).level for name in log.LIBRARY_LEVELS}
    yield
    logging.captureWarnings(capture=False)
    root.handlers[:] = handlers
    root.setLevel(level)
    for name, before in levels.items():
        logging.getLogger(name).setLevel(before)
    structlog.reset_defaults()


def lines(stream: io.StringIO) -> list[dict[str, Any]]:
    """Every line that was logged, as JSON."""
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def test_a_line_in_service_is_json() -> None:
    """Event name, fields, level and time in UTC, one object on one line."""
    stream = io.StringIO()
    log.configure(stream=stream)
    structlog.get_logger("watchedpot").info(log.SOURCE_LOST, source="press_1", since_s=14.2)
    (line,) = lines(stream)
    assert line.pop("timestamp").endswith("Z")
    assert line == {
        "event": "source_lost",
        "source": "press_1",
        "since_s": 14.2,
        "level": "info",
        "logger": "watchedpot",
    }


def test_a_line_at_a_terminal_is_for_a_person() -> None:
    """The console renderer is used where the stream is a terminal, or is said to be one."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    for stream, is_terminal in ((Terminal(), None), (io.StringIO(), True)):
        log.configure(stream=stream, is_terminal=is_terminal)
        structlog.get_logger().info(log.SOURCE_UP, source="press_1")
        text = stream.getvalue()
        assert "source_up" in text
        assert "press_1" in text
        assert not text.startswith("{")


@pytest.mark.parametrize(("level", "expected"), [("debug", 3), ("info", 2), ("error", 1)])
def test_the_level_is_the_lowest_that_is_written(level: str, expected: int) -> None:
    """What is below the level leaves no line."""
    stream = io.StringIO()
    log.configure(level, stream=stream)
    logger = structlog.get_logger("watchedpot")
    logger.debug(log.EVENT)
    logger.info(log.EVENT)
    logger.error(log.EVENT)
    assert len(lines(stream)) == expected


@pytest.mark.parametrize("name", ["asyncua.client.ua_client", "pymodbus.logging"])
def test_a_library_that_complains_at_each_poll_is_quiet(name: str) -> None:
    """Errors of the two protocol libraries are counted by us, not logged; in debug they are."""
    logging.getLogger(name).setLevel(logging.NOTSET)  # a simulator in this process sets its own
    stream = io.StringIO()
    log.configure("info", stream=stream)
    logging.getLogger(name).error("no answer")
    assert lines(stream) == []
    log.configure("debug", stream=stream)
    logging.getLogger(name).error("no answer to %d", 7)
    (line,) = lines(stream)
    assert (line["event"], line["logger"], line["level"]) == ("no answer to 7", name, "error")


def test_a_bug_behind_a_request_is_logged_with_its_traceback() -> None:
    """What the web server reports as an error is a line like ours."""
    stream = io.StringIO()
    log.configure(stream=stream)
    logger = logging.getLogger("uvicorn.error")
    logger.warning("Exceeded concurrency limit.")
    try:
        _ = 1 / 0
    except ZeroDivisionError:
        logger.exception("Exception in ASGI application")
    (line,) = lines(stream)
    assert line["event"] == "Exception in ASGI application"
    assert line["exception"][0]["exc_type"] == "ZeroDivisionError"


def test_setting_up_twice_does_not_write_twice() -> None:
    """The newest set-up replaces the one before."""
    first, second = io.StringIO(), io.StringIO()
    log.configure(stream=first)
    log.configure(stream=second)
    structlog.get_logger().info(log.EVENT)
    assert first.getvalue() == ""
    assert len(lines(second)) == 1


def test_a_warning_of_python_is_a_line() -> None:
    """Warnings go where the log goes, not past it."""
    stream = io.StringIO()
    log.configure(stream=stream)
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        # catch_warnings has put the plain printer back.
        logging.captureWarnings(capture=False)
        logging.captureWarnings(capture=True)
        warnings.warn("old", DeprecationWarning, stacklevel=1)
    (line,) = lines(stream)
    assert line["logger"] == "py.warnings"


def test_an_unknown_level_is_refused() -> None:
    """A level that does not exist stops the start instead of silencing the log."""
    with pytest.raises(KeyError):
        log.configure("loud", stream=io.StringIO())


def test_every_name_is_listed_once() -> None:
    """The list has each constant and nothing else, in the form of an event name."""
    constants = [
        value for name, value in vars(log).items() if name.isupper() and isinstance(value, str)
    ]
    assert len(constants) == len(set(constants)) == len(log.EVENTS)
    assert set(constants) == log.EVENTS
    assert all(value.islower() and value.isidentifier() for value in constants)


def test_what_the_sources_report_is_listed() -> None:
    """The sources may not import the names; they spell them as they are listed."""
    reported = set()
    for path in Path(watchedpot.sources.__path__[0]).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.Call(ast.Attribute(attr="_report"), [ast.Constant(str(name)), *_]):
                    reported.add(name)
    assert {log.SOURCE_UP, log.SOURCE_LOST} <= reported
    assert reported <= log.EVENTS
