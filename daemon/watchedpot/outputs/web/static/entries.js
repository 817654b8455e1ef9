// What people did, saw or decided: a form for each, and what was entered before.

import { allOf, placeOf } from "./alarms.js";
import { h } from "./dom.js";
import { clock, spaced, told } from "./words.js";

const nozzles = (cell) => cell.zones.filter(({ kind }) => kind === "nozzle");

const text = (name, label, more = {}) => ({ name, label, type: "text", ...more });
const number = (name, label, more = {}) => ({ name, label, type: "number", step: "any", inputmode: "decimal", ...more });
const choice = (name, label, options) => ({ name, label, options });
const tick = (name, label) => ({ name, label, type: "checkbox" });
const WHY = text("why", "Remark");
const REASON = text("why", "Reason", { required: true, maxlength: 200 });

const zoneOf = (which, whole) => (cell) => [
  ...(whole ? [["", whole]] : []),
  ...which(cell).map(({ id }) => [id, spaced(id)]),
];
const alarmChoice = (cell, state) =>
  allOf(state).filter((alarm) => alarm.cell === cell.id).map((alarm) => [alarm.id.slice(cell.id.length + 1), `${placeOf(alarm)}: ${told(alarm.title)}`]);

// Of each kind: its name, what it is about within the cell, and what is asked.
const FORMS = {
  wiped: { title: "Nozzle wiped", about: zoneOf(nozzles, "all nozzles"), fields: [WHY] },
  purged: { title: "Nozzle purged", about: zoneOf(nozzles, "all nozzles"), fields: [WHY] },
  charge_loaded: {
    title: "Charge loaded",
    hint: "What is left empty counts as usual in this cell.",
    fields: [
      text("subject", "Charge", { required: true }), text("lot", "Lot"),
      number("preheat_c", "Warmed before at", { unit: "°C", min: -50, max: 400 }),
      number("preheat_min", "for", { unit: "min", min: 0, max: 1440 }),
      number("mass_g", "Mass", { unit: "g", min: 0 }),
      tick("is_refill", "Added to what was there (refill)"), WHY,
    ],
  },
  charge_kept: { title: "Same charge as before", hint: "Answers a suspicion that the charge was changed.", fields: [WHY] },
  check: {
    title: "Reference check",
    hint: "A zone at rest, compared with a reference probe by a qualified person.",
    about: zoneOf((cell) => cell.zones),
    fields: [number("true_c", "Reference says", { unit: "°C", required: true, min: -50, max: 400 }),
      number("read_c", "Zone says", { unit: "°C", required: true, min: -50, max: 400 }), WHY],
  },
  note: { title: "Note", about: zoneOf((cell) => cell.zones, "the cell"), fields: [text("why", "Note", { required: true })] },
  disposition: {
    title: "Decide about parts",
    fields: [text("subject", "Parts", { required: true, placeholder: "41877-41880,41885" }),
      choice("word", "They are", () => [["held", "held"], ["released", "released"], ["reworked", "reworked"], ["scrapped", "scrapped"]]),
      REASON],
  },
  mark_alarm: {
    title: "Was an alarm right?", about: alarmChoice,
    fields: [choice("word", "It was", () => [["real", "real"], ["expected", "expected"], ["false", "false"]]), WHY],
  },
  take_out_of_service: {
    title: "Alarm out of service", hint: "For maintenance; it stays so until it is returned.", about: alarmChoice, fields: [REASON],
  },
};

