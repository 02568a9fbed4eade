// One meter's card: its state, its last value and how old that is, whether its light has settled, its curve.

import { age_s, seconds, utc_s } from "./clock.js";
import { Curve } from "./curve.js";
import { badges, fill, list, make, say, state } from "./parts.js";
import { Past, SPANS } from "./past.js";
import { scale } from "./series.js";
import { since, unsettled, was, word } from "./verdict.js";
import { ago, digits, moment, plain, withUncertainty } from "./words.js";

/** A reading that is older, in s, is shown as stale: half as long again as the hold that a verdict is good for. */
const STALE_S = 90;

/** Rows of the table beside the curve. */
const ROWS = 24;

/** A curve is drawn anew after so long at least, in s, though nothing comes: its right edge is now. */
const REDRAW_S = 5;

const STATES = {
  ready: ["good", "ready"],
  reading: ["good", "reading"],
  zeroing: ["busy", "being zeroed"],
  warming: ["caution", "warming up"],
  absent: ["bad", "absent"],
  failed: ["bad", "failed"],
};

/** The amount of light of a reading, its unit, and what it is of. */
function light(reading) {
  return "illuminance_lx" in reading ? [reading.illuminance_lx, "lx", "illuminance"] : [reading.luminance_cd_m2, "cd/m²", "luminance"];
}

/** What must not be taken for a measurement: of a reading, or of a meter. */
function unreal(reading, meter) {
  const is = (what) => Boolean(reading?.flags.includes(what) || meter?.[what]);
  return { simulated: is("simulated"), replayed: is("replayed") };
}

export class MeterCard {
  /** `ask(path)` asks the daemon; `announce(words)` is for a change of verdict. */
  constructor(id, ask, announce) {
    this.id = id;
    this.announce = announce;
    this.past = new Past(id, ask, () => this.draw());
    this.boot = null;
    this.meter = null;
    this.reading = null;
    this.verdict = null;
    this.told = undefined;
    this.drawn_s = null;
    this.isSeen = false;
    this.isLost = false;
    this.#build();
  }

  #build() {
    const title = `meter-${this.id}`;
    this.state = make("span");
    this.badges = make("span");
    this.value = make("p", { class: "value" }, "no reading yet");
    this.age = make("p", { class: "age" });
    this.verdictPlace = make("div", { class: "verdict" });
    this.holder = make("p", { class: "holder", hidden: true });
    this.buttons = SPANS.map(([span_s, words]) => {
      const button = make("button", { type: "button", "aria-pressed": String(span_s === this.past.span_s) }, words);
      button.addEventListener("click", () => this.#choose(span_s));
      return button;
    });
    this.readout = make("p", { class: "readout" });
    this.canvas = make("div", { class: "canvas", role: "img", "aria-label": `curve of ${this.id}` });
    this.note = make("p", { class: "note" });
    this.table = make("div", { class: "table", tabindex: "0", role: "region", "aria-label": `numbers of ${this.id}` });
    this.numbers = make("details", {}, make("summary", {}, "The curve's numbers"), this.table);
    this.numbers.addEventListener("toggle", () => this.#tabulate());
    this.details = make("div");
    const spans = make("div", { class: "spans", role: "group", "aria-label": `how much of ${this.id}'s curve` }, this.buttons);
    this.element = make(
      "article",
      { "aria-labelledby": title, class: "card" },
      make("div", { class: "head" }, make("h3", { id: title }, this.id), this.state, this.badges),
      this.value,
      this.age,
      this.verdictPlace,
      this.holder,
      spans,
      this.canvas,
      this.readout,
      this.note,
      this.numbers,
      make("details", {}, make("summary", {}, "About this meter"), this.details),
    );
    this.curve = new Curve(this.canvas, this.readout);
    // A curve is asked for once it is to be seen.
    this.seen = new IntersectionObserver((entries) => {
      this.isSeen = entries.at(-1).isIntersecting;
      if (this.isSeen && !this.past.isWanted) {
        this.past.load();
      } else if (this.isSeen) {
        this.draw();
      }
    });
    this.seen.observe(this.element);
  }

  /** A line has begun: to the daemon that was known, or to another. */
  begins(boot, isAnother) {
    this.boot = boot;
    const wanted = this.isSeen || this.past.isWanted;
    if (isAnother) {
      this.past.begin();
    }
    if (wanted) {
      this.past.load();
    }
  }

  /** Whether there is no line, so that nothing is known of now. */
  lost(isLost) {
    this.isLost = isLost;
    this.#state();
    this.tick();
  }

  /** The meter is there no more. */
  end() {
    this.past.end();
    this.curve.end();
    this.seen.disconnect();
  }

  #state() {
    if (this.meter) {
      const [kind, words] = STATES[this.meter.state] ?? ["none", plain(this.meter.state)];
      fill(this.state, this.isLost ? state("none", `was ${words}`) : state(kind, words));
    }
  }

