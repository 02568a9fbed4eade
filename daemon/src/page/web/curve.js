// One curve: means as a line, smallest to largest as a band around it. Drawn by uPlot, in this page's colours.

import { digits, moment, span } from "./words.js";
import { utc_s } from "./clock.js";

/** How high a curve is for its width, and at least and at most, in pixels: a single meter has the whole width to itself. */
const [RATIO, LOWEST, HIGHEST] = [0.22, 170, 300];

function height(width) {
  return Math.round(Math.min(Math.max(RATIO * width, LOWEST), HIGHEST));
}

/** The least that the vertical axis shows, as a share of the light: noise is not to look like a storm. */
const LEAST = 0.002;

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

/** The ends of the vertical axis. */
function ends(_plot, min, max) {
  if (min === null || max === null) {
    return [0, 1];
  }
  const least = LEAST * Math.max(Math.abs(min), Math.abs(max)) || 1e-6;
  const pad = Math.max(0.08 * (max - min), (least - (max - min)) / 2);
  return [min - pad, max + pad];
}

/** Labels of the vertical axis: as many digits as tell its steps apart. */
function labels(_plot, splits) {
  const step = splits.length > 1 ? Math.abs(splits[1] - splits[0]) : 1;
  let after = 0;
  // A step of 0.25 takes two.
  while (after < 9 && Math.abs(step * 10 ** after - Math.round(step * 10 ** after)) > 1e-6 * step * 10 ** after) {
    after += 1;
  }
  return splits.map((split) => split.toFixed(after).replace("-", "−"));
}

/** Wide enough for the longest label. */
function room(plot, values, axis, cycle) {
  const before = plot.axes[axis]._size;
  if (cycle > 1) {
    return before;
  }
  const longest = Math.max(...(values ?? [""]).map((value) => String(value).length));
  return 18 + 7.2 * longest;
}

/** Few points are drawn as points: a single one makes no line. */
function isSparse(_plot, _series, from, to) {
  return to - from < 40;
}

/** Steps of the horizontal axis, in s. */
const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];

const TIME = { hour: "2-digit", minute: "2-digit" };

export class Curve {
  constructor(place, readout) {
    this.place = place;
    this.readout = readout;
    this.plot = null;
    this.data = null;
    this.series = null;
    this.size = new ResizeObserver(() => this.#fit());
    this.size.observe(place);
    this.scheme = matchMedia("(prefers-color-scheme: dark)");
    this.recolour = () => {
      this.plot?.destroy();
      this.plot = null;
      this.draw(this.series);
    };
    this.scheme.addEventListener("change", this.recolour);
  }

  /** Its card is gone. */
  end() {
    this.size.disconnect();
    this.scheme.removeEventListener("change", this.recolour);
    this.plot?.destroy();
    this.plot = null;
    this.series = null;
  }

  /** Draws a series, or nothing. */
  draw(series) {
    this.series = series;
    if (!series || series.t.length === 0 || this.place.clientWidth === 0) {
      this.plot?.destroy();
      this.plot = null;
      return;
    }
    this.data = series.columns();
    if (this.plot) {
      this.plot.setData(this.data);
    } else {
      this.plot = new globalThis.uPlot(this.#options(), this.data, this.place);
    }
  }

  #fit() {
    const width = this.place.clientWidth;
    if (this.plot && width > 0 && width !== this.plot.width) {
      this.plot.setSize({ width, height: height(width) });
    } else if (!this.plot && width > 0 && this.series) {
      this.draw(this.series);
    }
  }

  #options() {
    const [data, band, faint, grid] = ["--data", "--band", "--faint", "--grid"].map(colour);
    const axis = { stroke: faint, grid: { stroke: grid, width: 1 }, ticks: { stroke: grid, width: 1, size: 4 }, font: "12px system-ui, sans-serif" };
    const clock = new Intl.DateTimeFormat(undefined, TIME);
    const times = (_plot, splits, _axis, _space, step) =>
      splits.map((split) => (step < 60 ? moment(split, split) : clock.format(new Date(1000 * split))));
    return {
      width: this.place.clientWidth,
      height: height(this.place.clientWidth),
      padding: [8, 26, 0, 0],
      legend: { show: false },
      cursor: { drag: { x: false, y: false }, y: false, points: { show: false } },
      scales: {
        x: { time: true, range: () => [utc_s() - this.series.span_s, utc_s()] },
        y: { range: ends },
      },
      axes: [
        { ...axis, incrs: STEPS, space: 80, size: 30, gap: 4, values: times },
        { ...axis, space: 34, values: labels, size: room, gap: 4 },
      ],
      series: [
        {},
        { stroke: data, width: 1.75, points: { show: isSparse, size: 5, fill: data } },
        { stroke: band, width: 0, points: { show: false } },
        { stroke: band, width: 0, points: { show: false } },
      ],
      bands: [{ series: [3, 2], fill: band }],
      hooks: { setCursor: [(plot) => this.#read(plot)] },
    };
  }

  /** What stands under the pointer. */
  #read(plot) {
    const at = plot.cursor.idx;
    const [t, mean, min, max] = this.data.map((column) => (at === null || at === undefined ? null : column[at]));
    if (mean === null || mean === undefined) {
      this.readout.textContent = "";
      return;
    }
    const range = max > min ? ` (${digits(min, 5)} to ${digits(max, 5)})` : "";
    const { every_s, longest_s } = this.series;
    const over = longest_s > every_s ? `${span(every_s)} to ${span(longest_s)}` : span(every_s);
    this.readout.textContent = `${moment(t, utc_s())}: ${digits(mean, 5)} ${this.series.unit}${range}, a mean over ${over}`;
  }
}
