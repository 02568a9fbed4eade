// Whether a meter's light has settled, as the daemon reckons from what passes. A verdict is good for a hold after the last reading, and for as
// long as there is a line.

import { boot_s } from "./clock.js";
import { make, renew, state } from "./parts.js";
import { digits, drifting, expected, isTelling, kept, plain, span, told, withUncertainty } from "./words.js";

const VERDICTS = {
  settled: ["good", "Settled"],
  lost: ["bad", "No longer settled"],
  noise_limited: ["caution", "Too noisy to tell"],
  wont_settle: ["bad", "Won't settle"],
};

const FAILING = {
  too_few: () => "more readings are needed",
  luminance_drift: ({ evidence, ...known }) => drift("luminance drifts", evidence.luminance_drift, evidence.luminance_band, known),
  chromaticity_drift: ({ evidence, hold_s }) => drift("chromaticity drifts", evidence.chromaticity_drift, evidence.chromaticity_band, { unit: "in u′v′", hold_s }),
  resolution: () => "noise is larger than the band",
  turning: () => "it swings, or is about to turn",
  meter_warm_up: () => "the meter is warming up",
};

const STALE = "No reading has come since, so nothing is known of now.";
const LOST = "There is no line to the daemon, so nothing is known of now.";

/** Light that is so dark that its band, as a share of it, says nothing is told in its own unit. */
const DARK = 0.1;

/** In per cent of the value, or in a unit, with what is allowed: as the daemon's sentences have it. */
function drift(words, of, band, { value, unit, hold_s }) {
  if (!of || !(band > 0)) {
    return words;
  }
  const y = Math.abs(value?.y ?? 0);
  const [allowed, per] = band < DARK * y ? [(100 * band) / y, "%"] : [band, unit];
  const hold = span(hold_s);
  return `${words} by ${drifting(of, allowed)} ${per} per ${hold} (allowed: ${digits(allowed, 2)}${per === "%" ? " %" : ""})`;
}

/** Its kind and its word. */
function said(verdict) {
  return verdict ? (VERDICTS[verdict] ?? ["none", plain(verdict)]) : ["none", "Not settled yet"];
}

/** The same once nothing is known of now: as nobody measures, or as there is no line. */
function was(verdict, isSilent) {
  return ["none", verdict === "settled" ? "Was settled" : isSilent ? "Nobody measures" : "Not known now"];
}

export class Verdict {
  /** `announce(words)` is for a change. */
  constructor(place, announce) {
    this.place = place;
    this.announce = announce;
    this.known = null;
    this.drawn = null;
  }

  /** Forgets what another daemon said, whose clock and meter may be others. */
  forget() {
    this.known = null;
    this.drawn = null;
    renew(this.place);
    this.place.classList.remove("was");
  }

  /** Takes how the light stands. Only another verdict is news: not the first, and not that no readings come. */
  is(known) {
    if (this.known !== null && this.known.verdict !== known.verdict) {
      this.announce(said(known.verdict)[1]);
    }
    this.known = known;
  }

  /** Shows it as it is now, the last reading being so old, in s. */
  draw(age_s, isLost) {
    if (this.known === null) {
      return;
    }
    const { verdict, hold_s, value, unit, message, since_s } = this.known;
    const isStale = !(age_s <= hold_s);
    const unknown = isStale || isLost;
    // Whether anybody measures can't be told without a line.
    const isSilent = isStale && !isLost;
    const [kind, word] = unknown ? was(verdict, isSilent) : said(verdict);
    const beside = unknown ? (isSilent ? STALE : LOST) : since(since_s, verdict);
    const [y, u95] = value ? withUncertainty(value.y, value.y_u95) : [];
    const estimate = u95 ? `${y} ± ${u95} ${unit}` : null;
    const why = unknown ? null : kept(told(message?.replace(/^Settled: (.)/, (_, first) => first.toUpperCase()) ?? unsettled(this.known, age_s)));
    const drawn = [word, beside, estimate, why].join("\n");
    if (this.drawn !== drawn) {
      this.drawn = drawn;
      this.place.classList.toggle("was", unknown);
      renew(
        this.place,
        make("p", { "data-key": "word" }, state(kind, word), make("span", { class: "faint" }, ` ${beside}`)),
        estimate && make("p", { "data-key": "value", class: "estimate" }, estimate, make("span", { class: "faint" }, " 95 %, repeatability alone")),
        why && make("p", { "data-key": "why", class: "why" }, why),
      );
    }
  }
}

/** For how long it has been so: in steps of 10 s, so that it doesn't jump about. */
function since(since_s, verdict) {
  const now = boot_s();
  return verdict && since_s !== null && now !== null ? `for ${span(Math.max(0, 10 * Math.floor((now - since_s) / 10)))}` : "";
}

/** What still stands in the way, in words, and when it is expected to be over: both by a reading that is so old, in s. */
function unsettled(known, age_s) {
  const { evidence, settles } = known;
  const failing = evidence.failing.map((test) => FAILING[test]?.(known)).filter(Boolean);
  const words = failing.length ? failing.join("; ") : "it is being looked at";
  return `${words[0].toUpperCase()}${words.slice(1)}.${settles ? ahead(...settles, age_s) : ""}`;
}

function ahead(low_s, high_s, age_s) {
  if (!isTelling(low_s, high_s)) {
    return " When it settles can't be foreseen yet.";
  }
  const words = expected(low_s, high_s, age_s);
  return words ? ` Expected to settle ${words}.` : " It should have settled by now: another reading would tell.";
}
