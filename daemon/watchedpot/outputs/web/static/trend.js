// The last half hour of a cell: a strip for each zone on one time axis, each with its window, the
// temperature in it and the heater's output below. Loaded, with the chart library, where shown.

import { ask } from "./actions.js";
import { h, show } from "./dom.js";
import { clock, degrees, duration, first, is } from "./words.js";

const LIBRARY = "/static/chart/uplot.iife.min.js";
const SHEET = "/static/chart/uplot.min.css";
// Of the library's own release: the browser takes no other file.
const LIBRARY_HASH = "sha384-XMP23k7YSCFr13Xrkxh4IO0v1W+8fB6AP+3Vycxphp2Z0V2vocAZHyuGaFCysrtM";
const SHEET_HASH = "sha384-IfV0B7MIOYuO95kO9G5ySKPz/85zqFNOAs8iy4tkK5zd9izhJAB8b7lHrwYqqmYE";
const MINUTES = 30;
const EVERY_MS = 10000;
const STRIP = 150;
const EDGE_S = 15; // less than this at an edge of the picture is no gap
const OUTPUT_SHARE = 0.24; // of the height, for the output

let library = null;
let charts = [];
let shown = null; // {box, cell, asked}

function loaded() {
  library ??= new Promise((done, failed) => {
    const sheet = Object.assign(document.createElement("link"), { rel: "stylesheet", href: SHEET, integrity: SHEET_HASH });
    const script = Object.assign(document.createElement("script"), { src: LIBRARY, integrity: LIBRARY_HASH });
    script.onload = () => done(window.uPlot);
    script.onerror = () => failed(new Error("the chart library was not loaded"));
    document.head.append(sheet, script);
  });
  return library;
}

let wide = window.innerWidth;

window.addEventListener("resize", () => {
  if (window.innerWidth === wide) return;
  wide = window.innerWidth;
  clear(); // drawn anew, as wide as it is now
});

export function clear() {
  for (const { chart } of charts) chart.destroy();
  charts = [];
  shown = null;
}

export async function draw(box, { isLost, isHeld, now }) {
  const cell = box.dataset.trend;
  if (shown && (shown.box !== box || shown.cell !== cell || shown.isLost !== isLost)) clear();
  if (isLost) {
    if (!shown) show(box, h("p", { class: "empty is-unknown hatched" }, h("span", { class: "chip" }, "NOT KNOWN: no connection")));
    shown = { box, cell, isLost, asked: Infinity };
    return;
  }
  if (shown && (isHeld || performance.now() - shown.asked < EVERY_MS)) return;
  shown = { box, cell, isLost, asked: performance.now() };
  const mine = shown;
  try {
    const points = Math.min(800, Math.max(200, Math.round(box.clientWidth / 2)));
    const url = `/api/v1/cells/${encodeURIComponent(cell)}/trend?minutes=${MINUTES}&points=${points}`;
    const [uPlot, trend] = await Promise.all([loaded(), ask(url)]);
    if (shown?.box === mine.box && shown.cell === cell && !shown.isLost) paint(uPlot, box, trend, now);
  } catch (error) {
    if (shown === mine) show(box, h("p", { class: "empty" }, `No trend: ${error.message}.`));
  }
}

