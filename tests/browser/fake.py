"""A stand-in for the daemon's web interface: the page, and answers that tests change.

It follows the same contract as ``watchedpot.outputs.web``, in a thread of its own, so that a test
can drive a browser and change what the cells do at the same time. Run as a program it serves one
of its scenes to look at: ``python tests/browser/fake.py trouble``.
"""

from __future__ import annotations

import asyncio
import importlib.util
import json
import socket
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta
from math import sin
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI, Request, Response
from fastapi.responses import FileResponse, JSONResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles

Json = dict[str, Any]

STATIC = Path(__file__).parents[2] / "daemon" / "watchedpot" / "outputs" / "web" / "static"
TOKEN = "right-token"
PERSON = "shift_lead"
BEAT_S = 2.0
LOOK_S = 0.02

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
}

TITLES = {
    "cold": "{} is too cold",
    "hot": "{} is too hot",
    "build_up": "adhesive builds up on {}",
    "unseen": "{} is not seen",
    "pot_life": "the charge has used up its pot life",
}
PRIORITIES = {
    "cold": "high",
    "hot": "critical",
    "build_up": "medium",
    "unseen": "high",
    "pot_life": "low",
}
RESPONSE = (
    "Hold dispensing. Compare setpoint and output on the cell's own controller. If the zone does "
    "not come back, have a qualified person check heater and sensor."
)


NO_HEAT: Json = {
    "id": "lens_4/3",
    "severity": "hold",
    "sentence": (
        "nozzle: 108.2 degC and falling 0.09 K/s, heater at 100 %. Likely no power reaches its "
        "heater (84 %): the heater is at 100 % and the nozzle falls by 0.09 K/s. Hold dispensing"
    ),
    "ended": None,
    "zones": ["nozzle"],
    "alarms": ["lens_4/nozzle/cold"],
    "numbers": "108.2 degC and falling 0.09 K/s, heater at 100 %",
    "candidates": [
        {
            "cause": "no_heat",
            "certainty": 0.84,
            "speaks_for": ["the heater is at 100 % and the nozzle falls by 0.09 K/s"],
            "speaks_against": [],
        },
        {
            "cause": "part_of_heat",
            "certainty": 0.06,
            "speaks_for": ["the output is higher than usual"],
            "speaks_against": ["the nozzle goes on falling"],
        },
    ],
    "not_ruled_out": ["an output card that does not switch: only a meter at the heater tells"],
    "first_action": "Hold dispensing; have a qualified person check fuse, plug, relay and heater.",
}
"""A heater without power, as it is told after two minutes."""


