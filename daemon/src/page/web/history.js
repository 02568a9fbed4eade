// What a meter has measured lately, as it is shown: a curve of the stretch that somebody chooses, and the same as numbers.

import { utc_s } from "./clock.js";
import { Curve } from "./curve.js";
import { make, mark, renew, say } from "./parts.js";
import { Past, SPANS } from "./past.js";
import { digits, moment, span } from "./words.js";

/** A curve is drawn anew after so long at least, in s, though nothing comes: its right edge is now. */
const REDRAW_S = 5;

/** Between two changes of the table at least, in ms: nobody reads faster. */
const TABLE_MS = 5000;

const OTHERS = "Readings through another correction, or by another observer, don't compare and are left out.";

export class History {
  /** `ask(path)` asks the daemon. */
  constructor(id, ask) {
    this.id = id;
    this.past = new Past(id, ask, () => this.draw());
    this.isSeen = false;
    this.drawn_s = null;
    // The table: when it was told last, of which span, and whether it lacks anything by now.
    this.told = { at_ms: -Infinity, span_s: null, isOld: true };
    // What is said of the meter and its value already.
    this.marked = {};
    this.buttons = SPANS.map((span) => {
      const button = make("button", { type: "button", "aria-pressed": String(span[0] === this.past.span_s) }, span[1]);
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

  /** Takes readings as they come, all on one scale; `missed`: some are in the log alone. */
  add(batch, missed) {
    const before = this.past.series?.last;
    this.past.take(batch);
    if (missed) {
      this.past.load();
    }
    if (this.past.series && this.past.series.last !== before) {
      this.draw();
    }
  }

  /** Whether it is in sight. A curve is asked for once it is. */
  seen(isSeen) {
    this.isSeen = isSeen;
    if (isSeen && !this.past.isWanted) {
      this.past.load();
    } else if (isSeen) {
      this.draw();
    }
  }

  /** A line has begun, to the daemon that was known or to another: what there is of it is asked for anew. */
  begins(isAnother) {
    const wanted = this.isSeen || this.past.isWanted;
    if (isAnother) {
      this.past.begin();
    }
    if (wanted) {
      this.past.load();
    }
  }

  /** Its card is gone. */
  end() {
    this.past.end();
    this.curve.end();
  }

  #choose([span_s]) {
    this.buttons.forEach((button, at) => button.setAttribute("aria-pressed", String(SPANS[at][0] === span_s)));
    this.past.choose(span_s);
  }

  /** Moves on to now, if it is time to. */
  tick() {
    const { series } = this.past;
    if (series && !(Math.abs(utc_s() - this.drawn_s) < Math.max(series.every_s, REDRAW_S))) {
      this.draw();
    }
    this.#tabulate();
  }

  draw() {
    const { series, span } = this.past;
    // Another may have been chosen, which isn't there yet.
    if (!series || series.every_s !== span[2]) {
      return;
    }
    this.drawn_s = utc_s();
    series.forget(this.drawn_s);
    if (this.isSeen) {
      this.curve.draw(series);
    }
    const { why, isWithout } = this.past;
    const isEmpty = series.t.length === 0;
    const nothing = isWithout ? `Not known of the last ${span[1]}: ${why}.` : `Nothing was measured in the last ${span[1]}.`;
    const [low, high] = [series.min, series.max].map((column, at) => digits([Math.min, Math.max][at](...column), 5));
    mark(
      this.canvas,
      "aria-label",
      isEmpty ? `Curve of ${this.id}. ${nothing}` : `Curve of ${this.id}, the last ${span[1]}: from ${low} to ${high} ${series.unit}. The numbers are below.`,
    );
    mark(this.canvas, "data-empty", isEmpty ? nothing : "");
    this.#remark();
    this.told.isOld = true;
    this.#tabulate();
  }

  /** What is to be known of it. */
  #remark() {
    const { series, why, isWithout } = this.past;
    const beside = ["simulated", "replayed"].filter((mark) => series[mark] && !this.marked[mark]);
    const words = [
      beside.length > 0 && `Some of this curve is ${beside.join(" and ").toUpperCase()}.`,
      series.others > 0 && OTHERS,
      series.wasSetBack && "UTC was set back: the curve begins there.",
      why && (isWithout ? `The curve begins now: ${why}.` : `The curve may lack readings: ${why}.`),
    ];
    say(this.note, words.filter(Boolean).join(" "));
  }

  /** The table, if it is open. What is there already isn't touched, and what isn't comes every few seconds: it may be being read. */
  #tabulate() {
    const { series, span: [span_s, , every_s, width_s] } = this.past;
    const isDue = span_s !== this.told.span_s || performance.now() - this.told.at_ms >= TABLE_MS;
    if (!this.numbers.open || series?.every_s !== every_s || !this.told.isOld || !isDue) {
      return;
    }
    this.told = { at_ms: performance.now(), span_s, isOld: false };
    const whole = series.rows(width_s);
    if (whole.length === 0) {
      renew(this.table, make("p", { class: "empty" }, "None."));
      return;
    }
    const head = ["from", "readings", `mean (${series.unit})`, "smallest", "largest"].map((word) => make("th", { scope: "col" }, word));
    const rows = whole.map(([t, n, ...values]) =>
      make("tr", { "data-key": t }, make("th", { scope: "row" }, moment(t, utc_s())), make("td", {}, String(n)), values.map((value) => make("td", {}, digits(value, 5)))),
    );
    const caption = make("caption", {}, `${span(width_s)} a row, the newest first`);
    renew(this.table, make("table", {}, caption, make("thead", {}, make("tr", {}, head)), make("tbody", {}, rows)));
  }
}
