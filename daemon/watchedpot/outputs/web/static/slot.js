// The line of a cell, read in the direction of flow: the charge, then a slot for each zone.
//
// A slot is a zone's window. The mark is the reading, the tail the last ten minutes. The bar of
// the charge grows shorter as its life goes; the tick is where it will be empty.

import { h, s } from "./dom.js";
import { hatch } from "./shapes.js";
import { TAIL_S } from "./tails.js";
import { capital, clock, degrees, duration, is, moment, share, since, spaced } from "./words.js";

const WIDE = 360;
const HIGH = 90;
const RAIL_TOP = 28; // the high edge of every window, so that the slots of a cell make one line
const RAIL_LOW = 62;
const PIPE_TOP = 41;
const PIPE_LOW = 49;
const BEGIN = 10; // of the slot
const END = WIDE - 10;
const TAIL_X = 22;
const NOW_X = 300;

function heightOf(zone, temp_c) {
  const per_k = (RAIL_LOW - RAIL_TOP) / (zone.high_c - zone.low_c);
  const y = RAIL_LOW - (temp_c - zone.low_c) * per_k;
  return Math.min(HIGH - 6, Math.max(6, y));
}

function slotFigure(cell, zone, tail, now, priority) {
  const isSeen = zone.quality === "good" && is(zone.temp_c) && zone.position !== "unknown";
  const id = `hatch-${cell.id}-${zone.id}`;
  return s("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, class: "slot", role: "img",
    "aria-label": inWords(cell, zone, isSeen) },
    s("path", { class: "pipe", d: `M0 ${PIPE_TOP}H${BEGIN}M0 ${PIPE_LOW}H${BEGIN}M${END} ${PIPE_TOP}H${WIDE}M${END} ${PIPE_LOW}H${WIDE}` }),
    s("rect", { class: "window", x: BEGIN, y: RAIL_TOP, width: END - BEGIN, height: RAIL_LOW - RAIL_TOP }),
    isSeen ? reading(zone, tail, now, priority) : [
      s("defs", {}, hatch(id)),
      s("rect", { class: "unseen", x: BEGIN, y: 6, width: END - BEGIN, height: HIGH - 12, fill: `url(#${id})` }),
    ],
    s("path", { class: "rail", d: `M${BEGIN} ${RAIL_TOP}H${END}M${BEGIN} ${RAIL_LOW}H${END}` }),
    zone === cell.zones.at(-1) && tip(cell),
    s("path", { class: "wall", d: `M${BEGIN} ${PIPE_TOP}V${RAIL_TOP}M${BEGIN} ${PIPE_LOW}V${RAIL_LOW}M${END} ${PIPE_TOP}V${RAIL_TOP}M${END} ${PIPE_LOW}V${RAIL_LOW}` }));
}

// The tip at the end of the line, with a drop while melt flows.
const tip = (cell) =>
  s("g", { transform: `translate(${WIDE - 6} 0)` },
    s("path", { class: "pipe", d: `M0 ${PIPE_TOP}H24V70l-4 9l-4 -9V${PIPE_LOW}H0` }),
    cell.is_dispensing && s("path", { class: "drop", d: "M20 82c6 8 4 15 0 15s-6 -7 0 -15Z" }));

function reading(zone, tail, now, priority) {
  const y = heightOf(zone, zone.temp_c);
  const ceiling = heightOf(zone, zone.ceiling_c);
  return [
    is(zone.ceiling_c) && s("path", { class: "ceiling", d: `M${BEGIN} ${ceiling}H${END}` }),
    is(zone.setpoint_c) && setpoint(heightOf(zone, zone.setpoint_c)),
    tailLines(zone, tail, Date.parse(now)),
    mark(zone.position, y, priority),
  ];
}

const setpoint = (y) => s("path", { class: "setpoint", d: `M${END - 22} ${y}l13 -7v14Z` });

// Thin where it is old; broken where nothing was seen.
function tailLines(zone, tail, now) {
  const parts = [[], [], []];
  let before = null;
  for (const point of tail) {
    const age = (now - point.at) / 1000;
    if (age > TAIL_S || age < -5) continue;
    const x = NOW_X - (Math.max(0, age) / TAIL_S) * (NOW_X - TAIL_X);
    const third = Math.min(2, Math.floor((1 - age / TAIL_S) * 3));
    if (point.c !== null) {
      const here = `${x.toFixed(1)} ${heightOf(zone, point.c).toFixed(1)}`;
      parts[Math.max(0, third)].push(before === null ? `M${here}` : `M${before}L${here}`);
      before = here;
    } else {
      before = null;
    }
  }
  return parts.map((part, n) => part.length > 0 && s("path", { class: `tail tail-${n}`, d: part.join("") }));
}

