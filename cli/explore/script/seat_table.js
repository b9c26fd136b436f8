/** The seats: which count, what each hears, when sound arrives; and the rows that may move. */

import { byId, fixed, html, say, show, signed } from "./dom.js";

export class SeatTable {
  /**
   * @param {import("./app.js").App} app
   * @param {HTMLElement} body
   */
  constructor(app, body) {
    this.app = app;
    this.body = body;
    /** @type {Record<string, any>[]} */
    this.lines = [];
    /** @type {Record<string, any>[]} */
    this.rows = app.data.rows.map((row, n) => this.rowShift(row, n));
  }

  render() {
    const { app } = this;
    const count = app.seatPoints.length;
    while (this.lines.length < count) this.lines.push(this.line(this.lines.length));
    while (this.lines.length > count) /** @type {any} */ (this.lines.pop()).line.remove();
    this.lines.forEach((parts, seat) => {
      const counts = !app.state.out.includes(seat);
      const place = app.numbers ? app.numbers.seats.indexOf(seat) : -1;
      parts.line.className = counts ? "" : "off";
      if (parts.counts) parts.counts.checked = counts;
      const values = place < 0 || !app.numbers ? null : this.values(place);
      const texts = values ?? ["", "", "", "", ""];
      parts.cells.forEach((/** @type {HTMLElement} */ cell, /** @type {number} */ n) => say(cell, texts[n]));
    });
    this.rows.forEach((parts, n) => {
      if (!parts.slider) return;
      parts.slider.value = String(app.state.rows[n]);
      show(parts.field, app.state.rows[n].toFixed(2));
    });
  }

  /** @param {number} place */
  values(place) {
    const { app } = this;
    const numbers = /** @type {import("./types.js").Numbers} */ (app.numbers);
    const level = numbers.level[place];
    const about = level.reduce((sum, one, f) => sum + one - numbers.mean[f], 0) / level.length;
    const { first, last, energy } = numbers.arrivals[place];
    return [
      fixed(level[app.frequency]),
      numbers.level.length > 1 ? signed(about) : "",
      fixed(first),
      fixed(last),
      fixed(energy),
    ];
  }

  /** @param {number} seat */
  line(seat) {
    const { app } = this;
    const added = seat - app.data.seats.name.length;
    const cells = Array.from({ length: 5 }, () => html("td", { class: "figure" }));
    const name = app.seatName(seat);
    let counts = null;
    let head;
    if (added < 0) {
      counts = /** @type {HTMLInputElement} */ (html("input", { type: "checkbox" }));
      const box = counts;
      box.addEventListener("change", () => app.countSeat(seat, box.checked));
      head = html("label", { class: "switch" }, box, ` ${name}`);
    } else {
      const drop = html("button", { type: "button", "aria-label": `take ${name} away` }, "take away");
      drop.addEventListener("click", () => app.dropSeat(added));
      head = html("span", {}, `${name} `, drop);
    }
    const line = html("tr", {}, html("th", { scope: "row" }, head), ...cells);
    this.body.append(line);
    return { line, counts, cells };
  }

  /**
   * @param {import("./types.js").Data["rows"][0]} row
   * @param {number} n
   */
  rowShift(row, n) {
    const { app } = this;
    if (!row.way) {
      if (row.wished) byId("rows").append(html("p", { class: "note" }, `Row ${row.name} stays where it is drawn.`));
      return {};
    }
    const [low, high] = row.way;
    const label = html("label", { for: `row-${n}` }, `Row ${row.name}, toward the rear`);
    const slider = /** @type {HTMLInputElement} */ (
      html("input", { type: "range", id: `row-${n}`, min: low, max: high, step: 0.01 })
    );
    const field = /** @type {HTMLInputElement} */ (
      html("input", {
        type: "text",
        inputmode: "decimal",
        class: "metre",
        "aria-label": `row ${row.name}, shift in metres, typed`,
      })
    );
    slider.addEventListener("input", () => app.shiftRow(n, Number(slider.value)));
    slider.addEventListener("change", () => app.rest());
    field.addEventListener("change", () => {
      const value = Number(field.value.replace(",", "."));
      if (Number.isFinite(value)) app.shiftRow(n, value);
      else app.refuse(`The shift of row ${row.name} must be a number.`);
      app.rest();
      field.value = app.state.rows[n].toFixed(2);
    });
    byId("rows").append(html("div", { class: "fields" }, label, slider, field, "m"));
    return { slider, field };
  }
}