function paint(uPlot, box, trend, now) {
  const from = Date.parse(trend.from) / 1000;
  const isNew = charts.length !== trend.zones.length || !box.querySelector("figure");
  if (isNew) {
    for (const { chart } of charts) chart.destroy();
    charts = [];
    box.replaceChildren();
  }
  trend.zones.forEach((zone, n) => {
    const data = [zone.at_s.map((at) => from + at), zone.temp_c, zone.setpoint_c, zone.output_percent];
    if (isNew) charts.push(strip(uPlot, box, zone, n === trend.zones.length - 1));
    const one = charts[n];
    Object.assign(one.told, { zone, trend, from });
    one.chart.setScale("x", { min: from, max: Date.parse(trend.to) / 1000 });
    one.chart.setData(data, false);
    one.chart.setScale("x", { min: from, max: Date.parse(trend.to) / 1000 });
    one.caption.textContent = inWords(zone, from);
    one.plot.setAttribute("aria-label", `${one.caption.textContent} ${MINUTES} minutes to ${clock(now)}.`);
  });
  if (isNew) box.append(h("p", { class: "quiet legend" }, "Band: window. Line: temperature. Thin line: setpoint. Grey below: heater output, 0 to 100 %. Shaded: dispensing. Ticks: parts, tall and capped where suspect."), h("ol", { class: "events" }));
  show(box.querySelector(".events"), [...trend.events].reverse().slice(0, 12).map((event) =>
    h("li", {}, h("time", {}, clock(new Date(1000 * (from + event.at_s)).toISOString())), " ", first(event.sentence))));
}

function inWords(zone, from) {
  const seen = zone.temp_c.map((c, n) => [c, zone.at_s[n]]).filter(([c]) => is(c));
  if (seen.length === 0) return `${zone.id}: not seen.`;
  const low = seen.reduce((a, b) => (b[0] < a[0] ? b : a));
  const high = seen.reduce((a, b) => (b[0] > a[0] ? b : a));
  const when = ([, at]) => clock(new Date(1000 * (from + at)).toISOString());
  return `${zone.id}: lowest ${degrees(low[0])} at ${when(low)}, highest ${degrees(high[0])} at ${when(high)}; window ${zone.low_c.toFixed(0)} to ${zone.high_c.toFixed(0)} °C${blind(zone)}.`;
}

function blind(zone) {
  let sum = 0;
  for (let n = 1; n < zone.at_s.length; n += 1) {
    if (!is(zone.temp_c[n]) || !is(zone.temp_c[n - 1])) sum += zone.at_s[n] - zone.at_s[n - 1];
  }
  return sum > 5 ? `; not seen for about ${duration(sum)}` : "";
}

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function strip(uPlot, box, zone, isLast) {
  const facts = { zone };
  const caption = h("figcaption");
  const plot = h("div", { class: "strip", role: "img" });
  box.append(h("figure", {}, caption, plot));
  const ink = colour("--ink");
  const quiet = colour("--quiet");
  const font = "14px system-ui, sans-serif";
  const chart = new uPlot({
    width: Math.max(280, box.clientWidth - 4),
    height: STRIP + (isLast ? 30 : 6),
    padding: [6, 8, 0, 0],
    cursor: { show: false },
    legend: { show: false },
    scales: {
      x: { time: true, auto: false },
      y: { range: (_, low, high) => rangeOf(facts.zone, low, high) },
      output: { range: () => [0, 100 / OUTPUT_SHARE] },
    },
    axes: [
      { show: isLast, stroke: quiet, font, size: 28, grid: { show: false }, ticks: { stroke: quiet, size: 5 }, values: (_, at) => at.map((second) => clock(new Date(1000 * second).toISOString()).slice(0, 5)) },
      { scale: "y", stroke: quiet, font, size: 58, grid: { show: false }, ticks: { stroke: quiet, size: 5 }, splits: () => splitsOf(facts.zone), values: (_, all) => all.map((c) => `${c}°`) },
    ],
    series: [
      {},
      { scale: "y", stroke: ink, width: 2, points: { show: false }, spanGaps: false },
      { scale: "y", stroke: quiet, width: 1, dash: [3, 3], points: { show: false }, spanGaps: false },
      { scale: "output", stroke: quiet, width: 1, fill: colour("--slot"), points: { show: false }, spanGaps: false },
    ],
    hooks: { drawClear: [(u) => ground(u, facts)], draw: [(u) => ticks(u, facts)] },
  }, [[], [], [], []], plot);
  return { chart, caption, plot, told: facts };
}

