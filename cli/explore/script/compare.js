/** A against B, number by number; and every number of B as tables for those who read rather than look. */

import { byId, fixed, html, signed } from "./dom.js";

/** @typedef {import("./types.js").Numbers} Numbers */

export class Compare {
  /** @param {import("./app.js").App} app */
  constructor(app) {
    this.app = app;
  }

  render() {
    const { numbers, pinned } = this.app;
    document.documentElement.classList.toggle("pinned-a", pinned !== null);
    const rows = numbers ? this.rows(numbers) : [];
    const before = pinned ? this.rows(pinned.numbers) : [];
    const body = rows.map(({ name, unit, value, digits, better }) => {
      const other = before.find((one) => one.name === name);
      const cells = [html("th", { scope: "row" }, name)];
      if (pinned) cells.push(html("td", { class: "figure" }, other ? `${fixed(other.value, digits)} ${unit}` : ""));
      cells.push(html("td", { class: "figure", "data-value": String(value) }, `${fixed(value, digits)} ${unit}`));
      if (pinned) cells.push(this.change(other, value, digits, unit.replace(/^dB .*/, "dB"), better));
      return html("tr", {}, ...cells);
    });
    byId("numbers").replaceChildren(...body);
    this.levels();
  }

  /**
   * @param {{value: number} | undefined} other
   * @param {number} value
   * @param {number} digits
   * @param {string} unit
   * @param {number} better
   */
  change(other, value, digits, unit, better) {
    if (!other) return html("td", {});
    const by = value - other.value;
    const even = Number(Math.abs(by).toFixed(digits)) === 0;
    const word = even || !better ? "" : by * better > 0 ? " better" : " worse";
    return html("td", { class: `figure${word}` }, `${signed(by, digits)} ${unit}${word}`);
  }

  /**
   * @param {Numbers} numbers
   * @returns {{name: string, unit: string, value: number, digits: number, better: number}[]}
   */
  rows(numbers) {
    const { data } = this.app;
    const spread = Array.from(numbers.spread);
    const mean = spread.reduce((sum, one) => sum + one, 0) / spread.length;
    const level = Array.from(numbers.mean).reduce((sum, one) => sum + one, 0) / numbers.mean.length;
    const rows = [];
    if (numbers.level.length > 1) {
      rows.push({ name: "variation between the seats", unit: "dB", value: numbers.variation, digits: 2, better: -1 });
      rows.push({ name: "spread (max - min) over the seats, average", unit: "dB", value: mean, digits: 1, better: -1 });
      rows.push({
        name: "spread (max - min) over the seats, at worst",
        unit: "dB",
        value: Math.max(...spread),
        digits: 1,
        better: -1,
      });
    }
    rows.push({ name: "mean level of the seats", unit: data.unit, value: level, digits: 1, better: 0 });
    rows.push({
      name: "output, against the subs in phase at 1 m, free field",
      unit: "dB",
      value: numbers.output,
      digits: 1,
      better: 1,
    });
    if (numbers.worst) {
      const name = "headroom in the worst third-octave";
      rows.push({ name, unit: "dB", value: Number(numbers.worst.headroom), digits: 1, better: 1 });
    }
    rows.push({
      name: "smoothness: mean level about its straight line",
      unit: "dB",
      value: numbers.smoothness,
      digits: 1,
      better: -1,
    });
    rows.push({ name: "decay (T60) of what the seats hear", unit: "s", value: numbers.decay, digits: 2, better: -1 });
    const late = Math.max(...numbers.arrivals.map((one) => one.last - one.first));
    rows.push({ name: "last sub after the first, at worst", unit: "ms", value: late, digits: 1, better: 0 });
    return rows;
  }

  /** Third-octave levels of every seat, and what differs. */
  levels() {
    const { numbers, pinned, data } = this.app;
    const table = byId("levels");
    if (!numbers) {
      table.replaceChildren();
      return;
    }
    const head = html(
      "tr",
      {},
      html("th", { scope: "col" }, "Hz"),
      ...numbers.bands.map((band) => html("th", { scope: "col", class: "figure" }, String(band.hz))),
    );
    const line = (
      /** @type {string} */ name,
      /** @type {(number | null)[]} */ values,
      /** @type {(value: number) => string} */ form,
    ) =>
      html(
        "tr",
        {},
        html("th", { scope: "row" }, name),
        ...values.map((one) => html("td", { class: "figure" }, one === null ? "" : form(one))),
      );
    const rows = numbers.seats.map((seat, n) =>
      line(
        this.app.seatName(seat),
        numbers.bands.map((band) => band.level[n]),
        (one) => fixed(one),
      ),
    );
    rows.push(
      line(
        "average over the seats",
        numbers.bands.map((band) => band.mean),
        (one) => fixed(one),
      ),
    );
    if (numbers.level.length > 1) {
      const spread = numbers.bands.map((band) => Math.max(...band.level) - Math.min(...band.level));
      rows.push(line("spread (max - min)", spread, (one) => fixed(one)));
    }
    if (data.limits)
      rows.push(
        line(
          "headroom over the target",
          numbers.bands.map((band) => band.headroom),
          (one) => signed(one),
        ),
      );
    if (pinned) {
      const by = numbers.bands.map((band, n) => band.mean - pinned.numbers.bands[n].mean);
      rows.push(line("average, B - A", by, (one) => signed(one)));
    }
    table.replaceChildren(html("thead", {}, head), html("tbody", {}, ...rows));
  }
}
