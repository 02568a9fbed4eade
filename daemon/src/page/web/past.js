// A meter's curve as it is known: the stretch that the log has, with what comes put in. What came while it was asked for is put in as well,
// and what can't be asked for isn't taken for light that nobody measured.

import { utc_s } from "./clock.js";
import { Series } from "./series.js";
import { Refused } from "./wire.js";

/** What of a curve is shown: how long in s, in words; how long its bins are, and the rows of its numbers, in s. */
export const SPANS = [
  [600, "10 min", 1, 30],
  [3600, "1 h", 5, 180],
  [86400, "1 day", 60, 3600],
];

/** Readings that are kept beside the curve, for the log is written a little after they are told. */
const RECENT = 2000;

/** Between two questions that nobody has asked for by hand, in ms at least. */
const PACE_MS = 1000;

/** Before a question that couldn't be answered is asked again, in ms: of a line that was lost, and of a daemon that said no. */
const AGAIN_MS = [10000, 60000];

export class Past {
  /** `ask(path)` asks the daemon; `changed()` is called when there is another curve. */
  constructor(id, ask, changed) {
    this.id = id;
    this.ask = ask;
    this.changed = changed;
    this.span_s = SPANS[0][0];
    this.series = null;
    // Why the log couldn't be asked, and whether the curve is without it.
    this.why = "";
    this.isWithout = false;
    this.recent = [];
    this.turn = 0;
    this.isAsking = false;
    this.asked_ms = -Infinity;
    this.again = null;
    this.due_ms = 0;
  }

  get span() {
    return SPANS.find(([span_s]) => span_s === this.span_s);
  }

  /** Whether it was ever asked for. */
  get isWanted() {
    return this.series !== null || this.isAsking;
  }

  /** Takes what came. */
  take(batch) {
    if (batch.points.length > 0) {
      this.recent.push(batch);
      let count = this.recent.reduce((sum, { points }) => sum + points.length, 0);
      while (count > RECENT && this.recent.length > 1) {
        count -= this.recent.shift().points.length;
      }
      this.series?.add(batch);
    }
  }

  /** Shows another span. */
  choose(span_s) {
    this.span_s = span_s;
    this.#begin();
  }

  /** Another daemon tells from now on, whose readings may have other sequences. */
  begin() {
    this.series = null;
    this.recent = [];
    this.isAsking = false;
    this.asked_ms = -Infinity;
  }

  /** Asks for the stretch; once more after that, if it is being asked for. */
  load() {
    if (this.isAsking || performance.now() - this.asked_ms < PACE_MS) {
      this.#later(PACE_MS);
    } else {
      this.#begin();
    }
  }

  /** Once, as soon as anybody wanted it. */
  #later(ms) {
    const due_ms = performance.now() + ms;
    if (this.again !== null && this.due_ms <= due_ms) {
      return;
    }
    clearTimeout(this.again);
    this.due_ms = due_ms;
    this.again = setTimeout(() => {
      this.again = null;
      this.load();
    }, ms);
  }

  /** Of several questions the last counts. */
  async #begin() {
    clearTimeout(this.again);
    this.again = null;
    this.turn += 1;
    const [turn, span_s] = [this.turn, this.span_s];
    this.asked_ms = performance.now();
    this.isAsking = true;
    let stretch = null;
    let error = null;
    try {
      stretch = await this.ask(`/api/bins?meter=${encodeURIComponent(this.id)}&span=${span_s}`);
    } catch (why) {
      error = why;
    }
    if (turn !== this.turn) {
      return;
    }
    this.isAsking = false;
    this.why = error ? error.message : "";
    if (stretch) {
      this.#is(stretch);
      this.isWithout = false;
    } else {
      this.#later(AGAIN_MS[error instanceof Refused ? 1 : 0]);
      const [, , every_s] = this.span;
      if (this.series === null || this.series.every_s !== every_s) {
        const now = utc_s();
        this.#is({ every_s, since: now - span_s, until: now, series: [] });
        this.isWithout = true;
      }
    }
    this.changed();
  }

  #is(stretch) {
    this.series = new Series(stretch);
    this.recent.forEach((batch) => this.series.add(batch));
  }

  /** Nobody wants it any more. */
  end() {
    this.turn += 1;
    clearTimeout(this.again);
  }
}
