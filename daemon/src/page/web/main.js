// Puts it all together: the line's news go to whom they are about.

import { isNow, runsAt, utc_s } from "./clock.js";
import { Events } from "./events.js";
import { MeterCard } from "./meter.js";
import { fill, make, say } from "./parts.js";
import { Runs } from "./runs.js";
import { isTold, token } from "./token.js";
import { Wire } from "./wire.js";
import { moment, size } from "./words.js";

const place = (id) => document.getElementById(id);

const cards = new Map();
const runs = new Runs(place("runs"), place("night"));
const events = new Events(place("events"));
let daemon = null;
let heard_s = null;
let wire = null;

const LINES = {
  connecting: "connecting…",
  live: "live",
  paused: "paused while nobody looks",
};

/** What the line is doing. */
function changed(state, why) {
  const line = place("line");
  if (state === "connecting" && line.dataset.state === "lost") {
    return;
  }
  line.dataset.state = state;
  document.body.classList.toggle("lost", state === "lost" || state === "refused");
  if (state === "lost") {
    say(line, heard_s === null ? "the daemon doesn't answer; trying again" : `no line to the daemon: all below is as it was at ${moment(heard_s, utc_s())}; trying again`);
  } else if (state === "refused") {
    say(line, "not let in");
    notice("refused", why);
  } else {
    say(line, LINES[state]);
  }
}

/** A notice at the top, or none. */
function notice(id, words) {
  const known = place(`notice-${id}`);
  if (!words) {
    known?.remove();
  } else if (known) {
    say(known, words);
  } else {
    place("notices").append(make("p", { id: `notice-${id}`, class: "notice" }, words));
  }
}

const NEWS = {
  hello({ daemon: version, instance, boot, clock, meters }) {
    const isAnother = daemon !== null && daemon.instance !== instance;
    daemon = { instance, boot };
    runsAt(clock.speed);
    place("about").textContent = `settled ${version}. Times are this device's; ages are the daemon's.`;
    const rehearsal = clock.speed !== 1 ? `Rehearsal: the daemon's clock runs ${clock.speed} times as fast as real time.` : "";
    notice("clock", rehearsal);
    known(meters, isAnother);
    ask("/api/runs", (told) => runs.are(told.runs), (words) => ["runs", "night"].forEach((id) => fill(place(id), empty(`Runs are kept in the log: ${words}.`))));
    happened();
  },
  time({ at, t_s, log }) {
    isNow(at, t_s);
    heard_s = utc_s();
    const off = log.reason === "off in the config" ? "The log is off: nothing of this is kept." : `The log is not written: ${log.reason}`;
    notice("log", log.writing ? "" : off);
    notice("room", log.room?.low ? `The log has ${size(log.room.left_bytes)} left.` : "");
  },
  meter(meter) {
    cards.get(meter.id)?.is(meter);
  },
  reading(seen) {
    cards.get(seen.meter)?.sees(seen);
  },
  verdict(verdict) {
    cards.get(verdict.meter)?.stands(verdict);
  },
  run(run) {
    runs.is(run);
  },
  happened,
};

function empty(words) {
  return make("p", { class: "empty" }, words);
}

/** Has a card for each meter, in the daemon's order; after a lost line each asks anew for its curve. */
function known(meters, isAnother) {
  for (const id of cards.keys()) {
    if (!meters.includes(id)) {
      cards.delete(id);
    }
  }
  for (const id of meters) {
    if (!cards.has(id)) {
      cards.set(id, new MeterCard(id, (path) => wire.get(path), announce));
    } else {
      cards.get(id).again();
    }
    cards.get(id).boot = daemon.boot;
  }
  const all = meters.map((id) => cards.get(id).element);
  const shown = [...place("meters").children];
  if (all.length !== shown.length || all.some((card, at) => card !== shown[at])) {
    fill(place("meters"), all.length ? all : empty("The daemon has no meters: add a [[meter]] to its config."));
  }
  if (isAnother) {
    events.clear();
  }
}

async function ask(path, then, otherwise) {
  try {
    then(await wire.get(path));
  } catch (error) {
    otherwise(error.message);
  }
}

function happened() {
  ask(`/api/events?after=${events.last}`, (told) => events.add(told.events), (words) => events.fail(words));
}

function announce(words) {
  place("said").textContent = words;
}

function begin() {
  const known = token();
  wire?.stop();
  notice("refused", "");
  if (known === null) {
    changed("refused", "This page asks for a token: open the address that `settle page` prints, with all that stands behind its #.");
    return;
  }
  wire = new Wire(known, (name, data) => NEWS[name]?.(data), changed);
  wire.start();
}

begin();
addEventListener("hashchange", () => isTold() && begin());
// Nobody is told what nobody sees.
document.addEventListener("visibilitychange", () => (document.hidden ? wire?.stop() : wire?.start()));
setInterval(() => cards.forEach((card) => card.tick()), 1000);
