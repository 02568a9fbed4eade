// The line to the daemon: news as they come, and questions. Server-sent events are read with fetch, as only that sends the token in a
// header. A line that is lost, or silent, is taken up again for as long as the page is open; and whoever answers then must prove to know
// the token before it is sent, as any program of the machine may have taken the port meanwhile.

import { isProven, nonce } from "./proof.js";

/** The daemon tells the time every 2 s: a line that has been silent for so long, in ms, leads nowhere. */
const SILENCE_MS = 9000;

/** Before the first attempt after a line was lost, and at most, in ms. */
const PAUSES_MS = [500, 5000];

/** A line that has held for so long, in ms, is a good one: the next attempt comes soon again. */
const HELD_MS = 30000;

/** A question that has no answer after so long, in ms, gets none. */
const ANSWER_MS = 20000;

/** Why a question has no answer, in the daemon's words. */
export class Refused extends Error {}

const STRANGER =
  "What answers here doesn't know this page's token, and wasn't told it. Either the token is another daemon's, or was made anew: open the address that `settle page` prints now. Or something else has the daemon's port.";

export class Wire {
  /** `hear(name, data)` is called for each piece of news, `changed(state, why)` when the line changes: connecting, live, lost, refused, paused, left. */
  constructor(token, hear, changed) {
    this.token = token;
    this.hear = hear;
    this.changed = changed;
    this.pause = PAUSES_MS[0];
    this.abort = null;
    this.wake = null;
    this.wanted = false;
    this.isLive = false;
    this.questions = new Set();
    // Tells one start from another: what was stopped ends, though it has been started again meanwhile.
    this.turn = 0;
  }

  /** Begins, or tries again at once. */
  start() {
    if (this.wanted) {
      this.wake?.();
      return;
    }
    this.wanted = true;
    this.turn += 1;
    this.#keep(this.turn);
  }

  /** Ends the line until it is started again. */
  stop() {
    this.#end("paused");
  }

  #end(state) {
    if (this.wanted) {
      this.wanted = false;
      this.turn += 1;
      this.changed(state);
    }
    this.#drop();
    this.abort?.abort();
    this.wake?.();
  }

  /** No question is answered any more. */
  #drop() {
    this.isLive = false;
    this.questions.forEach((question) => question.abort(new Error("the line to the daemon was lost")));
  }

  /** The answer to a question. Throws `Refused` with the daemon's words, or whatever keeps it from being asked. */
  async get(path) {
    if (!this.isLive) {
      throw new Error("there is no line to the daemon");
    }
    const question = new AbortController();
    this.questions.add(question);
    const late = setTimeout(() => question.abort(new Error(`no answer within ${ANSWER_MS / 1000} s`)), ANSWER_MS);
    try {
      const answer = await fetch(path, { headers: this.#headers(), cache: "no-store", signal: question.signal });
      const told = await answer.text();
      if (!answer.ok) {
        throw new Refused(words(told));
      }
      return JSON.parse(told);
    } finally {
      clearTimeout(late);
      this.questions.delete(question);
    }
  }

  #headers() {
    return { Authorization: `Bearer ${this.token}` };
  }

  async #keep(turn) {
    while (turn === this.turn) {
      this.changed("connecting");
      let why = "";
      try {
        const refused = await this.#listen(turn);
        if (refused !== null && turn === this.turn) {
          this.wanted = false;
          this.changed("refused", refused);
          return;
        }
      } catch (error) {
        // Nobody is there, or the line was lost; or there are words of somebody who is.
        why = error instanceof Refused ? error.message : "";
      }
      if (turn !== this.turn) {
        return;
      }
      this.changed(why === STRANGER ? "refused" : "lost", why);
      await new Promise((resolve) => {
        this.wake = resolve;
        setTimeout(resolve, this.pause);
      });
      this.pause = Math.min(2 * this.pause, PAUSES_MS[1]);
    }
  }

  /** Listens until the line is lost; the words of a refusal that no further attempt will change, if there is one. */
  async #listen(turn) {
    const abort = new AbortController();
    this.abort = abort;
    const timers = { silence: setTimeout(() => abort.abort(), SILENCE_MS), held: null };
    try {
      await this.#ask(abort.signal);
      const answer = await fetch("/api/stream", { headers: this.#headers(), cache: "no-store", signal: abort.signal });
      if (answer.status === 401) {
        return (await answer.text()).trim();
      }
      if (!answer.ok) {
        throw new Refused(words(await answer.text()));
      }
      this.isLive = true;
      this.changed("live");
      timers.held = setTimeout(() => (this.pause = PAUSES_MS[0]), HELD_MS);
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (let heard = now(); ; heard = now()) {
        const { done, value } = await reader.read();
        // What has lain here while this device slept is old: what time it says it is isn't now. A new line tells how things are.
        if (done || turn !== this.turn || since_ms(heard) > SILENCE_MS) {
          return null;
        }
        clearTimeout(timers.silence);
        timers.silence = setTimeout(() => abort.abort(), SILENCE_MS);
        rest = this.#tell(rest + value);
      }
    } finally {
      Object.values(timers).forEach(clearTimeout);
      if (this.abort === abort) {
        this.#drop();
      }
      abort.abort();
    }
  }

  /** Asks whoever is there to prove that it knows the token. Throws where it can't. */
  async #ask(signal) {
    if (!globalThis.crypto?.subtle) {
      throw new Refused("this browser can't check that it is the daemon that answers: open the page by 127.0.0.1 or localhost, or in a newer one");
    }
    const asked = nonce();
    const answer = await fetch(`/api/proof?nonce=${asked}`, { cache: "no-store", signal });
    const told = await answer.text();
    if (!answer.ok || !(await isProven(this.token, asked, told))) {
      throw new Refused(STRANGER);
    }
  }

  /** Tells what has come whole, and gives back the rest. What can't be shown keeps nothing else from being shown. */
  #tell(text) {
    const events = text.split("\n\n");
    const rest = events.pop();
    for (const event of events) {
      const found = /^event: ([^\n]*)\ndata: ([^\n]*)$/.exec(event);
      if (found?.[1] === "left") {
        this.#end("left");
      } else if (found) {
        try {
          this.hear(found[1], JSON.parse(found[2]));
        } catch (error) {
          console.error(found[1], error);
        }
      }
    }
    return rest;
  }
}

/** How long it is since a moment, in ms, by that of this device's clocks that says more: one stands still while the device sleeps, the other may
 * be set. */
function since_ms({ steady_ms, wall_ms }) {
  return Math.max(performance.now() - steady_ms, Date.now() - wall_ms);
}

function now() {
  return { steady_ms: performance.now(), wall_ms: Date.now() };
}

/** The words of a refusal, which are an error of the protocol's or words already. */
function words(told) {
  try {
    return JSON.parse(told).error.message;
  } catch {
    return told.trim();
  }
}
