// All cells at one glance: a word, a reason, a number, and how old that is.

import { alarmLine } from "./alarms.js";
import { h } from "./dom.js";
import { levelSign, prioritySign } from "./shapes.js";
import { cellLine, worstFirst } from "./slot.js";
import { capital, clock, duration, plural, told } from "./words.js";

const SHOWN = 2; // alarms in the row of a cell

export const open = (cell) => cell.alarms.filter((alarm) => !alarm.is_put_aside).sort(worstFirst);

const isCritical = ({ severity, ended }) => severity === "critical" && ended === null;

// The hue of a cell: that of its worst alarm; before an alarm has come, what the advice is worth.
// No alarm outranks a critical cause: a limit that was passed does not know of it.
export function hueOf(cell) {
  if (cell.level !== "act" && cell.level !== "attention") return null;
  if (cell.findings?.some(isCritical)) return "critical";
  return open(cell)[0]?.priority ?? (cell.level === "act" ? "high" : "medium");
}

export function wordBlock(cell, heading) {
  const hue = hueOf(cell);
  return h("div", { class: `word-block is-${cell.level}${hue ? ` is-${hue}` : ""}` },
    heading,
    h("p", { class: `word${cell.word.length > 12 ? " is-longest" : cell.word.length > 8 ? " is-long" : ""}` },
      hue ? prioritySign(hue) : levelSign(cell.level),
      h("span", {}, cell.word)));
}

export function ageOf(cell) {
  const isOld = cell.level === "unknown" || cell.is_outdated;
  return h("p", { class: `age${isOld ? " is-old" : ""}` },
    "data of ", h("time", { datetime: cell.at }, clock(cell.at)),
    h("span", { class: "ago" }, `, ${duration(cell.age_s)} old`));
}

export const reasonOf = (cell) => h("p", { class: "reason" }, capital(told(cell.reason)));

export function numberOf(cell) {
  const { label, text } = cell.number ?? { label: "", text: "" };
  return h("div", { class: "the-number" },
    h("p", { class: "label" }, label),
    text
      ? h("p", { class: "figure" }, told(text))
      : h("p", { class: "figure is-unknown hatched" }, h("span", { class: "chip" }, "NOT KNOWN")));
}

export function overview(state, { tails }) {
  const cells = state.cells;
  return [
    h("h1", { class: "unseen-title", tabindex: -1 }, `${plural(cells.length, "cell")}`),
    cells.length === 0 && h("p", { class: "empty" }, "Nothing is known of any cell yet."),
    h("div", { class: "cells", "data-count": Math.min(cells.length, 4) },
      cells.map((cell) => row(cell, tails, state.now))),
  ];
}

function row(cell, tails, now) {
  const alarms = open(cell);
  const title = `cell-${cell.id}`;
  return h("article", { class: `cell-row is-${cell.level}`, "data-key": cell.id, "data-cell": cell.id,
    "aria-labelledby": title },
    wordBlock(cell, h("h2", { id: title }, h("a", { href: `#/cell/${encodeURIComponent(cell.id)}` }, cell.id))),
    h("div", { class: "why" },
      reasonOf(cell),
      alarms.length > 0 && h("ul", { class: "brief-alarms" },
        alarms.slice(0, SHOWN).map((alarm) => h("li", { "data-key": alarm.id }, alarmLine(alarm, told(cell.reason)))),
        alarms.length > SHOWN && h("li", {}, h("a", { href: "#/alarms" }, `and ${alarms.length - SHOWN} more`)))),
    h("div", { class: "number-block" }, numberOf(cell), ageOf(cell)),
    cellLine(cell, tails, now));
}
