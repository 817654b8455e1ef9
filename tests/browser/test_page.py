"""The page in a real browser, against a stand-in of the daemon that the tests change."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Response, expect

from browser.conftest import Seen
from browser.fake import (
    NO_HEAT,
    PERSON,
    SCENES,
    TOKEN,
    Fake,
    ago,
    ahead,
    alarm,
    cold_nozzle,
    normal,
    overheated,
    source,
    trouble,
    unseen_tank,
    waiting,
)

pytestmark = [pytest.mark.integration, pytest.mark.timeout(40)]

VIEWS = (
    "#/",
    "#/cell/lens_4",
    "#/cell/lens_4/zone/nozzle",
    "#/alarms",
    "#/alarms/aside",
    "#/suspects",
    "#/entries/charge_loaded/lens_4",
    "#/entries/check/housing_7",
)
AXE = "axe_playwright_python"
"""Of this package only the file of axe-core is used."""

LOST_S = 5.0
TOUCHED = "button, nav a, .tabs a, select, input:not([type=checkbox]), summary, .button"


def opened(page: Page, fake: Fake, view: str = "#/") -> None:
    """Show a view and wait until it stands."""
    page.goto(f"{fake.url}{view}")
    expect(page.locator("main h1")).not_to_have_text("Loading…")


def axe_core() -> str:
    """The script that checks a view for accessibility."""
    found = find_spec(AXE)
    assert found is not None
    assert found.submodule_search_locations
    return (Path(found.submodule_search_locations[0]) / "axe.min.js").read_text()


def sign_in(page: Page) -> None:
    """Give the right token where it is asked for."""
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Token").fill(TOKEN)
    dialog.get_by_role("button", name="Go on").click()
    expect(dialog).to_be_hidden()


def is_in_view(page: Page, selector: str) -> bool:
    """Whether all elements of a kind lie wholly within the window, without scrolling."""
    return bool(
        page.locator(selector).evaluate_all(
            """all => all.length > 0 && all.every(one => {
                const box = one.getBoundingClientRect();
                return box.width > 0 && box.top >= 0 && box.bottom <= innerHeight
                    && box.left >= 0 && box.right <= innerWidth;
            })"""
        )
    )


def is_too_wide(page: Page) -> bool:
    """Whether the page has to be scrolled sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth > innerWidth"))


def pixels(page: Page) -> np.ndarray[Any, np.dtype[np.float64]]:
    """The whole page as red, green, blue of 0 to 1."""
    image = Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB")
    return np.asarray(image, dtype=np.float64) / 255.0


def test_overview_word_reason_number_age(page: Page, fake: Fake) -> None:
    """Each cell shows one word, one reason, one number and the age of its data, unscrolled."""
    opened(page, fake)
    row = page.locator("[data-cell=lens_4]")
    expect(row.locator(".word")).to_have_text("RUN")
    expect(row.locator(".reason")).to_have_text("Every zone is ready and in its window")
    expect(row.locator(".figure")).to_have_text("5 h 12 min")
    expect(row.locator(".age")).to_have_text(re.compile(r"data of \d\d:\d\d:\d\d, \d+ s old"))
    expect(row.locator(".zone-number")).to_have_text(["69 % left", "110.6 °C", "119.9 °C"])
    for what in (".word", ".reason", ".figure", ".age", ".zone-number"):
        assert is_in_view(page, what), what
    assert not is_too_wide(page)


def test_local_time_with_offset(page: Page, fake: Fake) -> None:
    """The clock is in the reader's zone and says by how much that differs from UTC."""
    opened(page, fake)
    expect(page.locator("#clock")).to_have_text(re.compile(r"^\d\d:\d\d:\d\d \+0[12]:00$"))


def test_age_goes_on_without_news(page: Page, fake: Fake) -> None:
    """While nothing new comes the age of the data grows."""
    fake.state["cells"][0]["age_s"] = 7.4
    opened(page, fake)
    expect(page.locator("[data-cell=lens_4] .ago")).to_have_text(re.compile(r"(9|10) s old"))