const MARKS = {
  inside: (y) => `M${NOW_X - 8} ${y}a8 8 0 1 1 0 .01Z`,
  below: (y) => `M${NOW_X - 13} ${y - 12}h26l-13 22Z`,
  above: (y) => `M${NOW_X - 13} ${y + 12}h26l-13 -22Z`,
  over_ceiling: (y) => `M${NOW_X - 6} ${y - 14}h12l8 8v12l-8 8h-12l-8 -8v-12Z`,
};

function mark(position, y, priority) {
  const inside = position === "inside";
  const at = inside ? y : Math.min(HIGH - 16, Math.max(16, y));
  const hue = inside ? "" : priority ? ` is-${priority}` : " is-off-window";
  return s("g", { class: `mark at-${position}${hue}` },
    s("path", { d: (MARKS[position] ?? MARKS.inside)(at) }),
    position === "over_ceiling" && s("text", { x: NOW_X, y: at + 7 }, "!"));
}

const PLACES = {
  inside: "inside its window",
  below: "BELOW its window",
  above: "ABOVE its window",
  over_ceiling: "OVER THE LIMIT of the material",
  unknown: "not seen",
};
export const placeOf = (zone) => PLACES[zone.position] ?? PLACES.unknown;

// Warmed through, but not in its window: "ready" beside its number would read as a leave to run.
const isOnlyReady = (zone) => zone.phase === "ready" && zone.position !== "inside";

function inWords(cell, zone, isSeen) {
  const window = `window ${degrees(zone.low_c)} to ${degrees(zone.high_c)}`;
  if (!isSeen) return `${cell.id} ${zone.id}: not seen, temperature not known; ${window}`;
  return `${cell.id} ${zone.id}: ${degrees(zone.temp_c)}, ${placeOf(zone)}; ${window}${isOnlyReady(zone) ? "" : `; ${spaced(zone.phase)}`}`;
}

// One zone: its name, its slot, its number or the word that there is none.
export function zoneFigure(cell, zone, tails, now, { details = false } = {}) {
  const isSeen = zone.quality === "good" && is(zone.temp_c);
  const isOff = isSeen && zone.position !== "inside";
  const alarm = alarmOf(cell, zone);
  const isWarm = zone.phase === "ready" || zone.phase === "soaking";
  const priority = alarm?.priority ?? (isWarm ? "high" : null);
  return h("div", { class: `zone${isOff ? " is-off" : ""}`, "data-key": `zone-${zone.id}` },
    h("a", { class: "zone-name", href: `#/cell/${encodeURIComponent(cell.id)}/zone/${encodeURIComponent(zone.id)}` },
      capital(spaced(zone.id))),
    slotFigure(cell, zone, tails.of(cell.id, zone.id), now, priority),
    h("div", { class: "zone-foot" },
      isSeen
        ? h("p", { class: "zone-number" }, degrees(zone.temp_c),
            isOff && alarm && h("span", { class: `place is-${priority}` }, zone.position === "over_ceiling" ? "over limit" : zone.position))
        : h("p", { class: "zone-number is-unknown hatched" }, h("span", { class: "chip" }, "NOT SEEN")),
      zone.leaving && h("p", { class: "zone-leaving" },
        `${zone.leaving.edge === "low" ? "below" : "above"} its window at about ${clock(zone.leaving.at)}, if it goes on like this`),
      !(isSeen && isOnlyReady(zone)) && h("p", { class: "zone-phase" },
        spaced(zone.phase === "unknown" ? whyUnseen(zone) : zone.phase),
        is(since(zone.phase_since, now)) && ` for ${duration(since(zone.phase_since, now))}`)),
    details && h("dl", { class: "figures" },
      pair("setpoint", degrees(zone.setpoint_c)),
      pair("output", is(zone.output_percent) ? `${Math.round(zone.output_percent)} %` : "not known"),
      pair("window", `${zone.low_c.toFixed(0)} to ${zone.high_c.toFixed(0)} °C`),
      zone.core && pair("core", coreOf(zone.core)),
      zone.tip && pair("tip", is(zone.tip.temp_c) ? `about ${zone.tip.temp_c.toFixed(0)} °C` : "not known")));
}

export const coreOf = (core) =>
  is(core.centre_c)
    ? `about ${core.centre_c.toFixed(0)} of ${core.ready_c.toFixed(0)} °C${core.is_soaked ? "" : ", soaking"}`
    : core.is_soaked ? "soaked, by time" : "not known";

