// A verdict in words, with what it rests on or what still stands in the way.

import { boot_s } from "./clock.js";
import { digits, plain, signed, span } from "./words.js";

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

/** Its kind and its word. */
export function word(verdict) {
  return verdict ? (VERDICTS[verdict] ?? ["none", plain(verdict)]) : ["none", "Not settled yet"];
}

/** What is said of it once nothing is known of now: as nobody measures, or as there is no line. */
export function was(verdict, isStale) {
  return ["none", verdict === "settled" ? "Was settled" : isStale ? "Nobody measures" : "Not known now"];
}

/** For how long it has been so, in steps of 10 s. */
export function since(since_s, verdict) {
  const now = boot_s();
  return verdict && since_s !== null && now !== null ? `for ${span(Math.max(0, 10 * Math.floor((now - since_s) / 10)))}` : "";
}

/** What still stands in the way. */
export function unsettled(evidence, settles_in_s) {
  const failing = evidence.failing.map((test) => FAILING[test]?.(evidence)).filter(Boolean);
  const words = failing.length ? failing.join("; ") : "it is being looked at";
  const expected = settles_in_s ? ` Expected to settle in ${span(settles_in_s[0])} to ${span(settles_in_s[1])}.` : "";
  return `${words[0].toUpperCase()}${words.slice(1)}.${expected}`;
}
