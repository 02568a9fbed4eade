// Runs: those under way, and the one that ended last.

import { seconds, utc_s } from "./clock.js";
import { badges, list, make, renew, state } from "./parts.js";
import { digits, moment, plain, span, told } from "./words.js";

const VERDICTS = {
  settled: ["good", "settled"],
  not_settled: ["caution", "not settled"],
  within: ["good", "within its bands"],
  beyond: ["bad", "beyond its bands"],
  undecided: ["caution", "undecided"],
};

const UNITS = { luminance: "cd/m²", illuminance: "lx" };

const OVER = ["done", "stopped", "failed"];

/** Runs that are over and kept in mind. */
const MOST = 40;

export class Runs {
  constructor(running, night) {
    this.running = running;
    this.night = night;
    this.all = new Map();
    // Which of them were told of, in order: an answer to an earlier question is older than that.
    this.told = 0;
    this.toldOf = new Map();
    this.isKnown = false;
  }

  /** Takes the newest runs, in the place of all that were known when `told` was what it was: as the question was asked. */
  are(runs, told) {
    const all = new Map(runs.map((run) => [run.run, run]));
    for (const [run, of] of this.toldOf) {
      if (of > told && this.all.has(run)) {
        all.set(run, this.all.get(run));
      }
    }
    this.all = all;
    this.isKnown = true;
    this.draw();
  }

  /** They can't be asked for: what is known stays. */
  fail(words) {
    if (!this.isKnown) {
      [this.running, this.night].forEach((place) => renew(place, make("p", { class: "empty" }, `Runs are kept in the log: ${words}.`)));
    }
  }

  /** Takes one as it is now. */
  is(run) {
    this.told += 1;
    this.toldOf.delete(run.run);
    this.toldOf.set(run.run, this.told);
    if (this.toldOf.size > MOST) {
      this.toldOf.delete(this.toldOf.keys().next().value);
    }
    this.all.set(run.run, run);
    this.#forget();
    this.draw();
  }

  /** Forgets the oldest of those that are over where they are many: those that go on are few. */
  #forget() {
    const over = [...this.all.values()].filter((known) => OVER.includes(known.state)).map((known) => known.run);
    if (over.length > MOST) {
      this.all.delete(Math.min(...over));
    }
  }

  /** Shows the same on another day. */
  again() {
    if (this.isKnown) {
      this.draw();
    }
  }

  draw() {
    const runs = [...this.all.values()].sort((one, other) => other.run - one.run);
    const under = (state) => runs.filter((run) => run.state === state);
    const going = [...under("running"), ...under("planned").reverse()];
    renew(this.running, going.length ? going.map(underWay) : make("p", { class: "empty" }, "None. Start one with settle run."));
    const over = runs.filter((run) => OVER.includes(run.state));
    const last = over.sort((one, other) => seconds(other.ends ?? other.created) - seconds(one.ends ?? one.created))[0];
    renew(this.night, last ? ended(last) : make("p", { class: "empty" }, "No run has ended yet."));
    // Where there is none, what goes on has all the width.
    this.night.closest(".beside")?.classList.toggle("alone", !last);
  }
}

function name(run) {
  const label = run.plan.label ? `: ${run.plan.label}` : "";
  return `Run ${run.run}${label}`;
}

function unreal(run) {
  return badges({ simulated: run.flags.includes("simulated"), replayed: run.flags.includes("replayed") });
}

function head(run, what) {
  return make("div", { class: "head" }, make("h3", {}, name(run)), what, unreal(run));
}

function unit(run) {
  return UNITS[run.quantity] ?? "";
}

function verdict(run) {
  return run.verdict ? state(...(VERDICTS[run.verdict] ?? ["none", plain(run.verdict)])) : state(run.state === "failed" ? "bad" : "none", run.state);
}

/** What is to be minded of its drift: the drift itself is in its message, in the daemon's words. */
function drift(run) {
  return run.drift?.caution;
}

function gaps(run) {
  return run.gaps ? `${run.gaps}, ${span(run.gap_s)} together` : "none";
}

function counted(run) {
  const missed = run.missed ? `, ${run.missed} missed` : "";
  return `${run.points} points of ${run.readings} readings${missed}`;
}

function standing(run) {
  return run.standing?.length ? make("ul", { class: "alerts" }, run.standing.map((alert) => make("li", {}, state("bad", alert.message)))) : null;
}

function underWay(run) {
  const planned = run.state === "planned";
  const what = `${plain(run.plan.kind)} on ${run.plan.meter}`;
  const whole = run.elapsed_s + (run.left_s ?? NaN);
  const label = Number.isFinite(whole) ? `${span(run.elapsed_s)} of about ${span(whole)}` : `${span(run.elapsed_s)} so far`;
  const progress =
    planned || !Number.isFinite(whole) ? null : make("progress", { max: String(whole || 1), value: String(run.elapsed_s), "aria-label": `${name(run)}: ${label}` });
  const latest = run.latest && `${digits(run.latest.value, 5)} ${unit(run)}`;
  return make(
    "article",
    { "data-key": run.run, class: "card" },
    head(run, planned ? state("none", "planned") : state("busy", "running")),
    progress,
    standing(run),
    list([
      ["What", what],
      ["Time", planned ? `begins ${moment(seconds(run.begins), utc_s())}` : label],
      ["So far", run.verdict ? verdict(run) : null],
      ["Latest", latest],
      ["Drift", drift(run)],
      ["Taken", planned ? null : counted(run)],
      ["Gaps", planned ? null : gaps(run)],
      ["Alerts", run.alerts ? String(run.alerts) : null],
      ["Waits", run.message.includes(run.waiting?.message) ? null : run.waiting?.message],
    ]),
    make("p", { class: "why" }, told(run.message)),
  );
}

function ended(run) {
  const now = utc_s();
  const when = `${moment(seconds(run.begins), now)} to ${run.ends ? moment(seconds(run.ends), now) : "?"}`;
  return make(
    "article",
    { "data-key": run.run, class: "card" },
    head(run, verdict(run)),
    standing(run),
    list([
      ["What", `${plain(run.plan.kind)} on ${run.plan.meter}, ${run.state}`],
      ["When", when],
      ["Drift", run.drift || run.plan.kind === "warm_up" ? drift(run) : "can't be told"],
      ["Gaps", gaps(run)],
      ["Alerts", run.alerts ? state("bad", String(run.alerts)) : "none"],
      ["Taken", counted(run)],
    ]),
    make("p", { class: "why" }, told(run.message)),
  );
}
