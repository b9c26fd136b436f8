/** Headroom over the target in every third-octave, average over the seats; the worst band is marked by words too. */

import { byId, fixed, say, signed, sized, svg } from "./dom.js";

const LEAST_WIDE = 320;
const HIGH = 170;
const LETTERS = 0.14; // of the bars' height, for the numbers at their ends
const FRAME = { left: 46, right: 12, top: 14, bottom: 34 };

export class Bands {
  /**
   * @param {import("./app.js").App} app
   * @param {SVGElement} drawing
   */
  constructor(app, drawing) {
    this.app = app;
    this.drawing = drawing;
    this.wide = 720;
    sized(drawing, (width) => this.size(width));
  }

  /** @param {number} width on the screen */
  size(width) {
    this.wide = Math.max(width, LEAST_WIDE);
    this.drawing.setAttribute("viewBox", `0 0 ${this.wide} ${HIGH}`);
    this.render();
  }

  render() {
    const { numbers, pinned, data } = this.app;
    if (!data.limits || !numbers) return;
    const asked = numbers.bands.filter((band) => band.headroom !== null);
    const before = pinned ? pinned.numbers.bands.filter((band) => band.headroom !== null) : [];
    const all = [...asked, ...before].map((band) => Number(band.headroom));
    const [least, most] = [Math.min(0, ...all), Math.max(0, ...all)];
    const letters = LETTERS * Math.max(10, most - least); // above and below the bars
    const low = Math.min(-5, Math.floor((least - letters) / 5) * 5);
    const high = Math.max(5, Math.ceil((most + letters) / 5) * 5);
    const y = (/** @type {number} */ level) =>
      FRAME.top + ((high - level) / (high - low)) * (HIGH - FRAME.top - FRAME.bottom);
    const slot = (this.wide - FRAME.left - FRAME.right) / asked.length;
    const parts = [];
    for (let level = low; level <= high; level += 5) {
      const place = y(level);
      const kind = level === 0 ? "target" : "thin";
      parts.push(svg("line", { class: kind, x1: FRAME.left, x2: this.wide - FRAME.right, y1: place, y2: place }));
      if (level % 10 === 0 || high - low <= 20)
        parts.push(svg("text", { class: "right", x: FRAME.left - 6, y: place + 4 }, signed(level, 0)));
    }
    asked.forEach((band, n) => {
      const value = Number(band.headroom);
      const [x, wide] = [FRAME.left + (n + 0.18) * slot, 0.64 * slot];
      const [top, bottom] = [y(Math.max(value, 0)), y(Math.min(value, 0))];
      const kind = value < 0 ? "bar under" : "bar";
      const words = `${band.hz} Hz: ${signed(value)} dB, stopped by ${band.stops}`;
      parts.push(
        svg(
          "rect",
          { class: kind, x, y: top, width: wide, height: Math.max(bottom - top, 1) },
          svg("title", {}, words),
        ),
      );
      const own = before.find((one) => one.hz === band.hz);
      if (own) {
        const place = y(Number(own.headroom));
        parts.push(
          svg("line", { class: "pinned", x1: x - 0.1 * slot, x2: x + wide + 0.1 * slot, y1: place, y2: place }),
        );
      }
      const tightest = numbers.worst !== null && band.hz === numbers.worst.hz;
      const [middle, foot] = [x + wide / 2, HIGH - FRAME.bottom + 15];
      parts.push(svg("text", { class: tightest ? "middle strong" : "middle", x: middle, y: foot }, String(band.hz)));
      if (tightest) parts.push(svg("text", { class: "middle small strong", x: middle, y: foot + 13 }, "worst"));
      parts.push(
        svg("text", { class: "middle small", x: x + wide / 2, y: value < 0 ? bottom + 11 : top - 3 }, signed(value, 0)),
      );
    });
    parts.push(svg("text", { class: "unit", x: FRAME.left + 4, y: FRAME.top - 3 }, "headroom [dB]"));
    parts.push(svg("text", { class: "right", x: this.wide - FRAME.right, y: HIGH - 4 }, "third-octave [Hz]"));
    this.drawing.replaceChildren(...parts);
    const { worst } = numbers;
    if (worst) {
      const margin = `Least headroom ${signed(Number(worst.headroom))} dB, at ${worst.hz} Hz`;
      const what = `${margin}, where the first sub is stopped by its ${worst.stops}`;
      say(
        byId("headroom-said"),
        `${what}. Target ${fixed(data.limits.target)} dB SPL, one band at a time, through an ideal equaliser.`,
      );
    }
  }
}