def test_alarm_arrives_without_reload(page: Page, fake: Fake) -> None:
    """A new alarm is shown, said aloud and counted in the title, and the page is the same one."""
    opened(page, fake)
    page.evaluate("window.same = true")
    fake.show(cold_nozzle(normal()))
    row = page.locator("[data-cell=lens_4]")
    expect(row.locator(".word")).to_have_text("2HOLD")
    expect(row.locator(".alarm-title")).to_have_text("Nozzle is too cold")
    expect(row.locator(".blinks")).to_have_count(1)
    expect(page.get_by_role("alert")).to_have_text(
        "high alarm: lens_4 nozzle: Nozzle is too cold. Hold dispensing."
    )
    expect(page).to_have_title(re.compile(r"^\(1\) HOLD lens_4"))
    assert page.evaluate("window.same") is True
    assert is_in_view(page, ".alarm-line")


def test_low_alarm_is_said_politely(page: Page, fake: Fake) -> None:
    """An alarm of low priority does not interrupt a screen reader."""
    opened(page, fake)
    fake.state["cells"][0]["alarms"].append(alarm("lens_4", "", "pot_life"))
    fake.show()
    expect(page.locator("#soft")).to_contain_text("low alarm: lens_4")
    expect(page.locator("#loud")).to_be_empty()


def test_acknowledge_without_token_then_with_one(page: Page, fake: Fake, seen: Seen) -> None:
    """Without a token nothing is said to the daemon; a wrong one is refused; the right one acts."""
    seen.allowed.append("status of 401")
    fake.show(cold_nozzle(normal()))
    opened(page, fake, "#/alarms")
    page.get_by_role("button", name="Acknowledge").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_be_visible()
    assert fake.said == []
    dialog.get_by_label("Token").fill("wrong")
    dialog.get_by_role("button", name="Go on").click()
    expect(dialog.locator("output")).to_have_text("Not signed in: nobody is known by this token.")
    assert fake.said == []
    sign_in(page)
    expect(page.locator("[data-alarm]")).to_have_attribute("data-state", "acknowledged")
    expect(page.locator(".blinks")).to_have_count(0)
    expect(page.locator("#said")).to_have_text("Taken: lens_4/nozzle/cold: acknowledge")
    assert fake.said == [{"kind": "acknowledge", "target": "lens_4/nozzle/cold", "why": ""}]
    kept = page.evaluate("[localStorage.length, document.cookie, sessionStorage.length]")
    assert kept == [0, "", 1]
    page.get_by_role("button", name=f"{PERSON}: forget").click()
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()
    assert page.evaluate("sessionStorage.length") == 0


def test_refusal_is_told(page: Page, fake: Fake, seen: Seen) -> None:
    """What the core refuses is told with its reason."""
    seen.allowed.append("status of 409")
    fake.show(cold_nozzle(normal()))
    opened(page, fake, "#/alarms")
    page.get_by_role("button", name="Acknowledge").click()
    fake.state["cells"][0]["alarms"][0]["state"] = "acknowledged"  # by somebody else meanwhile
    sign_in(page)
    expect(page.locator("#said")).to_have_text("Not taken: there is nothing to acknowledge")


