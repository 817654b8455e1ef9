// One zone: its limits, where its time went, what speaks for and against it, the raw reading.

import { alarmCard, notKnown } from "./alarms.js";
import { missing } from "./cell.js";
import { h, s } from "./dom.js";
import { ageOf } from "./overview.js";
import { coreOf, pair, placeOf, whyUnseen, zoneFigure } from "./slot.js";
import { capital, clock, degrees, duration, is, spaced, told } from "./words.js";

export function view(state, { tails, route, isLost }) {
  const cell = state.cells.find(({ id }) => id === route[1]);
  const zone = cell?.zones.find(({ id }) => id === route[3]);
  if (!zone) return missing(`There is no zone ${route[3]} in ${route[1]}.`);
  const alarms = cell.alarms.filter((alarm) => alarm.zone === zone.id || (!alarm.zone && alarm.kind === "unseen"));
  return [
    h("div", { class: "view-head" },
      h("p", { class: "crumbs" }, h("a", { href: `#/cell/${encodeURIComponent(cell.id)}` }, cell.id)),
      h("h1", { tabindex: -1 }, capital(spaced(zone.id))),
      h("p", { class: "tabs" }, cell.zones.map((other) =>
        h("a", { href: `#/cell/${encodeURIComponent(cell.id)}/zone/${encodeURIComponent(other.id)}`,
          "aria-current": other.id === zone.id && "page" }, spaced(other.id)))),
      ageOf(cell)),
    h("section", { class: "cell-alarms", "aria-label": "alarms of this zone" },
      isLost ? notKnown() : alarms.map((alarm) => alarmCard(alarm, state.now))),
    h("div", { class: "zone-top" },
      zoneFigure(cell, zone, tails, state.now),
      h("section", { class: "panel" }, h("h2", {}, "Reading and limits"), limits(zone))),
    h("div", { class: "columns is-zone" },
      h("section", { class: "panel" }, h("h2", {}, "Where the time went"), exposure(zone)),
      h("section", { class: "panel" }, h("h2", {}, "Wear"), wear(zone)),
      h("section", { class: "panel" }, h("h2", {}, "Evidence"), evidence(cell, zone)),
      h("section", { class: "panel" }, h("h2", {}, "Raw reading"), raw(zone))),
  ];
}

const unknown = () => h("p", { class: "is-unknown hatched" }, h("span", { class: "chip" }, "NOT KNOWN"));

const limits = (zone) =>
  h("dl", { class: "figures" },
    pair("temperature", is(zone.temp_c) ? `${degrees(zone.temp_c)}, ${placeOf(zone)}` : "not seen"),
    pair("setpoint", degrees(zone.setpoint_c)),
    pair("heater output", is(zone.output_percent) ? `${Math.round(zone.output_percent)} %` : "not known"),
    pair("window", `${degrees(zone.low_c)} to ${degrees(zone.high_c)}`),
    pair("limit of the material", degrees(zone.ceiling_c)),
    is(zone.transport_delay_s) && pair("melt takes through it", duration(zone.transport_delay_s)));

function exposure(zone) {
  const told = zone.exposure;
  if (!told) return unknown();
  const rows = [
    ["below the window", told.below_s, is(told.under_ks) ? `${told.under_ks.toFixed(0)} K s` : ""],
    ["inside", told.inside_s, ""],
    ["above", told.above_s, is(told.over_ks) ? `${told.over_ks.toFixed(0)} K s` : ""],
    ["not seen", told.blind_s, ""],
  ];
  return [
    h("table", {},
      h("thead", {}, h("tr", {}, ["", "time", "distance × time"].map((name) => h("th", { scope: "col" }, name || "where")))),
      h("tbody", {}, rows.map(([name, seconds, integral]) =>
        h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, duration(seconds)), h("td", {}, integral))))),
    h("p", { class: "quiet" }, `Seen: ${(Math.floor(1000 * told.coverage) / 10).toFixed(1)} % of all time since the account began.`),
  ];
}

function wear(zone) {
  if (zone.is_hidden) return unknown();
  return [
    index("build-up on the nozzle", zone.build_up_s, zone.build_up_limit_s),
    index("degradation by heat", zone.degradation_s, zone.degradation_limit_s),
  ];
}

function index(name, value, limit) {
  if (!is(value) || (!is(limit) && value === 0)) return false;
  const title = is(limit) ? `${duration(value)} of ${duration(limit)}` : `${duration(value)}, no limit set`;
  return h("div", { class: "index", "data-key": name },
    h("p", {}, `${capital(name)}: ${title}`),
    is(limit) && s("svg", { class: "bar", viewBox: "0 0 300 16", preserveAspectRatio: "none", role: "img", "aria-label": `${name}: ${title}` },
      s("rect", { class: "whole", x: 1, y: 1, width: 298, height: 14 }),
      s("rect", { class: "used", x: 1, y: 4, width: 298 * Math.min(1, value / limit), height: 8 })));
}

function evidence(cell, zone) {
  if (zone.is_hidden) return unknown();
  const { tip, core } = zone;
  return [
    h("dl", { class: "figures" },
      pair("phase", spaced(zone.phase)),
      pair("since", clock(zone.phase_since)),
      core && pair("core of the charge", coreOf(core)),
      core && is(core.centre_low_c) && pair("core, slowest to fastest", `${core.centre_low_c.toFixed(0)} to ${core.centre_high_c.toFixed(0)} °C`)),
    tip?.sentence && h("p", {}, capital(told(tip.sentence.replace(`${cell.id} `, "")))),
    core?.is_assumed && h("p", {}, "How the charge began is assumed: nobody said it."),
    !tip && !core && h("p", { class: "quiet" }, "Nothing is estimated of this zone; the reading is all there is."),
  ];
}

const raw = (zone) => [
  h("dl", { class: "figures" },
    pair("quality", spaced(zone.quality)),
    pair("reason", whyUnseen(zone) === "not known" && zone.quality === "good" ? "none" : whyUnseen(zone)),
    pair("code of the device", zone.status || "none"),
    pair("last good reading", zone.last_good ? clock(zone.last_good) : "never")),
  zone.readings && h("p", { class: "quiet" }, "Readings: ",
    Object.entries(zone.readings).map(([quality, count]) => `${count} ${spaced(quality)}`).join(", ")),
];
