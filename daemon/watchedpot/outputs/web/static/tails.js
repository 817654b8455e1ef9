// The last ten minutes of each zone: asked for once, then kept up with what comes.

import { ask } from "./actions.js";
import { is } from "./words.js";

export const TAIL_S = 600;
const POINTS = 60;

export class Tails {
  constructor() {
    this.tails = new Map(); // "cell/zone" -> [{at: ms, c: number | null}]
  }

  async load(cell) {
    const trend = await ask(`/api/v1/cells/${encodeURIComponent(cell)}/trend?minutes=10&points=${POINTS}`);
    const from = Date.parse(trend.from);
    for (const zone of trend.zones) {
      const name = `${cell}/${zone.id}`;
      const later = this.tails.get(name) ?? [];
      const asked = zone.at_s.map((at, n) => ({ at: from + 1000 * at, c: zone.temp_c[n] }));
      const begin = later[0]?.at ?? Infinity;
      this.tails.set(name, [...asked.filter(({ at }) => at < begin), ...later]);
    }
  }

  add(cell) {
    const at = Date.parse(cell.at);
    for (const zone of cell.zones) {
      const name = `${cell.id}/${zone.id}`;
      const tail = this.tails.get(name) ?? [];
      const newest = tail.at(-1);
      if (newest && at <= newest.at) continue;
      tail.push({ at, c: zone.quality === "good" && is(zone.temp_c) ? zone.temp_c : null });
      // As many points as can be told apart: of two that lie too near the one before goes.
      const near = (1000 * TAIL_S) / POINTS / 2;
      const [a, b, c] = tail.slice(-3);
      if (c && c.at - a.at < near && (b.c === null) === (c.c === null) && !isTurn(a, b, c)) tail.splice(-2, 1);
      while (tail.length && tail[0].at < at - 1000 * TAIL_S) tail.shift();
      this.tails.set(name, tail);
    }
  }

  of(cell, zone) {
    return this.tails.get(`${cell}/${zone}`) ?? [];
  }
}

const isTurn = (a, b, c) => a.c !== null && (b.c - a.c) * (c.c - b.c) < 0;