def test_shelve_and_unshelve(page: Page, fake: Fake) -> None:
    """An alarm is put aside with reason and time, stands on its own list, and can be taken up."""
    fake.show(cold_nozzle(normal()))
    opened(page, fake, "#/alarms")
    page.get_by_role("button", name="Put aside").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("button", name="Put aside").click()
    assert fake.said == []  # a reason is needed
    dialog.get_by_label("Reason").fill("nozzle is being changed")
    dialog.get_by_label("1 h").check()
    dialog.get_by_role("button", name="Put aside").click()
    sign_in(page)
    expect(page.get_by_text("No alarm is open.")).to_be_visible()
    assert fake.said[0] == {
        "kind": "shelve",
        "target": "lens_4/nozzle/cold",
        "why": "nozzle is being changed",
        "duration_s": 3600,
        "is_one_shot": False,
    }
    page.get_by_role("link", name="Aside (1)", exact=True).click()
    why = page.locator(".aside-why")
    expect(why).to_contain_text(f"By {PERSON}: “nozzle is being changed”; comes back in")
    expect(why).to_contain_text(re.compile(r"59 min|1 h 0 min"))
    page.get_by_role("button", name="Take up again").click()
    expect(page.get_by_text("No alarm is put aside.")).to_be_visible()
    assert fake.said[1]["kind"] == "unshelve"


def test_link_lost_and_found(page: Page, fake: Fake) -> None:
    """A connection that says nothing is told within 5 s; no old number stays, until it is back."""
    opened(page, fake)
    expect(page.locator("main")).to_contain_text("119.9")
    fake.show()
    page.evaluate(
        """() => {
            const begun = performance.now();
            new MutationObserver((_, watcher) => {
                if (!document.querySelector('.banner.is-lost')) return;
                window.lostAfter = (performance.now() - begun) / 1000;
                watcher.disconnect();
            }).observe(document.querySelector('#banners'), {childList: true, subtree: true});
        }"""
    )
    fake.is_silent = True
    banner = page.locator(".banner.is-lost")
    expect(banner).to_contain_text(re.compile(r"NO CONNECTION since \d\d:\d\d:\d\d"))
    assert page.evaluate("window.lostAfter") < LOST_S
    main = page.locator("main")
    expect(main.locator(".word").first).to_have_text("?NO CONNECTION")
    assert not re.search(r"\d+\.\d °C|5 h 12|69 %", main.inner_text())
    assert "119.9" not in page.content()
    assert main.locator(".mark, .tail, .life").count() == 0
    assert main.locator(".word").evaluate_all(
        "all => all.every(one => one.scrollWidth <= one.parentElement.clientWidth)"
    )
    for view in VIEWS[1:5]:
        page.evaluate(f"location.hash = {view!r}")
        expect(
            page.get_by_text("NOT KNOWN").or_(page.get_by_text("NO CONNECTION")).first
        ).to_be_visible()
        assert not re.search(r"1(10\.6|19\.9)", page.content()), view
    page.evaluate("location.hash = '#/'")
    fake.is_silent = False
    fake.show()
    expect(banner).to_have_count(0)
    expect(page.locator("main")).to_contain_text("119.9")


def test_a_source_that_does_not_answer_says_why(page: Page, fake: Fake) -> None:
    """State and what to look at stand on every view, until the source answers again."""
    opened(page, fake)
    lost = source(
        "housing_7_plc",
        is_up=False,
        link="not_trusted",
        diagnosis="the server's certificate is not known; ask whoever runs the controller",
    )
    fake.show(normal() | {"sources": [source("lens_4_plc"), lost]})
    banner = page.locator(".banner")
    told = (
        "Source housing_7_plc: not trusted. The server's certificate is not known; "
        "ask whoever runs the controller."
    )
    expect(banner).to_have_text(told)
    page.evaluate("location.hash = '#/alarms'")
    expect(banner).to_have_text(told)
    fake.show(normal())
    expect(banner).to_have_count(0)


