// Alarms: those that ask for somebody, worst first, and those put aside with who, why and until when.

import { h } from "./dom.js";
import { alarmSign, prioritySign } from "./shapes.js";
import { worstFirst } from "./slot.js";
import { capital, clock, duration, first, isNew, moment, plural, PRIORITIES, since, spaced, STATES, told } from "./words.js";

export const placeOf = (alarm) => (alarm.zone ? `${alarm.cell} ${spaced(alarm.zone)}` : alarm.cell);

// A title begins with the name of a zone or of the cell; that of a cell keeps its spelling.
export const titled = (alarm) => (alarm.title.startsWith(alarm.cell) ? told(alarm.title) : capital(told(alarm.title)));

const link = (alarm) =>
  alarm.zone
    ? `#/cell/${encodeURIComponent(alarm.cell)}/zone/${encodeURIComponent(alarm.zone)}`
    : `#/cell/${encodeURIComponent(alarm.cell)}`;

// One line for the row of a cell: sign, what, since when, and what to do first unless that is said.
export function alarmLine(alarm, said) {
  const action = first(alarm.response);
  const isGone = alarm.state.startsWith("returned");
  const begun = action.split(" ").slice(0, 2).join(" ").replace(/\.$/, "");
  const isSaid = said.toLowerCase().includes(begun.toLowerCase());
  return h("p", { class: "alarm-line" },
    alarmSign(alarm),
    h("span", {},
      h("strong", { class: "alarm-title" }, titled(alarm)),
      h("span", { class: "quiet" }, ` ${alarm.priority}, ${isGone ? "gone " : ""}since ${clock(alarm.since)}`,
        isNew(alarm) ? ", not acknowledged. " : ". "),
      !isGone && !isSaid && action));
}

// What can be done about it now.
function deeds(alarm) {
  const can = [];
  if (isNew(alarm)) can.push(["acknowledge", "Acknowledge"]);
  if (alarm.state === "latched_acknowledged") can.push(["reset", "Reset"]);
  if (alarm.state === "shelved") can.push(["unshelve", "Take up again"]);
  if (alarm.state === "out_of_service") can.push(["return_to_service", "Return to service"]);
  if (!alarm.is_put_aside) can.push(["shelve", "Put aside…"]);
  return can;
}

function buttons(alarm) {
  return h("div", { class: "deeds" },
    deeds(alarm).map(([kind, text]) =>
      h("button", { type: "button", "data-do": kind, "data-target": alarm.id, "data-key": kind,
        "aria-label": `${text} ${placeOf(alarm)}: ${told(alarm.title)}` }, text)));
}

// The finding that lasts and explains an alarm, if there is one.
const findingOf = (state, alarm) =>
  state.cells
    .find((cell) => cell.id === alarm.cell)
    ?.findings?.find(({ ended, alarms }) => ended === null && alarms.includes(alarm.id));

export function alarmCard(alarm, now, { isWhole = true, finding = null } = {}) {
  return h("article", { class: `alarm is-${alarm.priority}${alarm.is_put_aside ? " is-aside" : ""}`,
    "data-key": alarm.id, "data-alarm": alarm.id, "data-state": alarm.state,
    "aria-label": `${alarm.priority} alarm, ${placeOf(alarm)}: ${told(alarm.title)}` },
    h("div", { class: "alarm-sign-box" }, alarmSign(alarm), h("span", { class: "priority-word" }, alarm.priority)),
    h("div", { class: "alarm-text" },
      h("h2", {}, h("a", { href: link(alarm) }, placeOf(alarm)), " ", h("span", {}, titled(alarm))),
      h("p", { class: "alarm-state" }, h("span", { class: "state-word" }, STATES[alarm.state] ?? spaced(alarm.state)),
        alarm.since ? ` since ${clock(alarm.since)}, ${duration(since(alarm.since, now))}` : "",
        alarm.parts_since ? `; ${plural(alarm.parts_since, "part")} suspect since it was raised` : "",
        alarm.raised > 1 ? `; raised ${alarm.raised} times` : ""),
      alarm.is_put_aside && aside(alarm, now),
      finding && h("p", { class: "likely" }, capital(told(finding.sentence))),
      h("p", { class: "response" }, told(alarm.response)),
      isWhole && h("details", { "data-key": "more" }, h("summary", {}, "Cause and consequence"),
          h("p", {}, told(alarm.cause)), h("p", {}, told(alarm.consequence)),
        h("p", { class: "quiet" }, `Acting helps within ${duration(alarm.time_to_respond_s)}.`))),
    buttons(alarm));
}

