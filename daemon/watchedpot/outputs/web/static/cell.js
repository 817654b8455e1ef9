// One cell: its alarms, its line in the order of flow, its charge and timers, its last half hour.

import { alarmCard, notKnown } from "./alarms.js";
import { h } from "./dom.js";
import { findings } from "./findings.js";
import { ageOf, numberOf, open, reasonOf, wordBlock } from "./overview.js";
import { cellLine, coreOf, pair } from "./slot.js";
import { capital, clock, degrees, duration, moment, plural, since, told } from "./words.js";

export function view(state, { tails, route, isLost }) {
  const cell = state.cells.find(({ id }) => id === route[1]);
  if (!cell) return missing(`There is no cell ${route[1]}.`);
  const alarms = open(cell);
  const aside = cell.alarms.length - alarms.length;
  return [
    h("div", { class: `cell-head is-${cell.level}` },
      wordBlock(cell, h("h1", { tabindex: -1 }, cell.id)),
      h("div", { class: "why" }, reasonOf(cell)),
      h("div", { class: "number-block" }, numberOf(cell), ageOf(cell))),
    h("section", { class: "cell-alarms", "aria-label": "alarms of this cell" },
      isLost
        ? notKnown()
        : alarms.map((alarm) => alarmCard(alarm, state.now, { isWhole: alarms.length === 1 })),
      aside > 0 && h("p", {}, h("a", { href: "#/alarms/aside" }, `${plural(aside, "alarm")} put aside`))),
    !isLost && findings(cell, state.now),
    h("section", { "aria-label": "zones in the order of flow" },
      cellLine(cell, tails, state.now, { details: true })),
    h("div", { class: "columns" },
      h("section", { class: "panel" }, h("h2", {}, "Charge"), charge(cell, state.now)),
      h("section", { class: "panel" }, h("h2", {}, "Soak, idle, parts"), timers(cell, state.now))),
    h("section", { class: "panel trend", "aria-label": "last 30 minutes" },
      h("h2", {}, "Last 30 minutes"),
      h("div", { class: "trend-box", "data-own": true, "data-trend": cell.id, "data-key": `trend ${cell.id}` })),
  ];
}

export const missing = (text) => [h("h1", { tabindex: -1 }, "Not here"), h("p", { class: "empty" }, text)];

function charge(cell, now) {
  const { charge: one } = cell;
  if (cell.is_hidden) return h("p", { class: "is-unknown hatched" }, h("span", { class: "chip" }, "NOT KNOWN"));
  const lost = one.left_at_expiry;
  return [
    h("p", {}, capital(told(one.sentence.replace(`${cell.id} `, "")))),
    h("dl", { class: "figures" },
      pair("loaded", one.loaded ? moment(one.loaded, now) : "not known"),
      pair("expires", one.expires_at ? moment(one.expires_at, now) : "not known"),
      pair("empty", one.empty_at ? `about ${moment(one.empty_at, now)}` : "not known"),
      lost > 0 && pair("left over when it expires", `${Math.round(100 * lost)} %`)),
    h("p", {}, h("a", { class: "button", href: `#/entries/charge_loaded/${encodeURIComponent(cell.id)}` }, "Charge loaded…")),
  ];
}

function timers(cell, now) {
  if (cell.is_hidden) return h("p", { class: "is-unknown hatched" }, h("span", { class: "chip" }, "NOT KNOWN"));
  const soaking = cell.zones.filter((zone) => zone.core);
  const judged = cell.judged ?? {};
  const suspect = (judged.review ?? 0) + (judged.unknown ?? 0) + (judged.quarantine ?? 0);
  return [
    h("dl", { class: "figures" },
      soaking.map((zone) => pair(`core of ${zone.id}`, coreOf(zone.core))),
      cell.ready_at && pair("ready", `about ${moment(cell.ready_at, now)}`),
      pair("melt last flowed", cell.is_dispensing ? "now" : cell.idle_since
        ? `${duration(since(cell.idle_since, now))} ago, ${clock(cell.idle_since)}` : "not known"),
      pair("room", degrees(cell.ambient_c)),
      pair("parts judged", `${(judged.clear ?? 0) + (judged.clear_with_note ?? 0)} clear, ${suspect} suspect`)),
    h("p", {},
      h("a", { class: "button", href: `#/entries/wiped/${encodeURIComponent(cell.id)}` }, "Nozzle wiped…"), " ",
      h("a", { class: "button", href: `#/suspects/${encodeURIComponent(cell.id)}` }, "Suspect parts")),
  ];
}