def test_cause_and_evidence_stand_under_the_alarm(page: Page, fake: Fake) -> None:
    """What is likely, what to do first, what speaks for it, what else it could be; then its end."""
    opened(page, fake, "#/cell/lens_4")
    panel = page.get_by_role("region", name="cause and evidence")
    expect(panel).to_have_count(0)
    fake.show(cold_nozzle(normal()))
    expect(panel.get_by_role("heading", level=3)).to_contain_text("No heat")
    expect(panel.get_by_role("heading", level=3)).to_contain_text("nozzle, since")
    expect(panel).to_contain_text("sure to 84 %")
    expect(panel.locator(".deed")).to_have_text(NO_HEAT["first_action"])
    expect(panel).to_contain_text("the heater is at 100 % and the nozzle falls by 0.09 K/s")
    expect(panel).to_contain_text("Part of heat, 6 %")
    expect(panel).to_contain_text("only a meter at the heater tells")
    expect(panel).not_to_contain_text("speaks against it")
    over = normal()
    over["cells"][0]["findings"] = [
        NO_HEAT | {"onset": ago(940), "told": ago(900), "ended": ago(9)}
    ]
    fake.show(over)
    expect(panel.locator(".deed")).to_have_count(0)
    expect(panel.get_by_role("listitem")).to_contain_text("No heat, nozzle")


def test_an_alarm_says_what_likely_caused_it(page: Page, fake: Fake) -> None:
    """The sentence of the finding that explains it, as long as that lasts."""
    opened(page, fake, "#/alarms")
    cold = cold_nozzle(normal())
    fake.show(cold)
    likely = page.locator("[data-alarm='lens_4/nozzle/cold'] .likely")
    expect(likely).to_contain_text("Likely no power reaches its heater (84 %)")
    cold["cells"][0]["findings"][0]["ended"] = ago(3)
    fake.show(cold)
    expect(likely).to_have_count(0)


def test_a_critical_cause_has_its_own_hue(page: Page, fake: Fake) -> None:
    """Though the alarm of the limit that was passed is less; as long as the cause lasts."""
    opened(page, fake)
    block = page.locator("[data-cell=lens_4] .word-block")
    cold = cold_nozzle(normal())
    fake.show(cold)
    expect(block).to_have_class(re.compile("is-high"))
    cold["cells"][0]["findings"] = [NO_HEAT | {"severity": "critical"}]
    fake.show(cold)
    expect(block).to_have_class(re.compile("is-critical"))
    cold["cells"][0]["findings"] = [NO_HEAT | {"severity": "critical", "ended": ago(3)}]
    fake.show(cold)
    expect(block).to_have_class(re.compile("is-high"))


def test_a_zone_that_will_leave_its_window_says_when(page: Page, fake: Fake) -> None:
    """About when and beyond which edge, as long as that is so."""
    opened(page, fake)
    line = page.locator("[data-cell=lens_4] .zone-leaving")
    expect(line).to_have_count(0)
    soon = normal()
    soon["cells"][0]["zones"][1]["leaving"] = {
        "edge": "low",
        "at": ahead(40),
        "earliest": ahead(31),
        "latest": ahead(55),
        "toward_c": 24.0,
        "time_constant_s": 610.0,
    }
    fake.show(soon)
    expect(line).to_have_text(re.compile(r"^below its window at about \d\d:\d\d:\d\d, if"))
    fake.show(normal())
    expect(line).to_have_count(0)


def test_a_zone_outside_its_window_is_not_called_ready(page: Page, fake: Fake) -> None:
    """Warmed through it stays, and says so again once it is back; below, that would mislead."""
    opened(page, fake)
    zone = page.locator("[data-cell=lens_4] [data-key=zone-nozzle]")
    expect(zone.locator(".zone-phase")).to_contain_text("ready")
    cold = normal()
    cold["cells"][0]["zones"][1] |= {"temp_c": 108.0, "position": "below"}
    fake.show(cold)
    expect(zone.locator(".zone-number")).to_contain_text("108.0")
    expect(zone).not_to_contain_text("ready")
    fake.show(normal())
    expect(zone.locator(".zone-phase")).to_contain_text("ready")


