// Numbers, spans and names as people read them.

/** Digits after the point that are read as such; what is smaller is written in powers of ten. */
const AFTER = 9;

/** With so many significant digits; a dash for what isn't known. */
export function digits(value, count) {
  if (!Number.isFinite(value)) {
    return "–";
  }
  if (value === 0) {
    return "0";
  }
  const before = Math.floor(Math.log10(Math.abs(value))) + 1;
  const after = Math.max(count - before, 0);
  return after > AFTER ? powers(value, count) : minus(value.toFixed(after));
}

function powers(value, count) {
  const [factor, power] = value.toExponential(count - 1).split("e");
  const raised = [...String(Number(power))].map((digit) => (digit === "-" ? "⁻" : "⁰¹²³⁴⁵⁶⁷⁸⁹"[digit]));
  return `${minus(factor)} × 10${raised.join("")}`;
}

/** Rounded where its uncertainty begins: two digits of that. */
export function withUncertainty(value, u95) {
  if (!(u95 > 0)) {
    return [digits(value, 5), null];
  }
  const after = Math.max(1 - Math.floor(Math.log10(u95)), 0);
  if (after > AFTER) {
    return [digits(value, 5), digits(u95, 2)];
  }
  return [minus(value.toFixed(after)), u95.toFixed(after)];
}

function minus(text) {
  return text.replace("-", "−");
}

/** Signed, with so many significant digits. */
export function signed(value, count) {
  return value > 0 ? `+${digits(value, count)}` : digits(value, count);
}

/** Decimals that show so many significant digits. */
function decimals(value, count) {
  return Math.max(count - 1 - Math.floor(Math.log10(value)), 0);
}

/** A drift with its interval, in the unit in which a band is so wide: digits as its interval and the band need them; the daemon's `in_units` says the same. */
export function drifting({ bands_per_hold, interval }, band) {
  const [change, half] = [bands_per_hold * band, interval * band];
  const coarse = decimals(band, 2);
  const after = Math.min(Math.max(half > 0 ? decimals(half, 1) : 0, coarse), coarse + 2, 2 * AFTER);
  return `${change < 0 ? "−" : "+"}${Math.abs(change).toFixed(after)} ± ${half.toFixed(after)}`;
}

/** The daemon's words, with a minus as the page writes it. */
export function told(words) {
  return words.replace(/(^|[\s(])-(?=\d)/g, "$1−");
}

/** A span in s, in the largest unit that says enough. */
export function span(s) {
  if (s < 10) {
    return `${s.toFixed(1)} s`;
  }
  if (s < 100) {
    return `${Math.round(s)} s`;
  }
  const minutes = Math.round(s / 60);
  if (minutes < 100) {
    return `${minutes} min`;
  }
  if (minutes < 48 * 60) {
    return `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
  }
  return `${Math.round(s / 86400)} days`;
}

/** An interval whose ends are as many times apart says no more than its later end. */
const WIDE = 10;

/** Steps of a countdown, in s: up to how far an end is away, and how large; nobody's eye is caught by each second. */
const STEPS = [
  [30, 5],
  [120, 10],
  [Infinity, 60],
];

/** When something is expected that was reckoned to come between two ends, in s from a reading that is so old by now; nothing once even the later
 * end has passed. The daemon's `counted_down` says the same. */
export function expected(low_s, high_s, age_s) {
  const [low, high] = [low_s - age_s, high_s - age_s];
  const [finest] = STEPS[0].slice(1);
  if (high <= 0) {
    return age_s < finest ? "any moment now" : null;
  }
  const [from, to] = [stepped(Math.max(low, 0)), Math.max(stepped(high), finest)];
  if (from === to) {
    return `in about ${whole(to)}`;
  }
  return from === 0 || high >= WIDE * low ? `within ${whole(to)}` : `in ${whole(from)} to ${whole(to)}`;
}

/** An end in the steps of how far it is away itself. */
function stepped(end_s) {
  const [, step] = STEPS.find(([below]) => end_s < below);
  return step * Math.round(end_s / step);
}

/** Up to how far away the later end of a wide interval still tells something; beyond the longest time constant that is fitted none does. In s. */
const [PATIENT, LONGEST] = [600, 14400];

/** Whether an interval between two ends, in s from a reading, tells anything; the daemon's `is_telling` says the same. */
export function isTelling(low_s, high_s) {
  const isWide = low_s < 1 || high_s >= WIDE * low_s;
  return high_s <= PATIENT || (!isWide && high_s <= LONGEST);
}

/** A span of whole seconds, where minutes say enough from two on. */
function whole(s) {
  return s >= 120 ? span(s) : `${s} s`;
}

/** An age: nothing that jumps from one look to the next. */
export function ago(s) {
  return s < 2 ? "just now" : `${span(Math.floor(s))} ago`.replace(".0 s", " s");
}

const TIME = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", second: "2-digit" });
const DAY = new Intl.DateTimeFormat(undefined, { weekday: "short", day: "numeric", month: "short" });

/** The day of a moment, in s since 1970, on this device's clock. */
export function day(utc_s) {
  return DAY.format(new Date(1000 * utc_s));
}

/** A moment in s since 1970 on this device's clock: the time, and the day if that isn't today's. */
export function moment(utc_s, now_s) {
  const time = TIME.format(new Date(1000 * utc_s));
  return day(utc_s) === day(now_s) ? time : `${day(utc_s)}, ${time}`;
}

/** The same, where a number stays with its sign and its unit. */
export function kept(words) {
  // No look behind: to browsers of before 2023 that is a mistake for which they leave out the whole script.
  return words.replace(/ (?=[±%])/g, "\u00a0").replace(/± /g, "±\u00a0").replace(/(\d) (?=(?:s|min|h)\b)/g, "$1\u00a0");
}

/** A name of the protocol's, in words. */
export function plain(name) {
  return name.replaceAll("_", " ");
}

/** Bytes. */
export function size(bytes) {
  const units = ["B", "kB", "MB", "GB", "TB"];
  let at = 0;
  let left = bytes;
  while (left >= 1000 && at < units.length - 1) {
    left /= 1000;
    at += 1;
  }
  return `${digits(left, 3)} ${units[at]}`;
}
