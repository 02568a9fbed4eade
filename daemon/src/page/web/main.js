// Puts it all together: the line's news go to whom they are about.

import { announce } from "./announce.js";
import { isNow, runsAt, seconds, utc_s } from "./clock.js";
import { Events } from "./events.js";
import { MeterCard } from "./meter.js";
import { fill, make, say } from "./parts.js";
import { Runs } from "./runs.js";
import { isTold, token } from "./token.js";
import { Wire } from "./wire.js";
import { day, moment, size } from "./words.js";

const place = (id) => document.getElementById(id);

const cards = new Map();
const runs = new Runs(place("runs"), place("night"));
const events = new Events(place("events"));
let daemon = null;
let heard_s = null;
let wire = null;
let isLost = true;
let today = day(utc_s());

const LINES = {
  connecting: "connecting…",
  live: "live",
  paused: "paused while nobody looks",
  left: "paused, as many others look: reload this page to look again",
  refused: "not let in",
};

/** What the line is doing. */
function changed(state, why) {
  const line = place("line");
  if (state === "connecting" && ["lost", "refused"].includes(line.dataset.state)) {
    return;
  }
  tell(line.dataset.state, state);
  line.dataset.state = state;
  isLost = state !== "live";
  document.body.classList.toggle("lost", isLost && state !== "connecting");
  if (state === "lost") {
    const since = heard_s === null ? "the daemon doesn't answer" : `no line to the daemon: all below is as it was at ${moment(heard_s, utc_s())}`;
    say(line, `${since}${why ? ` (${why})` : ""}; trying again`);
  } else {
    say(line, LINES[state]);
  }
  if (state === "refused") {
    notice("refused", why);
  } else if (state === "live") {
    notice("refused", "");
  }
  each((card) => card.lost(isLost));
}

/** Says to who listens that the line is lost, or back: once, and not with each attempt. */
function tell(before, now) {
  const words = {
    lost: "No line to the daemon: what was said before is not of now.",
    refused: "Not let in: nothing that is shown is of now.",
    left: "Paused: what was said before is not of now.",
    live: before === "connecting" ? null : "The line to the daemon is back.",
  }[now];
  if (words && now !== before) {
    announce(place("said"), words);
  }
}

/** Does it for each card; one that can't keeps no other from it. */
function each(what) {
  for (const card of cards.values()) {
    try {
      what(card);
    } catch (error) {
      console.error(card.id, error);
    }
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
  hello({ daemon: version, instance, boot, clock, meters, page }) {
    if (daemon !== null && daemon.page !== page) {
      // Another program's page, which may be told otherwise. The token is in this tab's storage.
      location.reload();
      return;
    }
    const isAnother = daemon !== null && daemon.instance !== instance;
    daemon = { instance, boot, page };
    runsAt(clock.speed);
    place("about").textContent = `settled ${version}. Times are this device's; ages are the daemon's.`;
    const rehearsal = clock.speed !== 1 ? `Rehearsal: the daemon's clock runs ${clock.speed} times as fast as real time.` : "";
    notice("clock", rehearsal);
    known(meters, isAnother);
    begun();
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
    // What is shown is as new as this, though the time was told before it.
    if (seen.reading.boot === daemon?.boot) {
      heard_s = Math.max(heard_s, seconds(seen.reading.at));
    }
    cards.get(seen.meter)?.sees(seen);
  },
  verdict(verdict) {
    cards.get(verdict.meter)?.stands(verdict);
  },
  run(run) {
    runs.is(run);
  },
  runs: begun,
  happened,
};

function empty(words) {
  return make("p", { class: "empty" }, words);
}

/** Has a card for each meter, in the daemon's order; after a lost line each that was looked at asks anew for its curve. */
function known(meters, isAnother) {
  for (const [id, card] of cards) {
    if (!meters.includes(id)) {
      card.end();
      cards.delete(id);
    }
  }
  for (const id of meters) {
    if (!cards.has(id)) {
      const card = new MeterCard(id, (path) => wire.get(path), (words) => announce(place("said"), words));
      cards.set(id, card);
      card.lost(isLost);
    }
    cards.get(id).begins(daemon.boot, isAnother);
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

/** Asks for the runs there are. */
function begun() {
  const told = runs.told;
  ask("/api/runs", (answer) => runs.are(answer.runs, told), (words) => runs.fail(words));
}

function happened() {
  ask(`/api/events?after=${events.last}`, (told) => events.add(told.events), (words) => events.fail(words));
}

/** Nobody is told what nobody sees. */
function look() {
  if (document.hidden) {
    wire?.stop();
  } else {
    wire?.start();
    tick();
  }
}

/** Shows ages as they are now; and with another day, which times aren't today's any more. */
function tick() {
  if (document.hidden) {
    return;
  }
  each((card) => card.tick());
  const now = day(utc_s());
  if (now !== today) {
    today = now;
    events.again();
    runs.again();
  }
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
  if (document.hidden) {
    changed("paused");
  }
  look();
}

/** The page's head may stay in sight: what is jumped to comes below it. */
const head = new ResizeObserver(([{ target }]) => document.documentElement.style.setProperty("--head", `${target.offsetHeight}px`));

begin();
head.observe(document.querySelector("header"));
addEventListener("hashchange", () => isTold() && begin());
document.addEventListener("visibilitychange", look);
setInterval(tick, 1000);
