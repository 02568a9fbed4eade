// One meter's card: its state, its last value and how old that is, whether its light has settled, its curve.

import { age_s, boot_s, seconds, utc_s } from "./clock.js";
import { Curve } from "./curve.js";
import { badges, fill, list, make, say, state } from "./parts.js";
import { Series } from "./series.js";
import { ago, digits, moment, plain, signed, span, withUncertainty } from "./words.js";

/** A reading that is older, in s, is shown as stale: half as long again as the hold that a verdict is good for. */
const STALE_S = 90;

/** Readings that may wait while a stretch is on its way. */
const WAITING = 2000;

/** Rows of the table beside the curve. */
const ROWS = 24;

const STATES = {
  ready: ["good", "ready"],
  reading: ["good", "reading"],
  zeroing: ["busy", "being zeroed"],
  warming: ["caution", "warming up"],
  absent: ["bad", "absent"],
  failed: ["bad", "failed"],
};

const VERDICTS = {
  settled: ["good", "Settled"],
  lost: ["bad", "No longer settled"],
  noise_limited: ["caution", "Too noisy to tell"],
  wont_settle: ["bad", "Won't settle"],
};

const FAILING = {
  too_few: () => "more readings are needed",
  luminance_drift: (evidence) => drift("it drifts", evidence.luminance_drift),
  chromaticity_drift: (evidence) => drift("its colour drifts", evidence.chromaticity_drift),
  resolution: () => "noise is larger than the band",
  turning: () => "it swings, or is about to turn",
  meter_warm_up: () => "the meter is warming up",
};

function drift(words, of) {
  return of ? `${words} by ${signed(of.bands_per_hold, 2)} ± ${digits(of.interval, 2)} bands a hold` : words;
}

/** What of a curve is shown: how long in s, in words, and how long its bins are. */
const SPANS = [
  [600, "10 min", 1],
  [3600, "1 h", 5],
  [86400, "1 day", 60],
];

/** The amount of light of a reading, and its unit. */
function light(reading) {
  return "illuminance_lx" in reading ? [reading.illuminance_lx, "lx"] : [reading.luminance_cd_m2, "cd/m²"];
}

export class MeterCard {
  /** `ask(path)` asks the daemon; `announce(words)` is for a change of verdict. */
  constructor(id, ask, announce) {
    this.id = id;
    this.ask = ask;
    this.announce = announce;
    this.boot = null;
    this.meter = null;
    this.reading = null;
    this.verdict = null;
    this.told = undefined;
    this.span_s = SPANS[0][0];
    this.series = null;
    this.waiting = [];
    this.isAsking = false;
    this.isSeen = false;
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
      const button = make("button", { type: "button", "aria-pressed": String(span_s === this.span_s) }, words);
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
    new IntersectionObserver((entries) => {
      this.isSeen = entries.at(-1).isIntersecting;
      if (this.isSeen && this.series === null) {
        this.load();
      }
    }).observe(this.element);
  }

  /** Takes the meter as it is now. */
  is(meter) {
    this.meter = meter;
    fill(this.state, state(...(STATES[meter.state] ?? ["none", plain(meter.state)])));
    fill(this.badges, badges(meter));
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
    const [value, unit] = light(reading);
    const colour = reading.chromaticity;
    fill(
      this.value,
      make("span", {}, make("strong", {}, digits(value, 5)), ` ${unit}`),
      colour ? make("span", { class: "colour" }, `x ${colour.x.toFixed(4)}  y ${colour.y.toFixed(4)}`) : null,
    );
    this.badgesOf(reading.flags);
    if (missed) {
      this.load();
    } else if (this.isAsking || this.series === null) {
      this.waiting.push(...points);
      this.waiting.splice(0, this.waiting.length - WAITING);
    } else if (points.length > 0) {
      this.series.add(points);
      this.draw();
    }
    this.tick();
  }

  /** What is to be known of the reading. */
  badgesOf(flags) {
    const marked = { simulated: flags.includes("simulated") || this.meter?.simulated, replayed: flags.includes("replayed") || this.meter?.replayed };
    fill(this.badges, badges(marked));
    this.flags = flags.filter((flag) => !["simulated", "replayed", "shared"].includes(flag)).map(plain);
  }

  /** Takes how its light stands. */
  stands(verdict) {
    this.verdict = verdict;
    this.#judge();
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
  }

