// The page: which view is shown, what is said aloud, what people do.

import { forget, say, signIn, token } from "./actions.js";
import { alarmsView, asideOf, openOf, placeOf, titled } from "./alarms.js";
import { h, show } from "./dom.js";
import { Fetched } from "./fetched.js";
import { Live } from "./live.js";
import { hueOf, overview } from "./overview.js";
import { prioritySign } from "./shapes.js";
import { Tails } from "./tails.js";
import { capital, clock, duration, first, isNew, offset, plural, rank, spaced, told } from "./words.js";

const SOURCES_SHOWN = 2; // that do not answer; the cells say the rest

const at = (id) => document.getElementById(id);
const tails = new Tails();
const asked = new Set(); // cells whose tails were asked for
let name = null; // of the person whose token is kept
let isArriving = false; // at another view, whose heading is to get the focus
let trend = null; // the module that draws, loaded where a trend is shown

const fetched = new Fetched(() => render());
const live = new Live("/api/v1/live", () => render());

const path = () => location.hash.replace(/^#\/?/, "").split("/").map(decodeURIComponent);

// What the overview does not need is loaded where it is first wanted.
const views = { overview, alarms: alarmsView };
const loaders = {
  cell: () => import("./cell.js"),
  zone: () => import("./zone.js"),
  suspects: () => import("./suspects.js"),
  entries: () => import("./entries.js"),
};

const loading = () => [h("h1", { tabindex: -1 }, "Loading…")];

function viewOf(route) {
  const wanted = route[0] === "cell" && route[2] === "zone" ? "zone" : route[0];
  const name = wanted in loaders || wanted in views ? wanted : "overview";
  if (!views[name]) {
    views[name] = loading;
    loaders[name]().then((module) => {
      views[name] = module.view;
      render();
    }, () => delete views[name]); // tried again with the next picture
  }
  return views[name];
}

function render() {
  const { state, isLost } = live;
  banners(state);
  document.body.classList.toggle("is-lost", isLost);
  document.body.classList.toggle("is-paused", live.held !== null);
  if (!state) {
    show(at("main"), opening());
    return;
  }
  follow();
  const route = path();
  const view = viewOf(route);
  show(at("main"), view(state, { tails, fetched, route, isLost }));
  if (isArriving && view !== loading) {
    isArriving = false;
    at("main").querySelector("h1")?.focus();
  }
  show(at("nav"), navigation(state, route, isLost));
  show(at("clock"), isLost ? "time not known" : h("time", { datetime: state.now }, clock(state.now)),
    h("span", { class: "quiet" }, ` ${offset(new Date(state.now))}`));
  show(at("version"), `version ${state.version}`);
  at("pause").setAttribute("aria-pressed", String(live.held !== null));
  document.title = titleOf(state, isLost);
  if (!isLost && live.newest) announce(live.newest);
  draw(state, isLost);
}

// Before anything is known.
function opening() {
  if (live.needsToken) {
    return [
      h("h1", { tabindex: -1 }, "Who are you?"),
      h("p", { class: "empty" }, "From this computer, reading takes a token. "),
      h("p", {}, h("button", { type: "button", class: "main", "data-sign-in": true }, "Sign in")),
    ];
  }
  return h("p", { class: "empty" }, live.isLost ? "Nothing is known." : "Connecting…");
}

// The tails go on while the view is paused: they are history.
function follow() {
  const { newest } = live;
  if (!newest || newest.isFollowed) return;
  newest.isFollowed = true;
  for (const cell of newest.cells) {
    tails.add(cell);
    if (asked.has(cell.id)) continue;
    asked.add(cell.id);
    tails.load(cell.id).then(render, () => asked.delete(cell.id));
  }
}

async function draw(state, isLost) {
  const box = document.querySelector("[data-trend]");
  if (!box) return trend?.clear();
  trend ??= await import("./trend.js");
  return trend.draw(box, { isLost, isHeld: live.held !== null, now: state.now });
}

const LINKS = [["", "Cells"], ["alarms", "Alarms"], ["suspects", "Suspects"], ["entries", "Entries"]];

function navigation(state, route, isLost) {
  const open = openOf(state).sort((a, b) => rank(a) - rank(b));
  const aside = asideOf(state).length;
  return h("ul", {},
    LINKS.map(([to, text]) => h("li", {},
      h("a", { href: `#/${to}`, "aria-current": isCurrent(route, to) && "page" }, text,
        to === "alarms" && !isLost && open.length > 0 && [
          prioritySign(open[0].priority, { plain: true }),
          h("span", { class: "count" }, String(open.length), h("span", { class: "heard" }, ` open, worst ${open[0].priority}`)),
        ]))),
    h("li", {}, h("a", { href: "#/alarms/aside", "aria-current": route[1] === "aside" && "page" },
      isLost ? "Aside" : `Aside (${aside})`)));
}

const isCurrent = (route, to) =>
  (route[0] === to && route[1] !== "aside") || (to === "" && route[0] === "cell");

function titleOf(state, isLost) {
  if (isLost) return "NO CONNECTION · Watched Pot";
  const worst = [...state.cells].sort((a, b) => Boolean(hueOf(b)) - Boolean(hueOf(a)))[0];
  const open = openOf(state).filter(isNew).length;
  return `${open > 0 ? `(${open}) ` : ""}${worst ? `${worst.word} ${worst.id}` : "no cell"} · Watched Pot`;
}

function banners(state) {
  const said = [];
  if (live.isLost && !live.needsToken) {
    said.push(h("p", { class: "banner is-lost hatched", "data-key": "lost" },
      h("span", { class: "chip" }, h("strong", {}, `NO CONNECTION since ${clock(live.heardAt.toISOString())}`),
        ` ${offset()}. Nothing here is current: look at the cells.`)));
  }
  if (live.held) {
    const later = newSince();
    said.push(h("p", { class: "banner is-paused", "data-key": "paused" },
      h("strong", {}, `PAUSED at ${clock(live.held.now)}`), ": what you see is not live. ",
      later > 0 && h("strong", {}, `${plural(later, "new alarm")} since. `),
      h("button", { type: "button", "data-resume": true }, "Resume")));
  }
  if (state && !live.isLost) {
    for (const { what, for_s } of state.stands_still ?? []) {
      said.push(h("p", { class: "banner", "data-key": what }, h("strong", {}, "This program stands still: "), `${what} for ${duration(for_s)}.`));
    }
    if (state.ledger && !state.ledger.is_writing) {
      said.push(h("p", { class: "banner", "data-key": "ledger" }, h("strong", {}, "Nothing is recorded: "), "the ledger cannot be written."));
    }
    for (const { id, link, diagnosis } of state.sources.filter(({ is_up }) => !is_up).slice(0, SOURCES_SHOWN)) {
      said.push(h("p", { class: "banner", "data-key": `source ${id}` }, h("strong", {}, `Source ${id}: ${spaced(link)}. `), diagnosis && `${capital(told(diagnosis))}.`));
    }
    if (state.speed !== 1) {
      said.push(h("p", { class: "banner is-quiet", "data-key": "speed" }, `A trial: the cells' time runs ${Number(state.speed.toFixed(1))} times as fast.`));
    }
  }
  show(at("banners"), said);
}

const keyOf = (alarm) => `${alarm.id} ${alarm.raised} ${alarm.stage}`;
const newOf = (state) => state.cells.flatMap(({ alarms }) => alarms).filter((alarm) => isNew(alarm) && !alarm.is_put_aside);

function newSince() {
  const before = new Set(newOf(live.held).map(keyOf));
  return newOf(live.newest).filter((alarm) => !before.has(keyOf(alarm))).length;
}

// New alarms are said aloud once: at once where they are urgent, else when there is a pause.
let heard = null;

function announce(state) {
  const alarms = newOf(state);
  const now = new Set(alarms.map(keyOf));
  const fresh = alarms.filter((alarm) => !heard?.has(keyOf(alarm)));
  heard = now;
  const spoken = (list) => list.map((alarm) => `${alarm.priority} alarm: ${placeOf(alarm)}: ${titled(alarm)}. ${first(alarm.response)}`).join(" ");
  const urgent = fresh.filter(({ priority }) => priority === "critical" || priority === "high");
  const other = fresh.filter(({ priority }) => priority !== "critical" && priority !== "high");
  if (urgent.length > 0) at("loud").textContent = spoken(urgent);
  if (other.length > 0) at("soft").textContent = spoken(other);
}

function tell(sentence, { isBad = false } = {}) {
  const said = at("said");
  said.textContent = sentence;
  said.className = isBad ? "is-bad" : "";
  said.hidden = sentence === "";
}

// What is to be said once it is known who says it.
let pending = null;

async function perform(body, result) {
  if (!token()) {
    pending = () => perform(body, result);
    open("sign-in");
    return;
  }
  const { isTaken, status, sentence } = await say(body);
  const answer = told(`${isTaken ? "Taken" : "Not taken"}: ${sentence}`);
  if (result) result.textContent = answer;
  else tell(answer, { isBad: !isTaken });
  if (isTaken) {
    fetched.forget();
    result?.closest("form").reset();
    render();
  }
  if (status === 401) {
    letGo();
    pending = () => perform(body, result);
    open("sign-in", sentence);
  }
}

function letGo() {
  forget();
  name = null;
  showName();
}

function showName() {
  show(at("who"), name ? `${name}: forget` : "Sign in");
}

function open(id, sentence = "") {
  const dialog = at(id);
  dialog.querySelector("form").reset();
  const result = dialog.querySelector(".result");
  if (result) result.textContent = sentence;
  dialog.showModal();
}

at("sign-in").addEventListener("close", () => {
  at("token").value = "";
  if (at("sign-in").returnValue !== "done") pending = null;
});

at("sign-in").addEventListener("submit", async (event) => {
  event.preventDefault();
  const answer = await signIn(at("token").value.trim());
  if (!answer.name) {
    at("sign-in").querySelector(".result").textContent = `Not signed in: ${answer.sentence}.`;
    return;
  }
  name = answer.name;
  showName();
  const next = pending;
  pending = null;
  at("sign-in").close("done");
  next?.();
});

at("put-aside").addEventListener("submit", (event) => {
  event.preventDefault();
  const data = new FormData(event.target);
  const target = at("put-aside").dataset.target;
  at("put-aside").close("done");
  perform({
    kind: "shelve", target, why: data.get("why").trim(),
    duration_s: 60 * Number(data.get("minutes")), is_one_shot: data.has("one_shot"),
  });
});

at("main").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target;
  const { bodyOf } = await import("./entries.js");
  perform(bodyOf(form.dataset.form, new FormData(form)), form.querySelector(".result"));
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.dataset.do === "shelve") {
    at("put-aside").dataset.target = button.dataset.target;
    at("put-aside-what").textContent = button.getAttribute("aria-label").replace("Put aside… ", "");
    open("put-aside");
  } else if (button.dataset.do) {
    perform({ kind: button.dataset.do, target: button.dataset.target, why: "" });
  } else if ("close" in button.dataset) {
    button.closest("dialog").close("cancelled");
  } else if ("resume" in button.dataset) {
    live.resume();
    at("pause").focus();
  } else if (button.id === "pause") {
    if (live.held) live.resume();
    else live.pause();
  } else if (button.id === "who") {
    if (name) letGo();
    else open("sign-in");
  } else if ("signIn" in button.dataset) {
    open("sign-in");
  }
});

document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault();
  at("main").focus();
});

window.addEventListener("hashchange", () => {
  tell("");
  isArriving = true;
  render();
  window.scrollTo(0, 0);
});

// A token that was kept when the page was loaded again.
if (token()) {
  signIn(token()).then((answer) => {
    name = answer.name;
    if (!name && answer.sentence.startsWith("nobody")) forget();
    showName();
  });
}

setInterval(() => live.held === null && render(), 1000);