function aside(alarm, now) {
  const left = alarm.shelved_until ? since(now, alarm.shelved_until) : null;
  if (!alarm.by && !alarm.because && left === null) return false;
  return h("p", { class: "aside-why" },
    `By ${alarm.by ?? "nobody who is known"}`,
    alarm.because ? `: “${alarm.because}”` : "",
    left !== null ? `; comes back in ${duration(left)}, at ${clock(alarm.shelved_until)}` : "",
    alarm.is_one_shot ? "; or as soon as it has gone" : "");
}

export const allOf = (state) => state.cells.flatMap((cell) => cell.alarms);
export const openOf = (state) => allOf(state).filter((alarm) => !alarm.is_put_aside);
export const asideOf = (state) => allOf(state).filter((alarm) => alarm.is_put_aside);

// While somebody points at the list or has the focus in it, nothing in it changes its place.
let order = [];

function inOrder(alarms) {
  const list = document.querySelector(".alarm-list");
  const isHeld = list?.matches(":hover, :focus-within") ?? false;
  const sorted = [...alarms].sort((a, b) => isNew(b) - isNew(a) || worstFirst(a, b)).map((alarm) => alarm.id);
  order = isHeld ? [...order.filter((id) => sorted.includes(id)), ...sorted.filter((id) => !order.includes(id))] : sorted;
  return order.map((id) => alarms.find((alarm) => alarm.id === id));
}

export function alarmsView(state, { isLost, route, fetched }) {
  const isAside = route[1] === "aside";
  const alarms = isAside ? asideOf(state) : openOf(state);
  const title = isAside ? "Alarms put aside" : "Alarms";
  return [
    h("div", { class: "view-head" },
      h("h1", { tabindex: -1 }, title),
      h("p", { class: "tabs" },
        h("a", { href: "#/alarms", "aria-current": !isAside && "page" }, `Open (${openOf(state).length})`),
        h("a", { href: "#/alarms/aside", "aria-current": isAside && "page" }, `Put aside (${asideOf(state).length})`)),
      !isAside && counts(alarms)),
    isLost
      ? notKnown()
      : alarms.length === 0
        ? h("p", { class: "empty" }, isAside ? "No alarm is put aside." : "No alarm is open.")
        : h("div", { class: "alarm-list" }, inOrder(alarms).map((alarm) => alarmCard(alarm, state.now, { finding: findingOf(state, alarm) }))),
    !isLost && !isAside && served(fetched.get("/api/v1/alarms", { everyMs: 60000 }).value?.performance, state.now),
  ];
}

// How well the alarms served people lately.
function served(told, now) {
  if (!told) return false;
  const missed = told.figures.filter(({ is_met }) => !is_met).map(({ name }) => spaced(name));
  return h("p", { class: "quiet served" },
    `Since ${moment(told.since, now)}: ${plural(told.annunciated, "alarm")} raised, `,
    told.median_s === null ? "none acknowledged" : `half of those acknowledged were so within ${duration(told.median_s)}`,
    `, ${plural(told.floods, "flood")}. `,
    missed.length > 0 ? `Beyond its target: ${missed.join(", ")}.` : "All figures are within their targets.");
}

const counts = (alarms) =>
  h("ul", { class: "counts", "aria-label": "open alarms by priority" },
    PRIORITIES.map((priority) => {
      const count = alarms.filter((alarm) => alarm.priority === priority).length;
      return count > 0 && h("li", {}, prioritySign(priority), ` ${count} ${priority}`);
    }));

export const notKnown = () =>
  h("p", { class: "empty is-unknown hatched" }, h("span", { class: "chip" }, "NOT KNOWN: no connection"));
