// One meter's card: its state, who has it, its last value and how old that is; its verdict and its curve have ideas of their own.

import { age_s, seconds, utc_s } from "./clock.js";
import { History } from "./history.js";
import { badges, fill, list, make, say, state } from "./parts.js";
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

/** The amount of light of a reading, and its unit. */
function light(reading) {
  return "illuminance_lx" in reading ? [reading.illuminance_lx, "lx"] : [reading.luminance_cd_m2, "cd/m²"];
}

export class MeterCard {
  /** `ask(path)` asks the daemon; `announce(words)` is for a change of verdict. */
  constructor(id, ask, announce) {
    this.id = id;
    /** The daemon's boot: readings of it are as old as its boot clock says. */
    this.boot = null;
    this.reading = null;
    /** Flags that have a place of their own, or are nobody's concern here. */
    this.apart = ["shared"];
    const title = `meter-${id}`;
    const place = make("div", { class: "verdict" });
    this.verdict = new Verdict(place, (words) => announce(`${id}: ${words}`));
    this.history = new History(id, ask);
    this.state = make("span");
    this.badges = make("span");
    this.value = make("p", { class: "value" }, "no reading yet");
    this.age = make("p", { class: "age" });
    this.holder = make("p", { class: "holder", hidden: true });
    this.details = make("div");
    this.element = make(
      "article",
      { "aria-labelledby": title, class: "card" },
      make("div", { class: "head" }, make("h3", { id: title }, id), this.state, this.badges),
      this.value,
      this.age,
      place,
      this.holder,
      this.history.elements,
      make("details", {}, make("summary", {}, "About this meter"), this.details),
    );
    // A curve is asked for once it is to be seen.
    new IntersectionObserver((entries) => {
      if (entries.at(-1).isIntersecting && this.history.series === null) {
        this.history.load();
      }
    }).observe(this.element);
  }

  /** Takes the meter as it is now. */
  is(meter) {
    const { instrument, zero, correction, lease } = meter;
    fill(this.state, state(...(STATES[meter.state] ?? ["none", plain(meter.state)])));
    fill(this.badges, badges(meter));
    this.apart = ["shared", ...["simulated", "replayed"].filter((mark) => meter[mark])];
    this.holder.hidden = !lease;
    if (lease) {
      const who = lease.client ?? (lease.pid ? `process ${lease.pid}` : "another program");
      say(this.holder, `Held by ${who}${lease.purpose ? ` for ${lease.purpose}` : ""}, since ${moment(seconds(lease.since), utc_s())}.`);
    }
    const serial = instrument?.serial ? `, serial ${instrument.serial}` : "";
    fill(
      this.details,
      list([
        ["Why", meter.reason],
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
    const [value, unit] = light(reading);
    const colour = reading.chromaticity;
    fill(
      this.value,
      make("span", {}, make("strong", {}, digits(value, 5)), ` ${unit}`),
      colour ? make("span", { class: "colour" }, `x ${colour.x.toFixed(4)}  y ${colour.y.toFixed(4)}`) : null,
    );
    this.history.add(points, missed, unit);
    this.tick();
  }

  /** Takes how its light stands. */
  stands(verdict) {
    this.verdict.is(verdict);
    this.tick();
  }

  /** Asks for its curve anew, if it has one. */
  again() {
    if (this.history.series !== null) {
      this.history.load();
    }
  }

  /** Shows ages as they are now. */
  tick() {
    if (!this.reading) {
      return;
    }
    const age = age_s(this.reading, this.boot);
    const stale = age > STALE_S;
    const flags = this.reading.flags.filter((flag) => !this.apart.includes(flag)).map((flag) => `; ${plain(flag)}`);
    const measured = `measured ${ago(age)}`;
    this.element.classList.toggle("stale", stale);
    say(this.age, (stale ? `STALE: ${measured}, at ${moment(seconds(this.reading.at), utc_s())}` : measured) + flags.join(""));
    this.verdict.draw(age);
  }
}

function zeroed(zero) {
  if (zero.needed) {
    return zero.why ? `due now: ${zero.why}` : "due now";
  }
  return zero.at ? `done ${moment(seconds(zero.at), utc_s())}` : "not needed yet";
}
