// What a curve is made of: bins of one length, from the log, and what comes put into the last. No drawing here, and no fetching.

/** Spans without readings are drawn as gaps where they are so many times as long as usual. */
const GAP = 3.5;

const COLUMNS = ["t", "n", "mean", "min", "max"];

/** Tells readings that compare from those that don't: the quantity, the eye, the correction. */
export function scale(quantity, observer, correction) {
  return JSON.stringify([quantity, observer ?? null, correction ?? null]);
}

export class Series {
  /** Of a stretch as the daemon tells it: the readings that go on, and how many kinds that don't compare there are beside them. */
  constructor(stretch) {
    const going = stretch.series.at(-1);
    this.every_s = stretch.every_s;
    this.span_s = stretch.until - stretch.since;
    // What is older isn't known, or no more.
    this.since_s = stretch.since;
    this.scale = going ? scale(going.quantity, going.observer, going.correction) : null;
    this.unit = going?.unit ?? "";
    this.simulated = going?.simulated ?? false;
    this.replayed = going?.replayed ?? false;
    this.longest_s = Math.max(going?.longest_s ?? 0, stretch.every_s);
    this.others = Math.max(stretch.series.length - 1, 0);
    this.last = going?.last ?? 0;
    this.wasSetBack = false;
    // Bins of a time that hasn't come yet are of before UTC was set back.
    const now = (_value, at) => going.t[at] <= stretch.until;
    for (const column of COLUMNS) {
      this[column] = going ? going[column].filter(now) : [];
    }
  }

  /** Takes readings that have come, all on one scale; each of the points has its sequence, s since 1970 and its value. */
  add({ scale, unit, simulated, replayed, points }) {
    for (const [sequence, at, value] of points) {
      if (sequence <= this.last) {
        continue;
      }
      this.last = sequence;
      const begin = Math.floor(at / this.every_s) * this.every_s;
      if (this.scale !== scale) {
        this.others += this.scale === null ? 0 : 1;
        this.#begin(scale, unit);
      } else if (this.t.length > 0 && begin < this.t.at(-1) - this.every_s) {
        // UTC was set back: what came after it would pile up in the bin before.
        this.wasSetBack = true;
        this.#begin(scale, unit);
      }
      this.simulated ||= simulated;
      this.replayed ||= replayed;
      this.#put(begin, value);
    }
  }

  #begin(scale, unit) {
    Object.assign(this, { scale, unit, simulated: false, replayed: false, longest_s: this.every_s });
    for (const column of COLUMNS) {
      this[column] = [];
    }
  }

  #put(begin, value) {
    const end = this.t.length - 1;
    if (end >= 0 && this.t[end] >= begin) {
      const n = this.n[end] + 1;
      this.n[end] = n;
      this.mean[end] += (value - this.mean[end]) / n;
      this.min[end] = Math.min(this.min[end], value);
      this.max[end] = Math.max(this.max[end], value);
    } else {
      this.t.push(begin);
      this.n.push(1);
      this.mean.push(value);
      this.min.push(value);
      this.max.push(value);
    }
  }

  /** Forgets what is older than the stretch. */
  forget(now_s) {
    let gone = 0;
    this.since_s = now_s - this.span_s;
    while (gone < this.t.length && this.t[gone] < this.since_s) {
      gone += 1;
    }
    if (gone > 0) {
      for (const column of COLUMNS) {
        this[column].splice(0, gone);
      }
    }
  }

  /** From one bin to the next, usually, in s. */
  usual_s() {
    const steps = [];
    for (let at = 1; at < this.t.length; at += 1) {
      steps.push(this.t[at] - this.t[at - 1]);
    }
    steps.sort((one, other) => one - other);
    return Math.max(steps[steps.length >> 1] ?? 0, this.every_s);
  }

  /** Columns to draw: times, means, smallest, largest; nothing where there is a gap. */
  columns() {
    const gap_s = GAP * this.usual_s();
    const drawn = [[], [], [], []];
    const push = (...values) => values.forEach((value, column) => drawn[column].push(value));
    this.t.forEach((t, at) => {
      if (at > 0 && t - this.t[at - 1] > gap_s) {
        push(t - this.every_s, null, null, null);
      }
      push(t + this.every_s / 2, this.mean[at], this.min[at], this.max[at]);
    });
    return drawn;
  }

  /** The same as rows of a table, the newest first, each of a stretch so long in s: when that begins, readings, mean, smallest, largest. A row that
   * is over stays as it is, until the stretch has moved on beyond its beginning: it would get emptier by and by. */
  rows(width_s) {
    const rows = [];
    this.t.forEach((t, at) => {
      const begin = Math.floor(t / width_s) * width_s;
      if (begin < this.since_s) {
        return;
      }
      if (rows[0]?.[0] !== begin) {
        rows.unshift([begin, 0, 0, Infinity, -Infinity]);
      }
      const [row] = rows;
      row[1] += this.n[at];
      row[2] += (this.n[at] * (this.mean[at] - row[2])) / row[1];
      row[3] = Math.min(row[3], this.min[at]);
      row[4] = Math.max(row[4], this.max[at]);
    });
    return rows;
  }
}