export const whyUnseen = (zone) => (zone.reason && zone.reason !== "none" ? spaced(zone.reason) : "not known");

export const pair = (name, value) => h("div", {}, h("dt", {}, name), h("dd", {}, value));

// The worst alarm about a zone that is not put aside.
const alarmOf = (cell, zone) =>
  cell.alarms.filter((alarm) => alarm.zone === zone.id && !alarm.is_put_aside).sort(worstFirst)[0];

const ORDER = ["critical", "high", "medium", "low"];
export const worstFirst = (a, b) =>
  ORDER.indexOf(a.priority) - ORDER.indexOf(b.priority) || (b.since ?? "").localeCompare(a.since ?? "");

function chargeFigure(cell, now) {
  const charge = cell.charge;
  const isKnown = is(charge.life_used) && charge.is_age_known;
  const left = isKnown ? Math.max(0, 1 - charge.life_used) : 0;
  const empty = emptyAt(charge, left, now);
  const id = `hatch-${cell.id}-charge`;
  const state = charge.state ?? "unknown";
  const isOff = ["spent", "overheated", "near_limit"].includes(state) || charge.is_overheated;
  return h("div", { class: `zone charge${isOff ? " is-off" : ""}`, "data-key": "charge" },
    h("span", { class: "zone-name" }, charge.id ? `Charge ${charge.id}` : "Charge"),
    s("svg", { viewBox: `0 0 ${WIDE} ${HIGH}`, class: "slot", role: "img",
      "aria-label": isKnown ? `${share(left)} of the charge's life is left` : "age of the charge not known" },
      s("path", { class: "pipe", d: `M${END} ${PIPE_TOP}H${WIDE}M${END} ${PIPE_LOW}H${WIDE}` }),
      s("rect", { class: "window", x: BEGIN, y: RAIL_TOP, width: END - BEGIN, height: RAIL_LOW - RAIL_TOP }),
      isKnown
        ? s("rect", { class: `life is-${state}`, x: BEGIN, y: RAIL_TOP + 6, width: (END - BEGIN) * left, height: RAIL_LOW - RAIL_TOP - 12 })
        : [s("defs", {}, hatch(id)),
           s("rect", { class: "unseen", x: BEGIN, y: RAIL_TOP, width: END - BEGIN, height: RAIL_LOW - RAIL_TOP, fill: `url(#${id})` })],
      s("path", { class: "rail", d: `M${END} ${PIPE_LOW}V${RAIL_LOW}H${BEGIN}V${RAIL_TOP}H${END}V${PIPE_TOP}` }),
      empty !== null && s("path", { class: "empty-tick", d: `M${BEGIN + (END - BEGIN) * empty} 18V72l-8 13h16l-8 -13` })),
    h("div", { class: "zone-foot" },
      isKnown
        ? h("p", { class: "zone-number" }, `${share(left)} left`,
            charge.is_overheated && h("span", { class: "place is-high" }, "overheated"))
        : h("p", { class: "zone-number is-unknown hatched" }, h("span", { class: "chip" }, "AGE NOT KNOWN")),
      h("p", { class: "zone-phase" }, ends(charge, now))));
}

// Share of the life that will be left when the charge is empty; null where nothing can be said.
function emptyAt(charge, left, now) {
  if (!charge.empty_at || !charge.expires_at || left <= 0) return null;
  const toEmpty = since(now, charge.empty_at);
  const toEnd = since(now, charge.expires_at);
  if (!(toEnd > 0)) return null;
  const share = left * (1 - toEmpty / toEnd);
  return share >= 0 ? share : null;
}

function ends(charge, now) {
  const said = [];
  if (charge.empty_at) said.push(`empty ${moment(charge.empty_at, now)}`);
  if (charge.expires_at) said.push(`expires ${moment(charge.expires_at, now)}`);
  if (charge.empty_at && charge.expires_at && charge.expires_at < charge.empty_at) said.reverse();
  return said.join(", ") || (charge.state ? spaced(charge.state) : "not known");
}

export const cellLine = (cell, tails, now, options = {}) =>
  h("div", { class: `line${cell.is_dispensing ? " is-flowing" : ""}` },
    chargeFigure(cell, now),
    cell.zones.map((zone) => zoneFigure(cell, zone, tails, now, options)),
    tipEnd(cell));

function tipEnd(cell) {
  const word = cell.is_dispensing ? "dispensing" : cell.is_dispensing === null ? "flow not known" : "not dispensing";
  return h("div", { class: "tip-end", "data-key": "tip" },
    h("p", {}, word), h("p", { class: "quiet" }, is(cell.parts) && `part ${cell.parts}`));
}
