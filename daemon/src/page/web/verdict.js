// Whether a meter's light has settled, as the daemon reckons from what passes. A verdict is good for a hold after the last reading.

import { boot_s } from "./clock.js";
import { fill, make, state } from "./parts.js";
import { digits, signed, span, withUncertainty } from "./words.js";

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

export class Verdict {
  /** `announce(words)` is for a change. */
  constructor(place, announce) {
    this.place = place;
    this.announce = announce;
    this.known = null;
    this.drawn = null;
    this.told = null;
  }

  /** Takes how the light stands. */
  is(known) {
    this.known = known;
  }

  /** Shows it as it is now, the last reading being so old, in s. */
  draw(age_s) {
    if (this.known === null) {
      return;
    }
    const { verdict, hold_s, value, unit, evidence, settles_in_s, message, since_s, t_s } = this.known;
    const stale = age_s > hold_s;
    const fresh = verdict ? VERDICTS[verdict] : ["none", "Not settled yet"];
    const [kind, word] = stale ? ["none", verdict === "settled" ? "Was settled" : "Nobody measures"] : fresh;
    const beside = stale ? "No reading has come since, so nothing is known of now." : since(since_s, verdict);
    const key = [word, t_s, beside].join();
    if (this.drawn !== key) {
      this.drawn = key;
      const [y, u95] = value ? withUncertainty(value.y, value.y_u95) : [];
      fill(
        this.place,
        make("p", {}, state(kind, word), make("span", { class: "faint" }, ` ${beside}`)),
        u95 ? make("p", { class: "estimate" }, `${y} ± ${u95} ${unit}`, make("span", { class: "faint" }, " 95 %, repeatability alone")) : null,
        stale ? null : make("p", { class: "why" }, message ?? unsettled(evidence, settles_in_s)),
      );
    }
    if (this.told !== word) {
      // The first is no change.
      if (this.told !== null) {
        this.announce(word);
      }
      this.told = word;
    }
  }
}

/** For how long it has been so: in steps of 10 s, so that it doesn't jump about. */
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
