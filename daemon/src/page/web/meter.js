// One meter's card: its state, who has it, its last value and how old that is; its verdict and its curve have ideas of their own.

import { age_s, seconds, utc_s } from "./clock.js";
import { History } from "./history.js";
import { badges, list, make, renew, say, state } from "./parts.js";
import { scale } from "./series.js";
import { Verdict } from "./verdict.js";
import { ago, digits, moment, plain } from "./words.js";

/** A reading that is older, in s, is shown as stale: half as long again as the hold that a verdict is good for. */
const STALE_S = 90;

const STATES = {
  ready: ["good", "ready"],
  reading: ["good", "reading"],
  zeroing: ["busy", "being zeroed"],
  warming: ["caution", "warming up"],
  absent: ["bad", "absent"],
  failed: ["bad", "failed"],
};

/** Flags that have a place of their own, or are nobody's concern here. */
const APART = ["shared", "simulated", "replayed"];

const NOTHING = "no reading yet";

/** The amount of light of a reading, its unit, and what it is of. */
function light(reading) {
  return "illuminance_lx" in reading ? [reading.illuminance_lx, "lx", "illuminance"] : [reading.luminance_cd_m2, "cd/m²", "luminance"];
}

/** What must not be taken for a measurement: of a reading, of a meter, or of both, as neither speaks for the other. */
function marks(reading, meter) {
  const is = (mark) => Boolean(reading?.flags.includes(mark) || meter?.[mark]);
  return { simulated: is("simulated"), replayed: is("replayed") };
}

export class MeterCard {
  /** `ask(path)` asks the daemon; `announce(words)` is for a change of verdict. */
  constructor(id, ask, announce) {
    this.id = id;
    /** The daemon's boot: readings of it are as old as its boot clock says. */
    this.boot = null;
    this.meter = null;
    this.reading = null;
    this.isLost = false;
    const title = `meter-${id}`;
    const place = make("div", { class: "verdict" });
    this.verdict = new Verdict(place, (words) => announce(`${id}: ${words}`));
    this.history = new History(id, ask);
    this.state = make("span");
    this.badges = make("span");
    this.value = make("p", { class: "value" }, NOTHING);
    this.age = make("p", { class: "age" });
    this.holder = make("p", { class: "holder", hidden: true });
    this.reason = make("p", { class: "reason", hidden: true });
    this.details = make("div");
    this.element = make(
      "article",
      { "aria-labelledby": title, class: "card" },
      make("div", { class: "head" }, make("h3", { id: title }, id), this.state, this.badges),
      this.reason,
      this.value,
      this.age,
      place,
      this.holder,
      this.history.elements,
      make("details", {}, make("summary", {}, "About this meter"), this.details),
    );
    this.sight = new IntersectionObserver((entries) => this.history.seen(entries.at(-1).isIntersecting));
    this.sight.observe(this.element);
  }

  /** A line has begun, to the daemon that was known or to another. */
  begins(boot, isAnother) {
    if (isAnother || (this.boot !== null && this.boot !== boot)) {
      this.#forget();
    }
    this.boot = boot;
    this.history.begins(isAnother);
  }

  /** What was told of a value and a verdict rests on another daemon's clock and meter. What the new one has of it, it tells. */
  #forget() {
    this.reading = null;
    this.verdict.forget();
    renew(this.value, NOTHING);
    say(this.age, "");
    this.element.classList.remove("stale", "former");
    this.#mark();
  }

  /** Whether there is no line, so that nothing is known of now. */
  lost(isLost) {
    this.isLost = isLost;
    this.#state();
    this.tick();
  }

  /** The meter is there no more. */
  end() {
    this.sight.disconnect();
    this.history.end();
  }

  #state() {
    if (this.meter) {
      const [kind, word] = STATES[this.meter.state] ?? ["none", plain(this.meter.state)];
      renew(this.state, this.isLost ? state("none", `was ${word}`) : state(kind, word));
    }
  }

  #mark() {
    this.history.marked = marks(this.reading, this.meter);
    renew(this.badges, badges(this.history.marked));
  }

  /** Takes the meter as it is now. */
  is(meter) {
    const { instrument, zero, correction, lease } = meter;
    this.meter = meter;
    this.#state();
    this.#mark();
    this.holder.hidden = !lease;
    if (lease) {
      const who = lease.client ?? (lease.pid ? `process ${lease.pid}` : "another program");
      say(this.holder, `Held by ${who}${lease.purpose ? ` for ${lease.purpose}` : ""}, since ${moment(seconds(lease.since), utc_s())}.`);
    }
    this.reason.hidden = !meter.reason;
    say(this.reason, meter.reason ?? "");
    const serial = instrument?.serial ? `, serial ${instrument.serial}` : "";
    renew(
      this.details,
      list([
        ["Instrument", instrument && `${instrument.model}, ${plain(instrument.kind)}${serial}`],
        ["Driver", meter.driver],
        ["Where", meter.address],
        ["Zero", zero && zeroed(zero)],
        ["Correction", correction && (correction.name ?? correction.correction)],
        ["Observer", meter.observer],
        ["Faults", meter.faults > 0 ? `${meter.faults} since the daemon started` : null],
      ]),
    );
  }

  /** Takes the latest reading, and what came since the last time. */
  sees({ reading, points, missed }) {
    this.reading = reading;
    const [value, unit, quantity] = light(reading);
    const colour = reading.chromaticity;
    renew(
      this.value,
      make("span", {}, make("strong", {}, digits(value, 5)), ` ${unit}`),
      colour ? make("span", { class: "colour" }, `x ${colour.x.toFixed(4)}  y ${colour.y.toFixed(4)}`) : null,
    );
    this.#mark();
    this.history.add({ scale: scale(quantity, reading.observer, reading.correction), unit, ...marks(reading), points }, missed);
    this.tick();
  }

  /** Takes how its light stands. */
  stands(verdict) {
    this.verdict.is(verdict);
    this.tick();
  }

  /** Shows ages as they are now. */
  tick() {
    this.history.tick();
    if (!this.reading) {
      return;
    }
    const age = age_s(this.reading, this.boot);
    const stale = age > STALE_S;
    const flags = this.reading.flags.filter((flag) => !APART.includes(flag)).map((flag) => `; ${plain(flag)}`);
    const measured = Number.isFinite(age) ? `measured ${ago(age)}` : "measured before the daemon's clock was set back";
    const former = isFormer(this.reading, this.meter) ? ", before the meter was zeroed" : "";
    this.element.classList.toggle("stale", stale);
    this.element.classList.toggle("former", Boolean(former));
    say(this.age, (stale ? `STALE: ${measured}, at ${moment(seconds(this.reading.at), utc_s())}` : measured) + former + flags.join(""));
    this.verdict.draw(age, this.isLost);
  }
}

/** Whether the meter was zeroed since, so that it might read something else now. */
function isFormer(reading, meter) {
  return Boolean(meter?.zero?.at) && seconds(reading.at) < seconds(meter.zero.at);
}

function zeroed(zero) {
  if (zero.needed) {
    return zero.why ? `due now: ${zero.why}` : "due now";
  }
  return zero.at ? `done ${moment(seconds(zero.at), utc_s())}` : "not needed yet";
}