def test_unknown_zone_is_hatched_without_number(page: Page, fake: Fake) -> None:
    """A zone that is not seen is hatched, with a word and no number; its neighbour has its own."""
    opened(page, fake)
    fake.show(unseen_tank(normal()))
    tank, hose = (
        page.locator(f"[data-cell=housing_7] [data-key=zone-{name}]") for name in ("tank", "hose")
    )
    expect(tank.locator(".zone-number")).to_have_text("NOT SEEN")
    expect(tank.locator("rect.unseen")).to_have_attribute("fill", re.compile("url"))
    expect(tank.locator(".mark, .tail")).to_have_count(0)
    expect(hose.locator(".mark")).to_have_count(1)
    assert "112.2" not in page.locator("main").inner_html()
    assert "hatched" in (tank.locator(".zone-number").get_attribute("class") or "")


def test_outdated_cell_shows_no_number(page: Page, fake: Fake) -> None:
    """Of a cell of which nothing new has come no figure is shown, though the answer has some."""
    fake.state["cells"][0] |= {
        "is_outdated": True,
        "word": "CHECK DATA",
        "level": "unknown",
        "age_s": 61.0,
        "reason": "nothing new since 14:02:11; hold dispensing",
    }
    opened(page, fake)
    row = page.locator("[data-cell=lens_4]")
    expect(row.locator(".word")).to_have_text("?CHECK DATA")
    expect(row.locator(".ago")).to_have_text(re.compile("1 min"))
    assert not re.search(r"119\.9|110\.6|5 h 12|69 %", row.inner_html())


def test_trend_is_drawn(page: Page, fake: Fake, seen: Seen) -> None:
    """The chart library is loaded only with a trend; each zone has a strip with something in it."""
    opened(page, fake)
    assert not [url for url in seen.asked if "chart/" in url or "trend.js" in url]
    page.get_by_role("link", name="lens_4").click()
    strips = page.locator("figure canvas")
    expect(strips).to_have_count(2)
    expect(page.locator("figcaption").nth(1)).to_contain_text("nozzle: lowest")
    assert [url for url in seen.asked if "chart/" in url]
    for canvas in strips.all():
        dark = canvas.evaluate(
            """one => {
                const {data} = one.getContext('2d').getImageData(0, 0, one.width, one.height);
                const columns = new Set();
                for (let n = 0; n < data.length; n += 4) {
                    if (data[n] < 60 && data[n + 3] > 200) columns.add((n / 4) % one.width);
                }
                return columns.size / one.width;
            }"""
        )
        assert dark > 0.8  # the temperature's line goes through nearly every column


def test_trend_hatched_where_not_seen_and_gone_with_the_link(page: Page, fake: Fake) -> None:
    """A gap is told beside its strip, and no strip outlives the connection."""
    fake.show(unseen_tank(normal()))
    opened(page, fake, "#/cell/housing_7")
    expect(page.locator("figcaption").first).to_contain_text("not seen for about")
    fake.is_silent = True
    expect(page.locator(".trend-box")).to_contain_text("NOT KNOWN")
    expect(page.locator("figure canvas")).to_have_count(0)


def test_keyboard_alone(page: Page, fake: Fake) -> None:
    """From the overview to an acknowledged alarm, and back from a dialog, without a pointer."""
    fake.show(cold_nozzle(normal()))
    opened(page, fake)

    def tab_to(text: str) -> None:
        for _ in range(40):
            page.keyboard.press("Tab")
            focused = page.evaluate(
                """(({activeElement: one}) =>
                    one.getAttribute('aria-label') ?? one.textContent)(document)"""
            )
            if focused.strip().startswith(text):
                return
        pytest.fail(f"{text} is not reached by Tab")

    tab_to("To the content")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    tab_to("lens_4")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_be_focused()
    tab_to("Acknowledge")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Token")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_be_hidden()
    assert fake.said == []
    assert page.evaluate("document.activeElement.dataset.do") == "acknowledge"
    page.keyboard.press("Enter")
    page.keyboard.type(TOKEN)
    page.keyboard.press("Enter")
    expect(page.locator("[data-alarm]")).to_have_attribute("data-state", "acknowledged")


