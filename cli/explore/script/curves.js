/** Level at every seat and their mean over frequency; what was pinned as A stands behind, dashed. */

import { byId, DASHES, fixed, html, rowColour, say, sized, svg } from "./dom.js";

const LEAST_WIDE = 320;
const HIGH = 320;
const FRAME = { left: 46, right: 12, top: 10, bottom: 34 };
const TICKS = [10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400];
const SPAN_DB = 45; // shown at most
const LINES_UP_TO = 10; // with more seats each row is drawn as its mean

export class Curves {
  /**
   * @param {import("./app.js").App} app
   * @param {SVGElement} drawing
   */
  constructor(app, drawing) {
    this.app = app;
    this.drawing = drawing;
    this.wide = 720;
    this.axes = svg("g", { class: "axes" });
    this.behind = svg("g", {});
    this.lines = svg("g", {});
    this.cursor = svg("line", { class: "cursor", y1: FRAME.top, y2: HIGH - FRAME.bottom });
    drawing.append(this.axes, this.behind, this.lines, this.cursor);
    this.range = [0, 0];
    sized(drawing, (width) => this.size(width));
    this.slider = /** @type {HTMLInputElement} */ (byId("frequency"));
    this.slider.max = String(app.data.hz.length - 1);
    this.slider.addEventListener("input", () => app.setFrequency(Number(this.slider.value)));
    for (const name of ["pointermove", "pointerdown"]) {
      drawing.addEventListener(name, (event) => this.point(/** @type {PointerEvent} */ (event)));
    }
  }

  /** @param {number} width */
  size(width) {
    this.wide = Math.max(width, LEAST_WIDE);
    this.drawing.setAttribute("viewBox", `0 0 ${this.wide} ${HIGH}`);
    if (this.range[1] > this.range[0]) {
      this.drawAxes();
      this.render();
    }
  }

  /** @param {PointerEvent} event */
  point(event) {
    const box = this.drawing.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * this.wide;
    const { hz } = this.app.data;
    const gaps = hz.map((one) => Math.abs(this.x(one) - x));
    this.app.setFrequency(gaps.indexOf(Math.min(...gaps)));
  }

  /** @param {number} hz */
  x(hz) {
    const all = this.app.data.hz;
    const share = all.length > 1 ? Math.log(hz / all[0]) / Math.log(all[all.length - 1] / all[0]) : 0.5;
    return FRAME.left + share * (this.wide - FRAME.left - FRAME.right);
  }

  /** @param {number} level */
  y(level) {
    const [low, high] = this.range;
    const share = Math.min(Math.max((high - level) / (high - low), 0), 1);
    return FRAME.top + share * (HIGH - FRAME.top - FRAME.bottom);
  }

  /** @param {ArrayLike<number>} level */
  path(level) {
    return this.app.data.hz
      .map((hz, f) => `${f ? "L" : "M"}${this.x(hz).toFixed(1)} ${this.y(level[f]).toFixed(1)}`)
      .join("");
  }

  render() {
    const { numbers, pinned } = this.app;
    if (!numbers) {
      this.lines.replaceChildren();
      this.behind.replaceChildren();
      return;
    }
    this.fit([...numbers.level, ...(pinned ? [pinned.numbers.mean] : [])]);
    this.behind.replaceChildren(...this.band(numbers), ...(pinned ? this.pinned(pinned.numbers) : []));
    const mean = svg("path", { class: "mean", d: this.path(numbers.mean) });
    this.lines.replaceChildren(...this.groups(numbers).map((one) => svg("path", one)), mean);
    const f = this.app.frequency;
    const x = this.x(this.app.data.hz[f]);
    this.cursor.setAttribute("x1", String(x));
    this.cursor.setAttribute("x2", String(x));
    this.slider.value = String(f);
    this.slider.setAttribute("aria-valuetext", `${fixed(this.app.data.hz[f])} hertz`);
    this.key(numbers);
    this.told(numbers);
  }

  /**
   * The range: whole tens around all levels; it stays as it is while they fit.
   * @param {Float64Array[]} levels
   */
  fit(levels) {
    let [low, high] = [Infinity, -Infinity];
    for (const one of levels) {
      for (const level of one) {
        if (level < low) low = level;
        if (level > high) high = level;
      }
    }
    high = Math.ceil((high + 1) / 5) * 5;
    low = Math.max(Math.floor((low - 1) / 5) * 5, high - SPAN_DB);
    const [before, above] = this.range;
    if (high <= above && high >= above - 10 && low >= before && low <= before + 15) return;
    this.range = [low, high];
    this.drawAxes();
  }