  /** Of the last value and of the meter, as neither speaks for the other. */
  #mark() {
    fill(this.badges, badges(unreal(this.reading, this.meter)));
  }

  /** Takes the meter as it is now. */
  is(meter) {
    this.meter = meter;
    this.#state();
    this.#mark();
    this.#hold(meter.lease);
    const instrument = meter.instrument;
    const serial = instrument?.serial ? `, serial ${instrument.serial}` : "";
    const { zero, correction } = meter;
    fill(
      this.details,
      list([
        ["Why", meter.reason],
        ["Instrument", instrument && `${instrument.model}, ${plain(instrument.kind)}${serial}`],
        ["Driver", meter.driver],
        ["Where", meter.address],
        ["Zero", zero && (zero.needed ? `due now${zero.why ? `: ${zero.why}` : ""}` : zero.at ? `done ${moment(seconds(zero.at), utc_s())}` : "not needed yet")],
        ["Correction", correction && (correction.name ?? correction.id ?? correction.correction)],
        ["Observer", meter.observer],
        ["Faults", meter.faults > 0 ? `${meter.faults} since the daemon started` : null],
      ]),
    );
  }

  #hold(lease) {
    this.holder.hidden = !lease;
    if (lease) {
      const who = lease.client ?? (lease.pid ? `process ${lease.pid}` : "another program");
      const what = lease.purpose ? ` for ${lease.purpose}` : "";
      say(this.holder, `Held by ${who}${what}, since ${moment(seconds(lease.since), utc_s())}.`);
    }
  }

  /** Takes the latest reading, and what came since the last time. */
  sees({ reading, points, missed }) {
    this.reading = reading;
    const [value, unit, quantity] = light(reading);
    const colour = reading.chromaticity;
    fill(
      this.value,
      make("span", {}, make("strong", {}, digits(value, 5)), ` ${unit}`),
      colour ? make("span", { class: "colour" }, `x ${colour.x.toFixed(4)}  y ${colour.y.toFixed(4)}`) : null,
    );
    this.flags = reading.flags.filter((flag) => !["simulated", "replayed", "shared"].includes(flag)).map(plain);
    this.#mark();
    const before = this.past.series?.last;
    this.past.take({ scale: scale(quantity, reading.observer, reading.correction), unit, ...unreal(reading), points });
    if (missed) {
      this.past.load();
    }
    if (this.past.series && this.past.series.last !== before) {
      this.draw();
    }
    this.tick();
  }

  /** Takes how its light stands. */
  stands(verdict) {
    this.verdict = verdict;
    this.#judge();
    // Not the first: only a change is news, and that readings don't come is none.
    if (this.told !== undefined && this.told !== verdict.verdict) {
      this.announce(`${this.id}: ${word(verdict.verdict)[1]}`);
    }
    this.told = verdict.verdict;
  }

  /** Shows ages as they are now. */
  tick() {
    if (this.reading) {
      const age = age_s(this.reading, this.boot);
      const stale = age > STALE_S;
      this.element.classList.toggle("stale", stale);
      const flags = this.flags?.length ? `; ${this.flags.join(", ")}` : "";
      say(this.age, `${stale ? "STALE: " : ""}measured ${ago(age)}${stale ? `, at ${moment(seconds(this.reading.at), utc_s())}` : ""}${flags}`);
    }
    if (this.verdict) {
      this.#judge();
    }
    const { series } = this.past;
    if (series && !(Math.abs(utc_s() - this.drawn_s) < Math.max(series.every_s, REDRAW_S))) {
      this.draw();
    }
  }

  /** A verdict is good for a hold after the reading that was looked at last. */
  #judge() {
    const { verdict, hold_s, value, unit, evidence, settles_in_s, message, since_s } = this.verdict;
    const stale = this.reading ? age_s(this.reading, this.boot) > hold_s : true;
    const unknown = stale || this.isLost;
    const shown = unknown ? was(verdict, stale) : word(verdict);
    const why = stale ? "No reading has come since, so nothing is known of now." : "There is no line to the daemon, so nothing is known of now.";
    const ages = unknown ? why : since(since_s, verdict);
    const key = JSON.stringify([shown, this.reading?.sequence, ages]);
    if (this.toldOf !== key) {
      this.toldOf = key;
      const [y, u] = value ? withUncertainty(value.y, value.y_u95) : [];
      fill(
        this.verdictPlace,
        make("p", {}, state(...shown), make("span", { class: "faint" }, ` ${ages}`)),
        value && u ? make("p", { class: "estimate" }, `${y} ± ${u} ${unit}`, make("span", { class: "faint" }, " 95 %, repeatability alone")) : null,
        unknown ? null : make("p", { class: "why" }, message ?? unsettled(evidence, settles_in_s)),
      );
    }
  }

  #choose(span_s) {
    this.buttons.forEach((button, at) => button.setAttribute("aria-pressed", String(SPANS[at][0] === span_s)));
    this.past.choose(span_s);
  }

  draw() {
    const { series, span, why, isWithout } = this.past;
    if (!series || series.every_s !== span[2]) {
      return;
    }
    this.drawn_s = utc_s();
    series.forget(this.drawn_s);
    if (this.isSeen) {
      this.curve.draw(series);
    }
    const count = series.t.length;
    const [low, high] = count ? [Math.min(...series.min), Math.max(...series.max)] : [];
    const nothing = isWithout ? `Not known of the last ${span[1]}: ${why}` : `Nothing was measured in the last ${span[1]}.`;
    this.canvas.setAttribute(
      "aria-label",
      count ? `Curve of ${this.id}, the last ${span[1]}: from ${digits(low, 5)} to ${digits(high, 5)} ${series.unit}. The numbers are below.` : `Curve of ${this.id}. ${nothing}`,
    );
    this.canvas.dataset.empty = count === 0 ? nothing : "";
    this.#remark(series, why, isWithout);
    this.#tabulate();
  }

  /** What is to be known of the curve. */
  #remark(series, why, isWithout) {
    const here = unreal(this.reading, this.meter);
    const beside = ["simulated", "replayed"].filter((what) => series[what] && !here[what]);
    const words = [
      beside.length && `Some of this curve is ${beside.join(" and ").toUpperCase()}.`,
      series.others > 0 && "Readings through another correction, or by another observer, don't compare and are left out.",
      series.wasSetBack && "UTC was set back: the curve begins there.",
      why && (isWithout ? `The curve begins now: ${why}.` : `The curve may lack readings: ${why}.`),
    ];
    say(this.note, words.filter(Boolean).join(" "));
  }

  #tabulate() {
    const { series } = this.past;
    if (!this.numbers.open || !series) {
      return;
    }
    const { unit } = series;
    const head = ["from", "readings", `mean (${unit})`, "smallest", "largest"].map((word) => make("th", { scope: "col" }, word));
    const rows = series.rows(ROWS).map(([t, n, ...values]) =>
      make("tr", {}, make("th", { scope: "row" }, moment(t, utc_s())), make("td", {}, String(n)), values.map((value) => make("td", {}, digits(value, 5)))),
    );
    fill(this.table, make("table", {}, make("thead", {}, make("tr", {}, head)), make("tbody", {}, rows)));
  }
}