def test_focus_stays_when_the_alarm_above_goes(page: Page, fake: Fake) -> None:
    """An alarm that goes takes the focus only with it, not from the one below."""
    alarms = fake.state["cells"][0]["alarms"]
    alarms += [alarm("lens_4", "nozzle", kind, state="acknowledged") for kind in ("hot", "cold")]
    opened(page, fake, "#/alarms")
    button = page.locator("[data-alarm='lens_4/nozzle/cold'] button")
    button.focus()
    del alarms[0]
    fake.show()
    expect(page.locator("[data-alarm]")).to_have_count(1)
    expect(button).to_be_focused()


def test_focus_and_typing_survive_news(page: Page, fake: Fake) -> None:
    """What somebody is typing stays, whatever arrives meanwhile."""
    opened(page, fake, "#/entries/note/housing_7")
    field = page.get_by_label("Note (needed)")
    field.fill("hose was moved")
    fake.show(cold_nozzle(normal()))
    expect(page.locator("nav .count")).to_contain_text("1")
    expect(field).to_have_value("hose was moved")
    expect(field).to_be_focused()


@pytest.mark.parametrize(
    ("view", "filled", "said"),
    [
        (
            "#/entries/wiped/lens_4",
            {},
            {"kind": "wiped", "target": "lens_4", "why": ""},
        ),
        (
            "#/entries/check/housing_7",
            {"Reference says": "118.2", "Zone says": "117.8"},
            {
                "kind": "check",
                "target": "housing_7/tank",
                "why": "",
                "check": {"true_c": 118.2, "read_c": 117.8},
            },
        ),
        (
            "#/entries/charge_loaded/lens_4",
            {"Charge (needed)": "43", "Mass": "33", "Warmed before at": "100", "for [min]": "20"},
            {
                "kind": "charge_loaded",
                "target": "lens_4",
                "why": "",
                "subject": "43",
                "loading": {
                    "preheat_c": 100,
                    "preheat_s": 1200,
                    "mass_kg": 0.033,
                },
            },
        ),
        (
            "#/entries/disposition/lens_4/1210-1224",
            {"Reason": "beads were looked at"},
            {
                "kind": "disposition",
                "target": "lens_4",
                "why": "beads were looked at",
                "subject": "1210-1224",
                "word": "held",
            },
        ),
    ],
)
def test_entries_say_what_was_filled_in(
    page: Page, fake: Fake, view: str, filled: dict[str, str], said: dict[str, object]
) -> None:
    """Each form sends what its fields say, and tells what became of it."""
    opened(page, fake, view)
    form = page.locator("form[data-form]")
    for label, value in filled.items():
        form.get_by_label(label, exact=False).fill(value)
    form.get_by_role("button", name="Enter").click()
    sign_in(page)
    expect(form.locator("output")).to_have_text(f"Taken: {said['target']}: {said['kind']}")
    assert fake.said == [said]


def test_pause_holds_the_view_and_says_so(page: Page, fake: Fake) -> None:
    """Paused, the view stands still under a banner that counts what is new, until it is resumed."""
    opened(page, fake)
    page.get_by_role("button", name="Pause").click()
    banner = page.locator(".banner.is-paused")
    expect(banner).to_contain_text("what you see is not live")
    fake.show(cold_nozzle(normal()))
    expect(banner).to_contain_text("1 new alarm since")
    expect(page.locator("[data-cell=lens_4] .word")).to_have_text("RUN")
    page.get_by_role("button", name="Resume").click()
    expect(page.locator("[data-cell=lens_4] .word")).to_have_text("2HOLD")
    expect(banner).to_have_count(0)


