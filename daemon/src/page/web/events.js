// What happened beside readings, the newest first.

import { seconds, utc_s } from "./clock.js";
import { fill, make, state } from "./parts.js";
import { moment, plain } from "./words.js";

const MOST = 60;

export class Events {
  constructor(place) {
    this.place = place;
    this.all = [];
  }

  /** The sequence of the newest that is known. */
  get last() {
    return this.all.at(-1)?.[0].sequence ?? 0;
  }

  /** Forgets all: another log's have other sequences. */
  clear() {
    this.all = [];
  }

  /** Takes those that came since, each with whether somebody should look at it. */
  add(events) {
    const last = this.last;
    this.all.push(...events.filter(([event]) => event.sequence > last));
    this.all.splice(0, this.all.length - MOST);
    this.draw();
  }

  draw() {
    if (this.all.length === 0) {
      fill(this.place, make("p", { class: "empty" }, "Nothing has happened yet."));
      return;
    }
    const items = this.all.toReversed().map(([event, trouble]) =>
      make(
        "li",
        {},
        make("time", { datetime: event.at }, moment(seconds(event.at), utc_s())),
        make("span", {}, trouble ? state("bad", plain(event.kind)) : plain(event.kind), event.meter ? ` (${event.meter})` : ""),
        make("span", { class: "detail" }, event.detail),
      ),
    );
    fill(this.place, make("ol", { class: "events" }, items));
  }

  /** Says that they can't be had, unless some are known. */
  fail(words) {
    if (this.all.length === 0) {
      fill(this.place, make("p", { class: "empty" }, words));
    }
  }
}