function rangeOf(zone, low, high) {
  const window = zone.high_c - zone.low_c;
  const least = Math.min(zone.low_c - 0.4 * window, is(low) ? low - 1 : Infinity);
  const most = Math.max(zone.high_c + 0.4 * window, is(high) ? high + 1 : -Infinity);
  return [least - ((most - least) * OUTPUT_SHARE) / (1 - OUTPUT_SHARE), most];
}

const splitsOf = (zone) => [zone.low_c, zone.high_c];

// Behind the lines: when melt flowed, the window, and where nothing was seen.
function ground(u, { zone, trend, from }) {
  if (!trend) return;
  const { ctx, bbox } = u;
  const x = (second) => Math.min(bbox.left + bbox.width, Math.max(bbox.left, u.valToPos(from + second, "x", true)));
  ctx.save();
  ctx.fillStyle = colour("--flow");
  for (const [begin, end] of trend.dispensing) ctx.fillRect(x(begin), bbox.top, Math.max(1, x(end) - x(begin)), bbox.height);
  const top = u.valToPos(zone.high_c, "y", true);
  const low = u.valToPos(zone.low_c, "y", true);
  ctx.fillStyle = colour("--slot");
  ctx.globalAlpha = 0.65;
  ctx.fillRect(bbox.left, top, bbox.width, low - top);
  ctx.globalAlpha = 1;
  ctx.strokeStyle = colour("--rail");
  ctx.lineWidth = 2 * devicePixelRatio;
  ctx.beginPath();
  for (const y of [top, low]) {
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
  }
  ctx.stroke();
  unseen(ctx, bbox, zone, (Date.parse(trend.to) - Date.parse(trend.from)) / 1000, x);
  ctx.restore();
}

// From the last good reading to the next one; and before and after all that is recorded.
function gaps(zone, length) {
  const found = [];
  let seen = 0;
  zone.at_s.forEach((at, n) => {
    if (!is(zone.temp_c[n])) return;
    const isGap = n === 0 ? at > EDGE_S : !is(zone.temp_c[n - 1]);
    if (isGap) found.push([seen, at]);
    seen = at;
  });
  if (length - seen > EDGE_S) found.push([seen, length]);
  return found;
}

function unseen(ctx, bbox, zone, length, x) {
  ctx.strokeStyle = colour("--rail");
  ctx.lineWidth = 1.5 * devicePixelRatio;
  for (const [from, to] of gaps(zone, length)) {
    const begin = x(from);
    const end = Math.max(begin + 2, x(to));
    ctx.save();
    ctx.beginPath();
    ctx.rect(begin, bbox.top, end - begin, bbox.height);
    ctx.clip();
    ctx.beginPath();
    const step = 8 * devicePixelRatio;
    const least = Math.floor((begin - bbox.height) / step) * step; // one lattice for all of them
    for (let at = least; at < end; at += step) {
      ctx.moveTo(at, bbox.top + bbox.height);
      ctx.lineTo(at + bbox.height, bbox.top);
    }
    ctx.stroke();
    ctx.restore();
  }
}

// Parts stand at the foot; suspect ones are taller and capped, so that it shows without colour.
function ticks(u, { trend, from }) {
  if (!trend) return;
  const { ctx, bbox } = u;
  const foot = bbox.top + bbox.height;
  const px = devicePixelRatio;
  ctx.save();
  ctx.strokeStyle = colour("--ink");
  ctx.lineWidth = px;
  ctx.beginPath();
  for (const { at_s, verdict } of trend.parts) {
    const at = u.valToPos(from + at_s, "x", true);
    if (at < bbox.left || at > bbox.left + bbox.width) continue;
    const isSuspect = !verdict.startsWith("clear");
    ctx.moveTo(at, foot);
    ctx.lineTo(at, foot - (isSuspect ? 16 : 6) * px);
    if (isSuspect) {
      ctx.moveTo(at - 2 * px, foot - 16 * px);
      ctx.lineTo(at + 2 * px, foot - 16 * px);
    }
  }
  ctx.stroke();
  ctx.restore();
}