  /** A verdict is good for a hold after the reading that was looked at last. */
  #judge() {
    const { verdict, hold_s, value, unit, evidence, settles_in_s, message, since_s } = this.verdict;
    const stale = this.reading ? age_s(this.reading, this.boot) > hold_s : true;
    const [kind, word] = verdict ? VERDICTS[verdict] : ["none", "Not settled yet"];
    const shown = stale ? ["none", verdict === "settled" ? "Was settled" : "Nobody measures"] : [kind, word];
    const ages = stale ? "No reading has come since, so nothing is known of now." : since(since_s, verdict);
    const key = JSON.stringify([shown, this.reading?.sequence, ages]);
    if (this.toldOf !== key) {
      this.toldOf = key;
      const [y, u] = value ? withUncertainty(value.y, value.y_u95) : [];
      fill(
        this.verdictPlace,
        make("p", {}, state(...shown), make("span", { class: "faint" }, ` ${ages}`)),
        value && u ? make("p", { class: "estimate" }, `${y} ± ${u} ${unit}`, make("span", { class: "faint" }, " 95 %, repeatability alone")) : null,
        stale ? null : make("p", { class: "why" }, message ?? unsettled(evidence, settles_in_s)),
      );
    }
    if (this.told !== shown[1]) {
      // Not the first: only a change is news.
      if (this.told !== undefined) {
        this.announce(`${this.id}: ${shown[1]}`);
      }
      this.told = shown[1];
    }
  }

  #choose(span_s) {
    this.span_s = span_s;
    this.buttons.forEach((button, at) => button.setAttribute("aria-pressed", String(SPANS[at][0] === span_s)));
    this.load();
  }

  /** Asks for the stretch that is shown; what comes meanwhile is put in when it is there. */
  async load() {
    const span_s = this.span_s;
    this.isAsking = true;
    this.waiting = [];
    try {
      const stretch = await this.ask(`/api/bins?meter=${encodeURIComponent(this.id)}&span=${span_s}`);
      if (span_s !== this.span_s) {
        return;
      }
      this.series = new Series(stretch);
      say(this.note, "");
    } catch (error) {
      if (span_s !== this.span_s) {
        return;
      }
      const now = utc_s();
      const [, , every_s] = SPANS.find(([known_s]) => known_s === span_s);
      this.series = new Series({ every_s, since: now - span_s, until: now, series: [] });
      this.series.unit = this.reading ? light(this.reading)[1] : "";
      say(this.note, `The curve begins now: ${error.message}`);
    }
    this.isAsking = false;
    this.series.add(this.waiting);
    this.waiting = [];
    this.draw();
  }

  draw() {
    const series = this.series;
    series.forget(utc_s());
    performance.mark("draw");
    this.curve.draw(series);
    performance.measure("curve", "draw");
    const count = series.t.length;
    const [low, high] = count ? [Math.min(...series.min), Math.max(...series.max)] : [];
    const [, words] = SPANS.find(([span_s]) => span_s === this.span_s);
    this.canvas.setAttribute(
      "aria-label",
      count ? `Curve of ${this.id}, the last ${words}: from ${digits(low, 5)} to ${digits(high, 5)} ${series.unit}. The numbers are below.` : `Curve of ${this.id}: nothing in the last ${words}.`,
    );
    this.canvas.dataset.empty = count === 0 ? `Nothing was measured in the last ${words}.` : "";
    if (series.others > 0) {
      say(this.note, "Readings through another correction, or by another observer, don't compare and are left out.");
    }
    this.#tabulate();
  }

  #tabulate() {
    if (!this.numbers.open || !this.series) {
      return;
    }
    const unit = this.series.unit;
    const head = ["from", "readings", `mean (${unit})`, "smallest", "largest"].map((word) => make("th", { scope: "col" }, word));
    const rows = this.series.rows(ROWS).map(([t, n, ...values]) =>
      make("tr", {}, make("th", { scope: "row" }, moment(t, utc_s())), make("td", {}, String(n)), values.map((value) => make("td", {}, digits(value, 5)))),
    );
    fill(this.table, make("table", {}, make("thead", {}, make("tr", {}, head)), make("tbody", {}, rows)));
  }
}

function since(since_s, verdict) {
  const now = boot_s();
  return verdict && since_s !== null && now !== null ? `for ${span(Math.max(0, 10 * Math.floor((now - since_s) / 10)))}` : "";
}

/** What still stands in the way, in words. */
function unsettled(evidence, settles_in_s) {
  const failing = evidence.failing.map((test) => FAILING[test]?.(evidence)).filter(Boolean);
  const words = failing.length ? failing.join("; ") : "it is being looked at";
  const expected = settles_in_s ? ` Expected to settle in ${span(settles_in_s[0])} to ${span(settles_in_s[1])}.` : "";
  return `${words[0].toUpperCase()}${words.slice(1)}.${expected}`;
}
