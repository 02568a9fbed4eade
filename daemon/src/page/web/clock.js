// The daemon's time, which may run faster than this device's where meters are simulated. Ages are counted by it; between two words of the
// daemon's this device's own clocks go on.

let known = null;
let speed = 1;

/** Takes how fast the daemon's clock runs. */
export function runsAt(times) {
  speed = times;
}

/** Takes what time it is: `at` is UTC, `t_s` the daemon's boot clock. */
export function isNow(at, t_s) {
  known = { utc_s: seconds(at), t_s, steady_ms: performance.now(), wall_ms: Date.now() };
}

/** Since then, in s. The steady clock stands still while a device sleeps, the other one may be set: what is older than it seems would be
 * shown as fresh, so the larger counts. */
function since_s() {
  return (speed * Math.max(performance.now() - known.steady_ms, Date.now() - known.wall_ms)) / 1000;
}

/** UTC in s since 1970, for the daemon. */
export function utc_s() {
  return known ? known.utc_s + since_s() : Date.now() / 1000;
}

/** The daemon's boot clock, in s; null before it has been heard of. */
export function boot_s() {
  return known ? known.t_s + since_s() : null;
}

/** A moment as the protocol writes it, in s since 1970. Browsers take no more than milliseconds. */
export function seconds(at) {
  return Date.parse(at.replace(/(\.\d{3})\d*/, "$1")) / 1000;
}

/** How old a reading is, in s: by the boot clock, which no step of UTC bends, where it is of this boot. One of another boot is older than
 * this boot; and where UTC was set back since, so that it seems to be yet to come, nobody knows by how much: Infinity. */
export function age_s(reading, boot) {
  if (known && reading.boot === boot) {
    return Math.max(0, boot_s() - reading.t_s);
  }
  const by_utc = utc_s() - seconds(reading.at);
  return by_utc < 0 ? Infinity : Math.max(by_utc, boot_s() ?? 0);
}