def iso(at: datetime) -> str:
    """UTC to the millisecond."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def ago(seconds: float) -> str:
    """That long before now."""
    return iso(datetime.now(UTC) - timedelta(seconds=seconds))


def ahead(seconds: float) -> str:
    """That long from now."""
    return ago(-seconds)


def zone(name: str, kind: str, *, low_c: float, high_c: float, temp_c: float) -> Json:
    """A zone that is ready and in its window."""
    return {
        "id": name,
        "kind": kind,
        "phase": "ready",
        "phase_since": ago(4210),
        "temp_c": temp_c,
        "quality": "good",
        "reason": "none",
        "status": "",
        "last_good": ago(0.4),
        "setpoint_c": round((low_c + high_c) / 2),
        "output_percent": 31.0,
        "low_c": low_c,
        "high_c": high_c,
        "ceiling_c": high_c + 14.0,
        "position": "inside",
        "exposure": {
            "below_s": 309.0,
            "inside_s": 12040.0,
            "above_s": 0.0,
            "blind_s": 41.0,
            "under_ks": 3278.5,
            "over_ks": 0.0,
            "coverage": 0.9966,
        },
        "build_up_s": 0.0,
        "degradation_s": 0.0,
        "build_up_limit_s": 30.0 if kind == "nozzle" else None,
        "degradation_limit_s": 600.0,
        "core": None,
        "tip": None,
        "transport_delay_s": None,
        "leaving": None,
        "readings": {"good": 12010, "uncertain": 0, "bad": 0, "stale": 3, "missing": 41},
    }


def source(name: str, **changes: object) -> Json:
    """A connection that is up."""
    return {
        "id": name,
        "protocol": "opcua",
        "is_up": True,
        "link": "up",
        "diagnosis": "",
        "last_answer": ago(0.4),
        "lateness_s": 0.003,
        "round_trip_s": 0.004,
        "polls": 12400,
        "requests": 12400,
        "failures": {},
        "rejected": {},
        "skew_s": 0.02,
        "certificate_expires": None,
    } | changes


def alarm(cell: str, place: str, kind: str, *, state: str = "unacknowledged") -> Json:
    """An alarm in a state that is not the normal one."""
    return {
        "id": "/".join(part for part in (cell, place, kind) if part),
        "cell": cell,
        "zone": place,
        "kind": kind,
        "state": state,
        "stage": 1,
        "since": ago(94),
        "raised": 1,
        "priority": PRIORITIES[kind],
        "title": TITLES[kind].format(place or cell),
        "cause": "The zone is colder than its window: heat is lost or not supplied.",
        "consequence": "The adhesive is too stiff: thin or missing beads and poor wetting.",
        "response": RESPONSE,
        "time_to_respond_s": 300.0,
        "limit_s": None,
        "is_put_aside": False,
        "shelved_until": None,
        "is_one_shot": False,
        "by": None,
        "because": None,
        "parts_since": None,
    }


def cell(name: str, zones: list[Json], *, charge: str, life_used: float) -> Json:
    """A cell that runs and is well."""
    return {
        "id": name,
        "at": ago(0.4),
        "age_s": 0.4,
        "is_outdated": False,
        "word": "RUN",
        "advice": "run",
        "why": "all_well",
        "zone": "",
        "reason": "every zone is ready and in its window",
        "sentence": f"{name}: RUN: every zone is ready and in its window",
        "level": "normal",
        "ready_at": None,
        "number": {"label": "charge left", "text": "5 h 12 min"},
        "is_dispensing": True,
        "is_in_production": True,
        "parts": 1210,
        "ambient_c": 23.4,
        "idle_since": ago(12),
        "charge": {
            "id": charge,
            "state": "in_life",
            "sentence": f"{name} charge {charge}: {life_used:.0%} of its pot life used",
            "life_used": life_used,
            "is_age_known": True,
            "is_overheated": False,
            "loaded": ago(7300),
            "expires_at": ahead(18720),
            "empty_at": ahead(11000),
            "left_at_expiry": 0.0,
            "mass_kg": 0.021,
            "pot_life_s": 28800.0,
        },
        "zones": zones,
        "alarms": [],
        "judged": {
            "clear": 1180,
            "clear_with_note": 12,
            "review": 9,
            "unknown": 3,
            "quarantine": 6,
        },
        "findings": [],
    }


def normal() -> Json:
    """Two cells, all well."""
    syringe = zone("syringe", "syringe", low_c=104.0, high_c=118.0, temp_c=110.6)
    syringe["core"] = {
        "centre_c": 109.8,
        "mean_c": 110.1,
        "centre_low_c": 108.9,
        "centre_high_c": 110.2,
        "ready_c": 104.0,
        "is_soaked": True,
        "ready_at": None,
        "is_assumed": False,
    }
    lens = [syringe, zone("nozzle", "nozzle", low_c=115.0, high_c=126.0, temp_c=119.9)]
    lens[1]["tip"] = {
        "temp_c": 115.4,
        "uncertainty_k": 2.0,
        "low_c": 105.0,
        "is_measured": False,
        "sentence": "lens_4 nozzle: tip about 115 +- 2 degC (from geometry)",
    }
    housing = [
        zone("tank", "tank", low_c=105.0, high_c=120.0, temp_c=112.2),
        zone("hose", "hose", low_c=110.0, high_c=125.0, temp_c=117.8),
        zone("nozzle", "nozzle", low_c=115.0, high_c=130.0, temp_c=121.4),
    ]
    return {
        "at": ago(0),
        "started": ago(12400),
        "version": "0.1.0",
        "config_revision": "5d1c0b7a",
        "is_well": True,
        "stands_still": [],
        "speed": 1.0,
        "cells": [
            cell("lens_4", lens, charge="42", life_used=0.31),
            cell("housing_7", housing, charge="18", life_used=0.58),
        ],
        "sources": [source("lens_4_plc"), source("housing_7_plc")],
        "ledger": {
            "is_writing": True,
            "last_commit": ago(0.3),
            "pending": 0,
            "dropped": 0,
            "size_bytes": 812000,
        },
    }


def cold_nozzle(state: Json) -> Json:
    """The nozzle of the first cell has lost its heat."""
    one = state["cells"][0]
    nozzle = one["zones"][1]
    nozzle |= {"temp_c": 108.2, "position": "below", "output_percent": 100.0, "build_up_s": 21.0}
    one |= {
        "word": "HOLD",
        "advice": "hold",
        "why": "zone_cold",
        "zone": "nozzle",
        "level": "act",
        "reason": (
            "nozzle is at 108.2 degC, below its window of 115.0 to 126.0 degC; hold dispensing"
        ),
        "number": {"label": "nozzle", "text": "108.2 degC"},
        "is_dispensing": False,
    }
    one["alarms"].append(alarm("lens_4", "nozzle", "cold") | {"parts_since": 15})
    one["findings"] = [NO_HEAT | {"onset": ago(140), "told": ago(100)}]
    return state


def unseen_tank(state: Json) -> Json:
    """The tank of the second cell cannot be read any more."""
    one = state["cells"][1]
    one["zones"][0] |= {
        "temp_c": None,
        "setpoint_c": None,
        "output_percent": None,
        "quality": "missing",
        "reason": "no_answer",
        "position": "unknown",
        "phase": "unknown",
        "phase_since": ago(31),
        "last_good": ago(31),
    }
    one |= {
        "word": "CHECK DATA",
        "advice": "check_data",
        "why": "not_seen",
        "zone": "tank",
        "level": "unknown",
        "reason": (
            "tank is not seen since 14:03:11; hold dispensing and check that the cell's "
            "controller runs and that its network cable is plugged in"
        ),
        "number": {"label": "not seen for", "text": "31 s"},
    }
    one["alarms"].append(alarm("housing_7", "", "unseen", state="acknowledged"))
    return state


def trouble() -> Json:
    """Each cell has something, and one alarm is put aside."""
    state = unseen_tank(cold_nozzle(normal()))
    state["cells"][0]["alarms"].append(
        alarm("lens_4", "nozzle", "build_up", state="latched_acknowledged")
    )
    put_aside(state, alarm("housing_7", "", "pot_life"), why="new charge is on its way", for_s=1500)
    return state


def waiting() -> Json:
    """One cell soaks, the other has a charge of unknown age."""
    state = normal()
    one, other = state["cells"]
    one |= {
        "word": "WAIT",
        "advice": "wait",
        "why": "soaking",
        "zone": "syringe",
        "level": "wait",
        "reason": (
            "syringe is soaking; its wall is warm at 108.5 degC, the core about 99 of 104 degC; "
            "ready about 14:34 if the heat stays on"
        ),
        "number": {"label": "ready in", "text": "12 min"},
        "ready_at": ahead(720),
        "is_dispensing": False,
    }
    one["zones"][0] |= {"phase": "soaking", "phase_since": ago(410)}
    one["zones"][0]["core"] |= {"centre_c": 99.2, "is_soaked": False}
    other |= {
        "word": "CHANGE CHARGE",
        "advice": "change_charge",
        "why": "age_unknown",
        "level": "attention",
        "reason": "the age of charge 18 is not known; say when it was loaded, or change it",
        "number": {"label": "charge left", "text": ""},
    }
    other["charge"] |= {"life_used": None, "is_age_known": False, "state": "age_unknown"}
    other["charge"] |= {"expires_at": None, "empty_at": None}
    return state


def overheated() -> Json:
    """The nozzle of the second cell is above the material's limit."""
    state = normal()
    one = state["cells"][1]
    one["zones"][2] |= {"temp_c": 146.5, "position": "over_ceiling", "setpoint_c": 148.0}
    one |= {
        "word": "CUT HEAT",
        "advice": "cut_heat",
        "why": "over_ceiling",
        "zone": "nozzle",
        "level": "act",
        "reason": (
            "nozzle is at 146.5 degC, above the material's limit of 144.0 degC; hold dispensing, "
            "switch the heat off at the cell's own controls and keep away"
        ),
        "number": {"label": "nozzle", "text": "146.5 degC"},
    }
    one["alarms"].append(alarm("housing_7", "nozzle", "hot") | {"stage": 2})
    return state