def test_list_keeps_its_order_under_the_pointer(page: Page, fake: Fake) -> None:
    """While somebody points at the list a worse alarm comes below, and moves up afterwards."""
    state = normal()
    state["cells"][0]["alarms"].append(alarm("lens_4", "", "pot_life"))
    fake.show(state)
    opened(page, fake, "#/alarms")
    page.get_by_role("button", name="Acknowledge").hover()
    state["cells"][1]["alarms"].append(alarm("housing_7", "nozzle", "hot"))
    fake.show()
    cards = page.locator("[data-alarm]")
    expect(cards).to_have_count(2)
    expect(cards.nth(1)).to_have_attribute("data-alarm", "housing_7/nozzle/hot")
    page.mouse.move(2, 2)
    expect(cards.nth(0)).to_have_attribute("data-alarm", "housing_7/nozzle/hot")


def test_reading_from_afar_takes_a_token(page: Page, fake: Fake, seen: Seen) -> None:
    """Where reading takes a token the page asks for it, and shows the cells once it has it."""
    seen.allowed.append("status of 401")
    fake.is_closed = True
    page.goto(fake.url)
    page.locator("main").get_by_role("button", name="Sign in").click()
    sign_in(page)
    expect(page.locator("[data-cell=lens_4] .word")).to_have_text("RUN")


def test_text_from_the_wire_is_no_markup(page: Page, fake: Fake) -> None:
    """What looks like markup is shown as it is written."""
    evil = "<img src=x onerror=alert(1)>"
    fake.state["cells"][0] |= {"reason": evil, "number": {"label": evil, "text": evil}}
    fake.state["cells"][0]["alarms"].append(alarm("lens_4", "", "pot_life") | {"title": evil})
    opened(page, fake)
    expect(page.locator(".reason").first).to_have_text(evil)
    assert page.locator("main img").count() == 0


def test_priorities_differ_by_shape_and_word(page: Page, fake: Fake) -> None:
    """Without any colour each priority has its own outline, number and word."""
    kinds = ("hot", "cold", "build_up", "pot_life")
    fake.state["cells"][0]["alarms"] += [alarm("lens_4", "nozzle", kind) for kind in kinds]
    opened(page, fake, "#/alarms")
    box = page.locator(".alarm-sign-box")
    expect(box).to_have_count(4)
    outlines = box.locator("path:first-child").evaluate_all(
        "all => all.map(one => one.getAttribute('d'))"
    )
    assert len(set(outlines)) == 4
    assert box.locator("text").all_text_contents() == ["1", "2", "3", "4"]
    assert box.locator(".priority-word").all_inner_texts() == ["CRITICAL", "HIGH", "MEDIUM", "LOW"]


@pytest.mark.parametrize(
    ("scene", "scheme", "views"),
    [("trouble", "light", VIEWS), ("trouble", "dark", VIEWS[1:2]), ("normal", "light", VIEWS[:1])],
)
def test_axe_finds_nothing(
    browser: Browser, fake: Fake, scene: str, scheme: Any, views: tuple[str, ...]
) -> None:
    """The accessibility check of axe-core has nothing to say against any view."""
    fake.show(SCENES[scene]())
    context = browser.new_context(
        viewport={"width": 1280, "height": 720}, color_scheme=scheme, reduced_motion="reduce"
    )
    page = context.new_page()
    found = []
    for view in views:
        opened(page, fake, view)
        page.evaluate(axe_core())
        result = page.evaluate("axe.run({resultTypes: ['violations']})")
        found += [
            (view, one["id"], node["html"][:120], node["failureSummary"])
            for one in result["violations"]
            for node in one["nodes"]
        ]
    context.close()
    assert found == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_normal_is_grey(browser: Browser, fake: Fake, scheme: Any) -> None:
    """With all normal no pixel of any view is more saturated than 0.25."""
    context = browser.new_context(viewport={"width": 1280, "height": 720}, color_scheme=scheme)
    page = context.new_page()
    for view in VIEWS if scheme == "light" else VIEWS[:2]:
        opened(page, fake, view)
        if "cell" in view and "zone" not in view:
            expect(page.locator("figure canvas")).to_have_count(2)
        red_green_blue = pixels(page)
        most, least = red_green_blue.max(axis=2), red_green_blue.min(axis=2)
        saturation = np.where(most > 0, (most - least) / np.where(most > 0, most, 1.0), 0.0)
        # Of a pixel that is nearly black the ratio says nothing: one step of 255 is much of it.
        assert saturation[most > 0.1].max() <= 0.25, view
        assert (most - least)[most <= 0.1].max(initial=0.0) <= 0.02, view
    context.close()


