// The line to the daemon: news as they come, and questions. Server-sent events are read with fetch, as only that sends the token in a
// header. A line that is lost, or silent, is taken up again for as long as the page is open.

/** The daemon tells the time every 2 s: a line that has been silent for so long, in ms, leads nowhere. */
const SILENCE_MS = 9000;

/** Before the first attempt after a line was lost, and at most, in ms. */
const PAUSES_MS = [500, 5000];

/** Why a question has no answer. */
export class Refused extends Error {}

export class Wire {
  /** `hear(name, data)` is called for each piece of news, `changed(state, why)` when the line changes: connecting, live, lost, refused. */
  constructor(token, hear, changed) {
    this.token = token;
    this.hear = hear;
    this.changed = changed;
    this.pause = PAUSES_MS[0];
    this.abort = null;
    this.wake = null;
    this.wanted = false;
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
    if (this.wanted) {
      this.wanted = false;
      this.turn += 1;
      this.changed("paused");
    }
    this.abort?.abort();
    this.wake?.();
  }

  /** The answer to a question. Throws `Refused` with the daemon's words, or whatever keeps it from being asked. */
  async get(path) {
    const answer = await fetch(path, { headers: this.#headers(), cache: "no-store" });
    const told = await answer.text();
    if (answer.ok) {
      return JSON.parse(told);
    }
    let words = told.trim();
    try {
      words = JSON.parse(told).error.message;
    } catch {
      // It is in words already.
    }
    throw new Refused(words);
  }

  #headers() {
    return { Authorization: `Bearer ${this.token}` };
  }

  async #keep(turn) {
    while (turn === this.turn) {
      this.changed("connecting");
      let refused = null;
      try {
        refused = await this.#listen();
      } catch {
        // Nobody is there, or the line was lost: told below.
      }
      if (turn !== this.turn) {
        return;
      }
      if (refused !== null) {
        this.wanted = false;
        this.changed("refused", refused);
        return;
      }
      this.changed("lost");
      await new Promise((resolve) => {
        this.wake = resolve;
        setTimeout(resolve, this.pause);
      });
      this.pause = Math.min(2 * this.pause, PAUSES_MS[1]);
    }
  }

  /** Listens until the line is lost; the words of a refusal, if it is refused. */
  async #listen() {
    this.abort = new AbortController();
    const abort = this.abort;
    let silence = setTimeout(() => abort.abort(), SILENCE_MS);
    try {
      const answer = await fetch("/api/stream", {
        headers: this.#headers(),
        cache: "no-store",
        signal: abort.signal,
      });
      if (answer.status === 401) {
        return (await answer.text()).trim();
      }
      if (!answer.ok) {
        return null;
      }
      this.changed("live");
      this.pause = PAUSES_MS[0];
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (;;) {
        const { done, value } = await reader.read();
        if (done) {
          return null;
        }
        clearTimeout(silence);
        silence = setTimeout(() => abort.abort(), SILENCE_MS);
        rest = this.#tell(rest + value);
      }
    } finally {
      clearTimeout(silence);
    }
  }

  /** Tells what has come whole, and gives back the rest. */
  #tell(text) {
    const events = text.split("\n\n");
    const rest = events.pop();
    for (const event of events) {
      const found = /^event: (.*)\ndata: (.*)$/.exec(event);
      if (found) {
        this.hear(found[1], JSON.parse(found[2]));
      }
    }
    return rest;
  }
}