def put_aside(state: Json, one: Json, *, why: str, for_s: float) -> None:
    """Shelve an alarm."""
    one |= {
        "state": "shelved",
        "is_put_aside": True,
        "shelved_until": ahead(for_s),
        "by": PERSON,
        "because": why,
    }
    for own in state["cells"]:
        if own["id"] == one["cell"] and one not in own["alarms"]:
            own["alarms"].append(one)


SCENES: dict[str, Callable[[], Json]] = {
    "normal": normal,
    "trouble": trouble,
    "waiting": waiting,
    "overheated": overheated,
}


class Fake:
    """The stand-in, in a thread: ``state`` is what it answers, ``said`` what it was told."""

    def __init__(self, state: Json, *, port: int = 0) -> None:
        self.state = state
        self.said: list[Json] = []
        self.is_silent = False
        """Whether its streams say nothing any more, though they stay open."""
        self.is_closed = False
        """Whether reading takes a token too, as it does from other computers."""
        self._version = 0
        self._socket = socket.create_server(("127.0.0.1", port))
        config = uvicorn.Config(
            _app(self), log_level="warning", ws="none", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, daemon=True
        )

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://127.0.0.1:{self._socket.getsockname()[1]}/"

    def __enter__(self) -> Fake:
        self._thread.start()
        while not self._server.started:
            time.sleep(LOOK_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._server.should_exit = True
        self._thread.join(10)

    def show(self, state: Json | None = None) -> None:
        """Publish a state, or the changed one."""
        self.state = state or self.state
        now = ago(0)
        self.state["at"] = now
        for one in self.state["cells"]:
            if not one["is_outdated"]:
                one["at"] = ago(one["age_s"])
        self._version += 1

    async def events(self, request: Request) -> AsyncIterator[str]:
        """The stream of one client."""
        told, beaten = -1, time.monotonic()
        while not await request.is_disconnected() and not self._server.should_exit:
            if not self.is_silent and told != self._version:
                told, beaten = self._version, time.monotonic()
                yield f"event: state\ndata: {json.dumps(self.state)}\n\n"
            elif not self.is_silent and time.monotonic() - beaten > BEAT_S:
                beaten = time.monotonic()
                yield f"event: beat\ndata: {json.dumps({'at': ago(0)})}\n\n"
            await asyncio.sleep(LOOK_S)

    def find(self, alarm_id: str) -> Json | None:
        """An alarm by its id."""
        alarms = (one for own in self.state["cells"] for one in own["alarms"])
        return next((one for one in alarms if one["id"] == alarm_id), None)

    def act(self, body: Json) -> tuple[int, Json]:
        """Do what somebody said, as far as the page must see it."""
        self.said.append(body)
        found = self.find(str(body.get("target")))
        match body.get("kind"):
            case "acknowledge" if found is None or "unack" not in found["state"]:
                return 409, {"is_taken": False, "sentence": "there is nothing to acknowledge"}
            case "acknowledge" if found is not None:
                found["state"] = found["state"].replace("unacknowledged", "acknowledged")
            case "shelve" if found is not None:
                put_aside(self.state, found, why=str(body["why"]), for_s=float(body["duration_s"]))
                found["is_one_shot"] = bool(body.get("is_one_shot"))
            case "unshelve" if found is not None:
                found |= {"state": "unacknowledged", "is_put_aside": False, "shelved_until": None}
        self.show()
        return 200, {"is_taken": True, "sentence": f"{body['target']}: {body['kind']}"}


def trend(state: Json, name: str, *, minutes: float, points: int) -> Json:
    """A made-up history that ends in the present temperatures."""
    own = next(one for one in state["cells"] if one["id"] == name)
    length_s = 60.0 * minutes
    at_s = [float(n) for n in range(0, int(length_s), max(1, int(length_s) // points))]
    zones = []
    for n, one in enumerate(own["zones"]):
        mean_c = (one["low_c"] + one["high_c"]) / 2 + 0.5 * n
        end_c = one["temp_c"]
        temp_c: list[float | None] = []
        for second in at_s:
            value = mean_c + 0.9 * sin(second / 47.0 + n) + 0.3 * sin(second / 11.0)
            share = max(0.0, 1.0 - (length_s - second) / 240.0)
            temp_c.append(value if end_c is None else value + share * (end_c - value))
        if end_c is None:
            temp_c[-8:] = [None] * 8
        zones.append(
            {
                "id": one["id"],
                "low_c": one["low_c"],
                "high_c": one["high_c"],
                "at_s": at_s,
                "temp_c": temp_c,
                "setpoint_c": [one["setpoint_c"]] * len(at_s),
                "output_percent": [
                    None if c is None else min(100.0, max(0.0, 31.0 + 20.0 * (mean_c - c)))
                    for c in temp_c
                ],
            }
        )
    beads = [(begin, begin + 9.0) for begin in range(8, int(length_s), 20)]
    return {
        "cell": name,
        "from": ago(length_s),
        "to": ago(0),
        "zones": zones,
        "dispensing": beads,
        "parts": [
            {
                "at_s": end,
                "first": 1100 + n,
                "last": 1100 + n,
                "verdict": "quarantine"
                if end > length_s - 130 and own["level"] == "act"
                else "clear",
            }
            for n, (_, end) in enumerate(beads)
        ],
        "events": [
            {
                "at_s": length_s - 1600,
                "kind": "wiped",
                "sentence": f"{name} nozzle: wiped or purged",
            },
            {
                "at_s": length_s - 900,
                "kind": "production_started",
                "sentence": f"{name}: production",
            },
        ],
    }


def suspects(cell_id: str | None) -> Json:
    """Two ranges of parts."""
    common: Json = {
        "cell": cell_id or "lens_4",
        "epoch": 0,
        "charge": "42",
        "earlier_verdict": None,
    }
    return {
        "asked_at": ago(0),
        "since": ago(28800),
        "until": ago(0),
        "cell": cell_id,
        "charge": None,
        "sentence": "18 of 1210 parts are suspect; 15 can still be reworked",
        "ranges": [
            common
            | {
                "first": 1210,
                "last": 1224,
                "count": 15,
                "verdict": "quarantine",
                "rules": [
                    {
                        "rule": "outside_window",
                        "zone": "nozzle",
                        "words": "nozzle below its window, down to 94.5 degC",
                    }
                ],
                "begun": ago(1500),
                "made": ago(1180),
                "rework_last_ends": ahead(900),
                "disposition": None,
            },
            common
            | {
                "first": 1101,
                "last": 1103,
                "count": 3,
                "verdict": "unknown",
                "rules": [{"rule": "blind", "zone": "nozzle", "words": "not seen for 41 s"}],
                "begun": ago(9000),
                "made": ago(8900),
                "rework_last_ends": None,
                "disposition": {
                    "word": "held",
                    "at": ago(8000),
                    "who": PERSON,
                    "why": "to be tested",
                },
            },
        ],
        "caution": "Hot surfaces, pressure, vapours: safety data sheet and qualified people first.",
    }


def chart_file(name: str) -> Path | None:
    """A file of the chart library as it is installed, without importing the package around it."""
    found = importlib.util.find_spec("youplot")
    folders = list(found.submodule_search_locations or ()) if found else []
    path = Path(folders[0]) / "vendor" / name if folders else None
    return path if path is not None and path.is_file() else None


def _app(fake: Fake) -> FastAPI:
    """The routes of the contract that the page uses."""
    app = FastAPI()
    app.state.fake = fake

    @app.middleware("http")
    async def strict(request: Request, call_next: Any) -> Response:
        is_api = request.url.path.startswith("/api/")
        response: Response = (
            JSONResponse({"detail": "reading takes a token"}, 401)
            if fake.is_closed and is_api and not _is_known(request)
            else await call_next(request)
        )
        response.headers.update(HEADERS)
        return response

    @app.get("/api/v1/state")
    async def state() -> Json:
        return fake.state

    @app.get("/api/v1/live")
    async def live(request: Request) -> StreamingResponse:
        return StreamingResponse(fake.events(request), media_type="text/event-stream")

    _add_questions(app)
    _add_actions(app, fake)
    app.mount("/static", StaticFiles(directory=STATIC))
    app.mount("/", StaticFiles(directory=STATIC, html=True))
    return app


def _add_questions(app: FastAPI) -> None:
    """What is asked of the record, and the chart library."""

    @app.get("/api/v1/cells/{name}/trend")
    async def trends(request: Request, name: str, minutes: float = 30.0, points: int = 400) -> Json:
        return trend(request.app.state.fake.state, name, minutes=minutes, points=points)

    @app.get("/api/v1/alarms")
    async def alarms(request: Request) -> Json:
        figures = [{"name": "alarms per hour", "value": 1.5, "target": 6.0, "is_met": True}]
        performance = {
            "since": ago(28800),
            "annunciated": 12,
            "median_s": 41.0,
            "floods": 0,
            "figures": figures,
        }
        every = [one for own in request.app.state.fake.state["cells"] for one in own["alarms"]]
        return {"alarms": every, "performance": performance}

    @app.get("/api/v1/suspects")
    async def suspect(cell: str | None = None) -> Json:
        return suspects(cell)

    @app.get("/api/v1/events")
    async def happened() -> Json:
        return {
            "events": [
                {
                    "at": ago(700),
                    "cell": "lens_4",
                    "zone": "nozzle",
                    "kind": "entered",
                    "sentence": f"lens_4 nozzle: wiped, said {PERSON}",
                    "details": {},
                }
            ]
        }

    @app.get("/static/chart/{name}")
    async def chart(name: str) -> Response:
        path = chart_file(name)
        return Response(status_code=404) if path is None else FileResponse(path)


def _add_actions(app: FastAPI, fake: Fake) -> None:
    """Who somebody is, and what they say."""

    @app.get("/api/v1/who")
    async def who(request: Request) -> Response:
        if not _is_known(request):
            return JSONResponse({"detail": "no such token"}, 401)
        return JSONResponse({"name": PERSON})

    @app.post("/api/v1/actions")
    async def act(request: Request) -> Response:
        if not _is_known(request):
            return JSONResponse({"is_taken": False, "sentence": "nobody is known by it"}, 401)
        if request.headers.get("content-type") != "application/json":
            return JSONResponse({"is_taken": False, "sentence": "expected JSON"}, 415)
        status, answer = fake.act(await request.json())
        return JSONResponse(answer, status)


def _is_known(request: Request) -> bool:
    return request.headers.get("authorization") == f"Bearer {TOKEN}"


def main() -> None:
    """Serve a scene until interrupted."""
    scene = sys.argv[1] if len(sys.argv) > 1 else "normal"
    with Fake(SCENES[scene](), port=int(sys.argv[2]) if len(sys.argv) > 2 else 0) as fake:
        print(f"{scene}: {fake.url}  (token: {TOKEN})", flush=True)
        try:
            while True:
                time.sleep(1.0)
                fake.show()
        except KeyboardInterrupt:
            pass


if __name__ == "__main__":
    main()