  drawAxes() {
    const { hz, unit } = this.app.data;
    const [low, high] = this.range;
    const parts = [];
    for (let level = low; level <= high; level += 5) {
      const y = this.y(level);
      parts.push(
        svg("line", { class: level % 10 ? "thin" : "rule", x1: FRAME.left, x2: this.wide - FRAME.right, y1: y, y2: y }),
      );
      if (level % 10 === 0 || high - low <= 25)
        parts.push(svg("text", { x: FRAME.left - 6, y: y + 4, class: "right" }, fixed(level, 0)));
    }
    let last = -Infinity;
    for (const tick of TICKS.filter((one) => one >= hz[0] - 0.01 && one <= hz[hz.length - 1] + 0.01)) {
      const x = this.x(tick);
      parts.push(svg("line", { class: "thin", x1: x, x2: x, y1: FRAME.top, y2: HIGH - FRAME.bottom }));
      if (x - last > 34) {
        parts.push(svg("text", { x, y: HIGH - FRAME.bottom + 15, class: "middle" }, String(tick)));
        last = x;
      }
    }
    parts.push(svg("text", { x: this.wide - FRAME.right, y: HIGH - 4, class: "right" }, "frequency [Hz]"));
    parts.push(svg("text", { x: FRAME.left + 4, y: FRAME.top + 11, class: "unit" }, `level [${unit}]`));
    this.axes.replaceChildren(...parts);
  }

  /** @param {import("./types.js").Numbers} numbers */
  band(numbers) {
    if (numbers.level.length < 2) return [];
    const ends = [Math.max, Math.min].map((end) =>
      numbers.mean.map((_, f) => end(...numbers.level.map((one) => one[f]))),
    );
    const back = this.app.data.hz
      .map((hz, f) => `L${this.x(hz).toFixed(1)} ${this.y(ends[1][f]).toFixed(1)}`)
      .reverse();
    return [svg("path", { class: "band", d: `${this.path(ends[0])}${back.join("")}Z` })];
  }

  /** @param {import("./types.js").Numbers} numbers */
  pinned(numbers) {
    const ends = [Math.max, Math.min].map((end) =>
      numbers.mean.map((_, f) => end(...numbers.level.map((one) => one[f]))),
    );
    const edges =
      numbers.level.length > 1 ? ends.map((one) => svg("path", { class: "pinned edge", d: this.path(one) })) : [];
    return [...edges, svg("path", { class: "pinned", d: this.path(numbers.mean) })];
  }

  /**
   * Attributes of the lines: one for each seat, or for the mean of each row where there are many.
   * @param {import("./types.js").Numbers} numbers
   */
  groups(numbers) {
    const rows = numbers.seats.map((seat) => this.app.rowOf(seat));
    if (numbers.level.length <= LINES_UP_TO) {
      return numbers.level.map((level, n) => ({ ...this.style(numbers, n), d: this.path(level) }));
    }
    return [...new Set(rows)].map((row) => {
      const own = numbers.level.filter((_, n) => rows[n] === row);
      const mean = numbers.mean.map((_, f) => own.reduce((sum, one) => sum + one[f], 0) / own.length);
      const stroke = row < 0 ? "var(--ink)" : rowColour(row);
      return {
        class: "line",
        style: `stroke: ${stroke}`,
        "stroke-dasharray": DASHES[(row + 1) % DASHES.length],
        d: this.path(mean),
      };
    });
  }

  /**
   * @param {import("./types.js").Numbers} numbers
   * @param {number} n
   */
  style(numbers, n) {
    const row = this.app.rowOf(numbers.seats[n]);
    const place = numbers.seats.filter((seat, m) => m < n && this.app.rowOf(seat) === row).length;
    return {
      class: "line",
      style: `stroke: ${row < 0 ? "var(--ink)" : rowColour(row)}`,
      "stroke-dasharray": DASHES[place % DASHES.length],
    };
  }

  /** @param {import("./types.js").Numbers} numbers */
  key(numbers) {
    const swatch = (/** @type {Record<string, string>} */ style, /** @type {string} */ name) =>
      html(
        "li",
        {},
        svg("svg", { viewBox: "0 0 34 10", class: "swatch" }, svg("path", { ...style, d: "M1 5H33" })),
        name,
      );
    const items = [];
    if (numbers.level.length <= LINES_UP_TO) {
      numbers.seats.forEach((seat, n) => items.push(swatch(this.style(numbers, n), this.app.seatName(seat))));
    } else {
      const rows = [...new Set(numbers.seats.map((seat) => this.app.rowOf(seat)))];
      this.groups(numbers).forEach(({ d, ...style }, n) => {
        const row = rows[n] < 0 ? "added seats" : this.app.data.rows[rows[n]].name;
        items.push(swatch(style, `${row}, average`));
      });
    }
    items.push(swatch({ class: "mean" }, "average over the seats"));
    if (this.app.pinned) items.push(swatch({ class: "pinned" }, "A: mean, loudest and quietest"));
    byId("curve-key").replaceChildren(...items);
  }

  /** @param {import("./types.js").Numbers} numbers */
  told(numbers) {
    const f = this.app.frequency;
    const parts = [`${fixed(this.app.data.hz[f])} Hz`, `mean ${fixed(numbers.mean[f])} ${this.app.data.unit}`];
    if (numbers.level.length > 1) parts.push(`spread (max - min) over the seats ${fixed(numbers.spread[f])} dB`);
    say(byId("at-frequency"), parts.join("; "));
  }
}
