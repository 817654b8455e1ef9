// Parts that must not go on before somebody has decided about them.

import { notKnown } from "./alarms.js";
import { h, s } from "./dom.js";
import { capital, clock, moment, spaced, told } from "./words.js";

const SIGNS = { review: "M12 2L22 12L12 22L2 12Z", unknown: "M3 3H21V21H3Z", quarantine: "M12 2L23 21H1Z" };

const sign = (verdict) =>
  s("svg", { viewBox: "0 0 24 24", class: `sign is-level is-${verdict === "unknown" ? "unknown" : "plain"}`, "aria-hidden": "true" },
    s("path", { d: SIGNS[verdict] ?? SIGNS.unknown }));

export function view(state, { route, fetched, isLost }) {
  const cell = route[1];
  const url = `/api/v1/suspects${cell ? `?cell=${encodeURIComponent(cell)}` : ""}`;
  const head = h("div", { class: "view-head" },
    h("h1", { tabindex: -1 }, "Suspect parts"),
    h("p", { class: "tabs" },
      h("a", { href: "#/suspects", "aria-current": !cell && "page" }, "All cells"),
      state.cells.map(({ id }) =>
        h("a", { href: `#/suspects/${encodeURIComponent(id)}`, "aria-current": id === cell && "page" }, id))));
  if (isLost) return [head, notKnown()];
  const { value, error } = fetched.get(url);
  if (error) return [head, h("p", { class: "empty" }, `Not known: ${error}.`)];
  if (!value) return [head, h("p", { class: "empty" }, "Asking…")];
  return [
    head,
    h("p", { class: "lead" }, capital(told(value.sentence))),
    h("p", { class: "quiet" }, `As of ${clock(value.asked_at)}, for parts made since ${moment(value.since, state.now)}.`),
    value.ranges.length > 0 && h("div", { class: "scrolls", tabindex: 0, role: "region", "aria-label": "suspect parts" },
      table(value.ranges, state.now)),
    value.caution && h("p", { class: "quiet" }, value.caution),
  ];
}

const why = ([first, ...more]) => [
  first,
  more.length > 0 && h("details", { "data-key": "more" }, h("summary", {}, `and ${more.length} more`),
    h("ul", {}, more.map((words) => h("li", {}, words)))),
];

const HEADS = ["Verdict", "Parts", "Made", "Why", "Rework until", "Decided"];

const table = (ranges, now) =>
  h("table", { class: "wide" },
    h("thead", {}, h("tr", {}, HEADS.map((name) => h("th", { scope: "col" }, name)))),
    h("tbody", {}, ranges.map((range) => row(range, now))));

function row(range, now) {
  const parts = range.first === null ? "not counted" : range.first === range.last ? `${range.first}` : `${range.first}–${range.last}`;
  return h("tr", { "data-key": `${range.cell}/${range.epoch}/${range.first}/${range.verdict}` },
    h("td", { class: "verdict" }, sign(range.verdict), " ", range.verdict),
    h("th", { scope: "row" }, `${range.cell} ${parts}`, h("span", { class: "quiet" }, ` (${range.count})`)),
    h("td", {}, moment(range.begun, now), moment(range.made, now) !== moment(range.begun, now) && ` to ${moment(range.made, now)}`),
    h("td", {}, why(range.rules.map(({ words }) => told(words)))),
    h("td", {}, range.rework_last_ends ? moment(range.rework_last_ends, now) : "no"),
    h("td", {}, range.disposition
      ? `${spaced(range.disposition.word)} by ${range.disposition.who}`
      : h("a", { class: "button", href: `#/entries/disposition/${encodeURIComponent(range.cell)}/${encodeURIComponent(parts.replace("–", "-"))}`,
          "aria-label": `Decide about ${range.cell} ${parts}` }, "Decide…")));
}
