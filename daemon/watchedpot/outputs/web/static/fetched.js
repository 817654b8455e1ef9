// Answers that are asked for rather than sent: kept for a while, asked for again while shown.

import { ask } from "./actions.js";

export class Fetched {
  constructor(changed) {
    this.changed = changed;
    this.answers = new Map(); // url -> {value, asked, error}
  }

  get(url, { everyMs = 10000 } = {}) {
    const known = this.answers.get(url) ?? { value: null, asked: -Infinity, error: "" };
    if (performance.now() - known.asked > everyMs) {
      known.asked = performance.now();
      this.answers.set(url, known);
      this.fill(url, known);
    }
    return known;
  }

  async fill(url, known) {
    try {
      known.value = await ask(url);
      known.error = "";
    } catch (error) {
      known.value = null;
      known.error = error.message;
    }
    this.changed();
  }

  forget() {
    this.answers.clear();
  }
}
