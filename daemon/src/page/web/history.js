// What a meter has measured lately: a curve of the stretch that somebody chooses, and the same as numbers.

import { utc_s } from "./clock.js";
import { Curve } from "./curve.js";
import { fill, make, say } from "./parts.js";
import { Series } from "./series.js";
import { digits, moment } from "./words.js";

/** What may be chosen: how long in s, in words, and how long its bins are. */
const SPANS = [
  [600, "10 min", 1],
  [3600, "1 h", 5],
  [86400, "1 day", 60],
];

/** Readings that may wait while a stretch is on its way. */
const WAITING = 2000;

/** Rows of the table. */
const ROWS = 24;

export class History {
  /** `ask(path)` asks the daemon. */
  constructor(id, ask) {
    this.id = id;
    this.ask = ask;
    this.chosen = SPANS[0];
    this.series = null;
    this.waiting = [];
    this.isAsking = false;
    this.unit = "";
    this.buttons = SPANS.map((span) => {
      const button = make("button", { type: "button", "aria-pressed": String(span === this.chosen) }, span[1]);
      button.addEventListener("click", () => this.#choose(span));
      return button;
    });
    this.canvas = make("div", { class: "canvas", role: "img", "aria-label": `curve of ${id}` });
    this.note = make("p", { class: "note" });
    this.table = make("div", { class: "table", tabindex: "0", role: "region", "aria-label": `numbers of ${id}` });
    this.numbers = make("details", {}, make("summary", {}, "The curve's numbers"), this.table);
    this.numbers.addEventListener("toggle", () => this.#tabulate());
    const readout = make("p", { class: "readout" });
    this.curve = new Curve(this.canvas, readout);
    this.elements = [
      make("div", { class: "spans", role: "group", "aria-label": `how much of ${id}'s curve` }, this.buttons),
      this.canvas,
      readout,
      this.note,
      this.numbers,
    ];
  }

  /** Takes readings as they come; `missed`: some are in the log alone. */
  add(points, missed, unit) {
    this.unit = unit;
    if (missed) {
      this.load();
    } else if (this.isAsking || this.series === null) {
      this.waiting.push(...points);
      this.waiting.splice(0, this.waiting.length - WAITING);
    } else if (points.length > 0) {
      this.series.add(points);
      this.draw();
    }
  }

  #choose(span) {
    this.chosen = span;
    this.buttons.forEach((button, at) => button.setAttribute("aria-pressed", String(SPANS[at] === span)));
    this.load();
  }

  /** Asks for the stretch that is chosen; what comes meanwhile is put in once it is there. */
  async load() {
    const chosen = this.chosen;
    const [span_s, , every_s] = chosen;
    this.isAsking = true;
    this.waiting = [];
    let stretch;
    let words = "";
    try {
      stretch = await this.ask(`/api/bins?meter=${encodeURIComponent(this.id)}&span=${span_s}`);
    } catch (error) {
      const now = utc_s();
      stretch = { every_s, since: now - span_s, until: now, series: [] };
      words = `The curve begins now: ${error.message}.`;
    }
    // Another may have been chosen meanwhile, which is asked for by itself.
    if (chosen !== this.chosen) {
      return;
    }
    this.series = new Series(stretch);
    this.series.unit ||= this.unit;
    say(this.note, this.series.others > 0 ? "Readings through another correction, or by another observer, don't compare and are left out." : words);
    this.isAsking = false;
    this.series.add(this.waiting);
    this.waiting = [];
    this.draw();
  }

  draw() {
    const { series } = this;
    const [, words] = this.chosen;
    series.forget(utc_s());
    this.curve.draw(series);
    const nothing = series.t.length === 0;
    const [low, high] = [series.min, series.max].map((column, at) => digits([Math.min, Math.max][at](...column), 5));
    this.canvas.setAttribute(
      "aria-label",
      nothing ? `Curve of ${this.id}: nothing in the last ${words}.` : `Curve of ${this.id}, the last ${words}: from ${low} to ${high} ${series.unit}. The numbers are below.`,
    );
    this.canvas.dataset.empty = nothing ? `Nothing was measured in the last ${words}.` : "";
    this.#tabulate();
  }

  #tabulate() {
    if (!this.numbers.open || !this.series) {
      return;
    }
    const head = ["from", "readings", `mean (${this.series.unit})`, "smallest", "largest"].map((word) => make("th", { scope: "col" }, word));
    const rows = this.series.rows(ROWS).map(([t, n, ...values]) =>
      make("tr", {}, make("th", { scope: "row" }, moment(t, utc_s())), make("td", {}, String(n)), values.map((value) => make("td", {}, digits(value, 5)))),
    );
    fill(this.table, make("table", {}, make("thead", {}, make("tr", {}, head)), make("tbody", {}, rows)));
  }
}
