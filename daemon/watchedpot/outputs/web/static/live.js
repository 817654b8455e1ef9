// What the daemon says, as it says it; and whether it still says anything.
//
// The stream is one of server-sent events. It is read with fetch, since EventSource cannot carry
// the token that reading takes where the daemon is reached from other computers. The daemon sends
// something at least every 2 s. If nothing has come for LOST_MS the connection counts as lost, and
// no old number is given out any more.

import { authorization } from "./actions.js";

const LOST_MS = 4200; // shown within 5 s
const AGAIN_MS = 1000;

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

export class Live {
  constructor(url, changed) {
    this.url = url;
    this.changed = changed;
    this.newest = null; // the newest state that came
    this.held = null; // the one that is shown while updates are paused
    this.isLost = false;
    this.needsToken = false;
    this.heard = this.begun = performance.now();
    this.heardAt = new Date();
    this.follow();
    setInterval(() => this.check(), 200);
    document.addEventListener("visibilitychange", () => this.check());
  }

  async follow() {
    for (;;) {
      try {
        await this.listen();
      } catch {
        // What follows from it is seen by `check`.
      }
      await pause(AGAIN_MS);
    }
  }

  async listen() {
    this.begun = performance.now();
    this.attempt = new AbortController();
    const answer = await fetch(this.url, { headers: authorization(), signal: this.attempt.signal, cache: "no-store" });
    if (this.needsToken !== (answer.status === 401)) {
      this.needsToken = !this.needsToken;
      this.changed();
    }
    if (!answer.ok) return;
    const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
    let text = "";
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return;
      const messages = (text + value).split("\n\n");
      text = messages.pop();
      messages.forEach((message) => this.take(message));
    }
  }

  take(message) {
    const lines = message.split("\n");
    const told = (name) => lines.filter((line) => line.startsWith(`${name}: `)).map((line) => line.slice(name.length + 2)).join("\n");
    if (told("event") === "state") {
      this.newest = { ...JSON.parse(told("data")), came: performance.now() };
      this.hear();
      this.changed();
    } else if (told("event") === "beat") {
      this.hear();
    }
  }

  hear() {
    this.heard = performance.now();
    this.heardAt = new Date();
    if (!this.isLost) return;
    this.isLost = false;
    if (this.newest && this.newest.came < this.heard - LOST_MS) this.newest = null; // too old to come back
    this.changed();
  }

  check() {
    const now = performance.now();
    if (now - this.heard > LOST_MS && now - this.begun > LOST_MS) this.attempt?.abort();
    if (!this.isLost && now - this.heard > LOST_MS) {
      this.isLost = true;
      this.changed();
    }
  }

  pause() {
    this.held = this.newest && { ...this.newest, now: this.now(this.newest) };
    this.changed();
  }

  resume() {
    this.held = null;
    this.changed();
  }

  // The state to show, with nothing in it that is no longer known.
  get state() {
    const shown = this.held ?? this.newest;
    if (!shown) return null;
    const now = this.now(shown);
    const waited = this.held ? 0 : ((performance.now() - shown.came) / 1000) * (shown.speed ?? 1);
    const cells = shown.cells.map((cell) => {
      const aged = { ...cell, age_s: cell.age_s + waited };
      return this.isLost || cell.is_outdated ? concealed(aged, this.isLost) : aged;
    });
    return { ...shown, now, cells };
  }

  now(state) {
    if (state.now) return state.now;
    const waited = (performance.now() - state.came) * (state.speed ?? 1);
    return new Date(Date.parse(state.at) + waited).toISOString();
  }
}

// A cell without anything that may have changed since.
function concealed(cell, isLost) {
  return {
    ...cell,
    level: "unknown",
    word: isLost ? "NO CONNECTION" : cell.word,
    reason: isLost ? "this page hears nothing of the cell; look at the cell's own display" : cell.reason,
    number: { label: "not known", text: "" },
    is_hidden: true,
    is_dispensing: null,
    is_in_production: null,
    parts: null,
    idle_since: null,
    ready_at: null,
    charge: { id: cell.charge?.id, state: null, sentence: "", life_used: null },
    alarms: isLost ? [] : cell.alarms,
    zones: cell.zones.map((zone) => ({
      id: zone.id, kind: zone.kind, low_c: zone.low_c, high_c: zone.high_c, ceiling_c: zone.ceiling_c,
      phase: "unknown", position: "unknown", temp_c: null, setpoint_c: null, output_percent: null,
      quality: isLost ? "not known" : zone.quality, reason: isLost ? "no connection" : zone.reason,
      status: isLost ? "" : zone.status, last_good: zone.last_good, exposure: null, readings: null,
      core: null, tip: null, is_hidden: true,
    })),
  };
}
