"""What the daemon serves from memory: advice, metrics, health, state, alarms."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fastapi import Response

from outputs import samples
from outputs.web.asking import (
    Heard,
    ScriptedMetrics,
    at,
    get,
    make_app,
    make_cell,
    make_newest,
    make_snapshot,
)
from outputs.web.test_record import Scripted
from watchedpot.outputs.web import app as app_module
from watchedpot.outputs.web import live
from watchedpot.outputs.web.app import create_app


class BrokenMetrics:
    """Encoder that cannot."""

    def encode(self, accept: str) -> tuple[bytes, str]:
        """Raise with a text that must stay inside."""
        raise RuntimeError(f"secret of {accept}")


@pytest.fixture
def no_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """A daemon without the files of its page."""
    monkeypatch.setattr(app_module, "has_page", lambda: False)


async def test_health_is_200_or_503() -> None:
    """The status says whether the daemon is well, the body what stands still."""
    well = await get(make_app(), "/healthz")
    assert (well.status_code, well.json()) == (200, {"is_healthy": True, "stands_still": []})
    stuck = await get(make_app(now=at(3629.6)), "/healthz")
    assert stuck.status_code == 503
    found = [each["what"] for each in stuck.json()["stands_still"]]
    assert found == ["polls of lens_4", "polls of housing_7", "commit"]


async def test_a_silent_device_is_not_an_unhealthy_daemon() -> None:
    """Rows that say that nothing was read are rows: the daemon lives as long as they come."""
    cells = (replace(make_cell("lens_4", newest_s=3599.9), is_dispensing=None),)
    answer = await get(make_app(replace(make_snapshot(), cells=cells, sources=())), "/healthz")
    assert answer.status_code == 200


@pytest.mark.usefixtures("no_page")
async def test_without_a_page_there_is_one_that_links_and_cautions() -> None:
    """It names the cells and the metrics, and says that this is not a safety device."""
    answer = await get(make_app(), "/")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert 'href="/metrics"' in answer.text
    assert 'href="/advice"' in answer.text
    assert "lens_4, housing_7" in answer.text
    assert "not a safety device" in answer.text
    assert "0.1.0&lt;b&gt;" in answer.text
    assert "style-src 'sha256-" in answer.headers["content-security-policy"]


async def test_the_advice_is_plain_text_for_each_cell() -> None:
    """What to do, the charge and each tip stand on a line of their own, then what this is not."""
    whole = replace(samples.make_cell(), at=at(3599.5))
    snapshot = replace(make_snapshot(), cells=(whole, make_snapshot().cells[1]))
    answer = await get(make_app(snapshot), "/advice")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    first, second, closing = answer.text.split("\n\n")
    assert first.splitlines() == [
        "lens_4: RUN: every zone is ready and in its window",
        "lens_4 charge charge_0042: 35 % of its pot life used; at this temperature expires about "
        "15:31; empty about 16:46 at the mean use; so about 34 % would be left",
        "lens_4 nozzle: tip about 110 +- 1 degC (from geometry)",
    ]
    assert second.startswith("housing_7: RUN: ")
    assert "not a safety device" in closing
    assert '"about" is an estimate' in closing


async def test_an_advice_of_the_past_is_not_shown() -> None:
    """A cell of which nothing new came within ten seconds is to be checked, the other goes on."""
    snapshot = replace(
        make_snapshot(),
        cells=(make_cell("lens_4", newest_s=3590.0), make_cell("housing_7", newest_s=3590.1)),
    )
    first, second, _ = (await get(make_app(snapshot, now=at(3600.05)), "/advice")).text.split(
        "\n\n"
    )
    assert first == (
        "lens_4: CHECK DATA: nothing new since 13:26:30; hold dispensing and check that this "
        "program and the cell's controller run"
    )
    assert second.startswith("housing_7: RUN: ")


async def test_a_cell_that_is_not_known_yet_is_told() -> None:
    """A configured cell without a snapshot has a line that says so."""
    snapshot = replace(make_snapshot(), cells=(make_cell("lens_4", newest_s=3599.9),))
    app = make_app(snapshot, cells=("lens_4", "housing_7"))
    for _ in range(2):
        first, second, _closing = (await get(app, "/advice")).text.split("\n\n")
        assert first == "housing_7: CHECK DATA: nothing is known of it yet; hold dispensing"
        assert second.startswith("lens_4: RUN: ")


async def test_without_any_cell_nothing_is_known() -> None:
    """An empty page would look like all was well."""
    answer = await get(make_app(replace(make_snapshot(), cells=())), "/advice")
    assert answer.text.startswith("Nothing is known of any cell.\n\n")


async def test_the_advice_is_part_of_the_interface() -> None:
    """The description of the interface says that it is plain text."""
    described = (await get(make_app(), "/openapi.json")).json()["paths"]["/advice"]["get"]
    assert list(described["responses"]["200"]["content"]) == ["text/plain"]
    assert described["description"].startswith("What to do with each cell now")


async def test_metrics_are_encoded_as_asked() -> None:
    """The Accept header goes to the encoder, its content type comes back as it is."""
    answer = await get(make_app(), "/metrics", {"accept": "application/openmetrics-text"})
    assert answer.text == "asked for application/openmetrics-text\n"
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"


@pytest.mark.parametrize(
    "path", ["/", "/advice", "/metrics", "/healthz", "/openapi.json", "/nothing_here"]
)
async def test_every_answer_has_the_strict_headers(path: str) -> None:
    """No sniffing, no keeping, nothing loaded from elsewhere, no other site may read it."""
    answer = await get(make_app(), path, {"origin": "http://elsewhere.example"})
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert not [name for name in answer.headers if name.startswith("access-control-")]


async def test_an_answer_may_carry_its_own_caching() -> None:
    """A strict header never stands twice."""
    app = make_app()

    @app.get("/picture")
    async def picture() -> Response:
        return Response(b"", headers={"Cache-Control": "max-age=60"})

    answer = await get(app, "/picture")
    assert answer.headers.get_list("cache-control") == ["max-age=60"]


async def test_pages_that_load_code_from_the_internet_are_off() -> None:
    """The description of the interface stays; the pages around it do not exist."""
    assert (await get(make_app(), "/openapi.json")).json()["info"]["title"] == "Watched Pot"
    for path in ("/docs", "/redoc", "/docs/oauth2-redirect"):
        assert (await get(make_app(), path)).status_code == 404


async def test_an_error_inside_stays_inside() -> None:
    """An answer to a fault of ours carries no text of it, and still the strict headers."""
    app = make_app(metrics=BrokenMetrics())
    answer = await get(app, "/metrics", {"accept": "nothing"})
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


async def test_the_state_is_json_and_the_same_for_all_who_ask() -> None:
    """Rendered once for a snapshot."""
    whole = replace(samples.make_cell(), at=at(3599.5))
    app = make_app(replace(make_snapshot(), cells=(whole,)), speed=30.0)
    first, second = await get(app, "/api/v1/state"), await get(app, "/api/v1/state")
    assert first.headers["content-type"] == "application/json"
    assert first.text == second.text
    assert first.json()["cells"][0]["alarms"][0]["title"] == "nozzle is too cold"
    assert first.json()["speed"] == 30.0


async def test_all_alarms_are_told_the_normal_ones_too() -> None:
    """Without a record there are no figures."""
    whole = replace(samples.make_cell(), at=at(3599.5))
    answer = (
        await get(make_app(replace(make_snapshot(), cells=(whole,))), "/api/v1/alarms")
    ).json()
    assert [(one["id"], one["state"]) for one in answer["alarms"]] == [
        ("lens_4/nozzle/cold", "unacknowledged"),
        ("lens_4/unseen", "normal"),
    ]
    assert answer["performance"] is None


async def test_more_than_may_listen_are_told_to_come_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """503 with a time to wait; everything else goes on."""
    monkeypatch.setattr(live, "MAX_LISTENERS", 0)
    app = make_app()
    answer = await get(app, "/api/v1/live")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    assert (await get(app, "/api/v1/state")).status_code == 200


async def test_what_is_published_is_shown_and_counted_from() -> None:
    """The next answer is of the new snapshot."""
    newest = make_newest(cells=("lens_4",))
    app = create_app(newest, ScriptedMetrics())
    assert (await get(app, "/api/v1/state")).json()["cells"][0]["parts"] is None
    cell = replace(make_snapshot().cells[0], parts=41_879)
    newest.publish(replace(make_snapshot(), cells=(cell,)))
    assert (await get(app, "/api/v1/state")).json()["cells"][0]["parts"] == 41_879


async def test_the_description_names_every_path_with_what_it_answers() -> None:
    """Each success has a model with named properties, or says that it is text."""
    app = make_app(enter=Heard(), record=Scripted())
    described = (await get(app, "/openapi.json")).json()
    assert set(described["paths"]) == {
        "/advice",
        "/metrics",
        "/healthz",
        "/api/v1/state",
        "/api/v1/live",
        "/api/v1/alarms",
        "/api/v1/cells/{cell}/trend",
        "/api/v1/cells/{cell}/parts",
        "/api/v1/suspects",
        "/api/v1/events",
        "/api/v1/actions",
        "/api/v1/who",
    }
    models = described["components"]["schemas"]
    for path, methods in described["paths"].items():
        for what in methods.values():
            if path.startswith("/api") and not path.endswith("/live"):
                answer = what["responses"]["200"]["content"]["application/json"]
                name = answer["schema"]["$ref"].rpartition("/")[2]
                assert models[name]["properties"]
            assert what["description"]
    assert described["paths"]["/api/v1/actions"]["post"]["security"]
