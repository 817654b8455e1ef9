// Signs that differ by shape before they differ by colour: one for each priority, each level of
// a cell and each place of a reading.

import { h, s } from "./dom.js";
import { isNew } from "./words.js";

const OUTLINES = {
  critical: "M8 2H16L22 8V16L16 22H8L2 16V8Z", // octagon
  high: "M12 2L23 21H1Z", // triangle
  medium: "M12 1L23 12L12 23L1 12Z", // diamond
  low: "M12 2A10 10 0 1 1 11.99 2Z", // disc
};
const NUMBERS = { critical: "1", high: "2", medium: "3", low: "4" };

export function prioritySign(priority, { hollow = false, barred = false, plain = false } = {}) {
  return s("svg", { viewBox: "0 0 24 24", class: `sign is-${priority}${hollow ? " is-hollow" : ""}`,
    "aria-hidden": "true" },
    s("path", { d: OUTLINES[priority] ?? OUTLINES.low }),
    !plain && s("text", { x: 12, y: priority === "high" ? 19 : 17 }, NUMBERS[priority] ?? "?"),
    barred && s("path", { d: "M1 23.2H23", class: "bar" }));
}

// The sign blinks while nobody has acknowledged; the words beside it never do.
export function alarmSign(alarm) {
  const sign = prioritySign(alarm.priority, {
    hollow: alarm.state.startsWith("returned"),
    barred: alarm.state.startsWith("latched"),
  });
  return h("span", { class: `alarm-sign${isNew(alarm) && !alarm.is_put_aside ? " blinks" : ""}` }, sign);
}

const LEVELS = {
  normal: "M12 3A9 9 0 1 1 11.99 3Z", // open ring
  wait: "M5 2H19V5L13.5 12L19 19V22H5V19L10.5 12L5 5Z", // hourglass
  unknown: "M3 3H21V21H3Z",
  attention: OUTLINES.medium,
  act: OUTLINES.high,
};

export function levelSign(level) {
  const mark = { unknown: "?", attention: "!", act: "!" }[level];
  return s("svg", { viewBox: "0 0 24 24", class: `sign is-level is-${level}`, "aria-hidden": "true" },
    s("path", { d: LEVELS[level] ?? LEVELS.unknown }),
    mark && s("text", { x: 12, y: level === "act" ? 19.5 : 17 }, mark));
}

export const hatch = (id) =>
  s("pattern", { id, width: 10, height: 10, patternUnits: "userSpaceOnUse",
    patternTransform: "rotate(45)" },
    s("rect", { width: 10, height: 10, class: "hatch-ground" }),
    s("rect", { width: 4, height: 10, class: "hatch-line" }));