def test_trouble_is_not_grey(page: Page, fake: Fake) -> None:
    """The same measure finds the colour of an alarm: it can fail."""
    fake.show(trouble())
    opened(page, fake)
    shown = pixels(page)
    assert (shown.max(axis=2) - shown.min(axis=2)).max() > 0.5


def test_first_view_is_light(page: Page, fake: Fake) -> None:
    """All that the first view loads is less than 100 kB, history and state included."""
    answers: list[Response] = []

    def keep(answer: Response) -> None:
        answers.append(answer)

    page.on("response", keep)
    with page.expect_response(re.compile("housing_7/trend")):
        opened(page, fake)
    page.wait_for_load_state("load")
    sizes = {one.url: len(one.body()) for one in answers if "/live" not in one.url}
    assert len(sizes) > 10
    assert sum(sizes.values()) + len(json.dumps(fake.state)) < 100_000


@pytest.mark.parametrize("scene", [trouble, waiting, overheated])
def test_alarm_text_needs_no_scrolling(
    page: Page, fake: Fake, scene: Callable[[], dict[str, Any]]
) -> None:
    """At 1280 x 720 words, reasons and alarms stand in the first window of overview and cell."""
    fake.show(scene())
    opened(page, fake)
    assert is_in_view(page, ".word")
    assert is_in_view(page, ".reason")
    if scene is not waiting:
        assert is_in_view(page, ".alarm-line")
        name = "lens_4" if scene is trouble else "housing_7"
        opened(page, fake, f"#/cell/{name}")
        page.reload()
        expect(page.locator("h1")).to_have_text(name)
        assert is_in_view(page, ".alarm .response")
        assert is_in_view(page, ".alarm button")


def test_phone(page: Page, fake: Fake) -> None:
    """On a phone nothing goes beyond its width, and what is touched is at least 48 px high."""
    page.set_viewport_size({"width": 390, "height": 844})
    fake.show(trouble())
    for view in VIEWS:
        opened(page, fake, view)
        assert not is_too_wide(page), view
        heights = page.locator(TOUCHED).evaluate_all(
            """all => all.filter(one => one.offsetParent)
                .map(one => [one.getBoundingClientRect().height, one.textContent])"""
        )
        assert [one for one in heights if one[0] < 48.0] == [], view


def test_wall_words_are_large(page: Page, fake: Fake) -> None:
    """At 1920 x 1080 the words are at least 60 px high: 15 mm on 500 mm of screen height, for 3 m.

    A character of 1/200 of the distance is common practice, no source.
    """
    page.set_viewport_size({"width": 1920, "height": 1080})
    fake.show(trouble())
    opened(page, fake)
    sizes = page.locator(".word").evaluate_all(
        "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))"
    )
    capital_share = 0.73  # of the font size, of the sans serif that Debian installs
    assert min(sizes) * capital_share > 15 / 500 * 1080
    assert is_in_view(page, ".word")


def test_reduced_motion_does_not_blink(browser: Browser, fake: Fake) -> None:
    """Who wants no motion gets none; the word beside the sign says the same."""
    fake.show(cold_nozzle(normal()))
    names = {}
    for wish in ("reduce", "no-preference"):
        context = browser.new_context(reduced_motion=wish)
        page = context.new_page()
        opened(page, fake)
        names[wish] = page.locator(".blinks .sign").evaluate(
            "one => getComputedStyle(one).animationName"
        )
        expect(page.locator(".alarm-line")).to_contain_text("not acknowledged")
        context.close()
    assert names == {"reduce": "none", "no-preference": "blink"}