export function view(state, { route, fetched, isLost }) {
  const kind = route[1] in FORMS ? route[1] : "note";
  const cell = state.cells.find(({ id }) => id === route[2]) ?? state.cells[0];
  const answer = isLost ? {} : fetched.get("/api/v1/events?kind=entered&limit=20");
  return [
    h("div", { class: "view-head" }, h("h1", { tabindex: -1 }, "Entries")),
    h("div", { class: "entry-columns" },
      h("nav", { class: "kinds", "aria-label": "kinds of entries" },
        Object.entries(FORMS).map(([name, { title }]) =>
          h("a", { href: `#/entries/${name}${route[2] ? `/${encodeURIComponent(route[2])}` : ""}`,
            "aria-current": name === kind && "page" }, title))),
      cell ? form(kind, cell, state, route) : h("p", { class: "empty" }, "Nothing is known of any cell yet."),
      h("section", { class: "panel entered" },
        h("h2", {}, "Entered before"),
        h("ul", {}, (answer.value?.events ?? []).map((event) =>
          h("li", { "data-key": `${event.at} ${event.sentence}` },
            h("time", { datetime: event.at }, clock(event.at)), " ", told(event.sentence)))),
        answer.value?.events.length === 0 && h("p", { class: "quiet" }, "Nothing yet."),
        isLost && h("p", { class: "quiet" }, "Not known: no connection."))),
  ];
}

function form(kind, cell, state, route) {
  const { title, hint, about, fields } = FORMS[kind];
  const choices = about?.(cell, state);
  const filled = { subject: kind === "disposition" ? route[3] : undefined };
  return h("form", { class: "panel entry", "data-form": kind, "data-key": `${kind} ${cell.id} ${route[3] ?? ""}` },
    h("h2", {}, title),
    hint && h("p", { class: "quiet" }, hint),
    field(choice("cell", "Cell"), state.cells.map(({ id }) => [id, id]), cell.id),
    choices && (choices.length > 0
      ? field(choice("about", kind === "check" ? "Zone" : "About"), choices)
      : h("p", { class: "quiet" }, "There is nothing of that kind in this cell now.")),
    fields.map((one) => field(one, one.options?.(), filled[one.name])),
    h("button", { type: "submit", class: "main", disabled: choices?.length === 0 }, `Enter: ${title.toLowerCase()}`),
    h("output", { class: "result", "data-own": true }));
}

function field({ name, label, options: _, unit, ...input }, options, value) {
  const id = `field-${name}`;
  if (input.type === "checkbox") {
    return h("p", { class: "field is-tick" }, h("input", { id, name, type: "checkbox" }), h("label", { for: id }, label));
  }
  const control = options
    ? h("select", { id, name }, options.map(([key, word]) => h("option", { value: key, selected: key === value }, word)))
    : h("input", { id, name, value, autocomplete: "off", ...input });
  const isHalf = input.type === "number" || name === "cell" || name === "about";
  return h("p", { class: `field${isHalf ? " is-half" : ""}` },
    h("label", { for: id }, label, unit && ` [${unit}]`, input.required && h("span", { class: "quiet" }, " (needed)")), control);
}

// What a filled form says, as the interface takes it.
export function bodyOf(kind, data) {
  const said = (name) => String(data.get(name) ?? "").trim();
  const value = (name) => (said(name) === "" ? undefined : Number(said(name)));
  const about = said("about");
  const body = { kind, target: about ? `${said("cell")}/${about}` : said("cell"), why: said("why") };
  if (data.has("subject")) body.subject = said("subject");
  if (data.has("word")) body.word = said("word");
  if (kind === "check") body.check = { true_c: value("true_c"), read_c: value("read_c") };
  if (kind === "charge_loaded") body.loading = loading(said, value, data);
  return body;
}

// Nothing where nothing is said of it: it counts as charges of the cell usually do.
function loading(said, value, data) {
  const told = {};
  if (data.has("is_refill")) told.is_refill = true;
  if (said("lot")) told.lot = said("lot");
  if (value("preheat_c") !== undefined) told.preheat_c = value("preheat_c");
  if (value("preheat_min") !== undefined) told.preheat_s = 60 * value("preheat_min");
  if (value("mass_g") !== undefined) told.mass_kg = value("mass_g") / 1000;
  return Object.keys(told).length > 0 ? told : undefined;
}
