// What happened beside readings, the newest first.

import { seconds, utc_s } from "./clock.js";
import { make, renew, state } from "./parts.js";
import { moment } from "./words.js";

const MOST = 60;

export class Events {
  constructor(place) {
    this.place = place;
    this.all = [];
    this.isKnown = false;
  }

  /** The sequence of the newest that is known. */
  get last() {
    return this.all.at(-1)?.sequence ?? 0;
  }

  /** Forgets all: another log's have other sequences. */
  clear() {
    this.all = [];
  }

  /** Takes those that came since, in the daemon's words, each with whether somebody should look at it. */
  add(events) {
    const last = this.last;
    this.isKnown = true;
    this.all.push(...events.filter((event) => event.sequence > last));
    this.all.splice(0, this.all.length - MOST);
    this.draw();
  }

  /** Shows the same on another day. */
  again() {
    if (this.isKnown) {
      this.draw();
    }
  }

  draw() {
    if (this.all.length === 0) {
      renew(this.place, make("p", { class: "empty" }, "Nothing has happened yet."));
      return;
    }
    const items = this.all.toReversed().map(({ sequence, at, kind, meter, words, trouble }) =>
      make(
        "li",
        { "data-key": sequence },
        make("time", { datetime: at }, moment(seconds(at), utc_s())),
        make("span", {}, trouble ? state("bad", kind) : kind, meter ? ` (${meter})` : ""),
        make("span", { class: "detail" }, words),
      ),
    );
    renew(this.place, make("ol", { class: "events" }, items));
  }

  /** Says that they can't be had, unless some are known. */
  fail(words) {
    if (this.all.length === 0) {
      renew(this.place, make("p", { class: "empty" }, words));
    }
  }
}
