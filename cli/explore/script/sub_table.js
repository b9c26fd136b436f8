/** The subs with their settings: sliders, numbers to type, and buttons. */

import { fixed, html, say, plain, show } from "./dom.js";
import { DELAY_MS, GAIN_DB } from "./state.js";

export class SubTable {
  /**
   * @param {import("./app.js").App} app
   * @param {HTMLElement} body
   */
  constructor(app, body) {
    this.app = app;
    this.body = body;
    /** @type {Record<string, any>[]} */
    this.rows = [];
  }

  render() {
    const { app } = this;
    while (this.rows.length < app.state.subs.length) this.rows.push(this.row(this.rows.length));
    while (this.rows.length > app.state.subs.length) /** @type {any} */ (this.rows.pop()).line.remove();
    app.state.subs.forEach((sub, n) => {
      const row = this.rows[n];
      row.line.className = [sub.on ? "" : "off", n === app.selected ? "chosen" : ""].join(" ").trim();
      row.on.checked = sub.on;
      sub.at.forEach((value, axis) => show(row.place[axis], plain(value, 3)));
      say(row.stands, app.standsWords(sub.at));
      show(row.gain, fixed(sub.gain, 2).replace("\u2212", "-"));
      row.gainSlider.value = String(sub.gain);
      show(row.delay, fixed(sub.delay, 3));
      row.delaySlider.value = String(sub.delay);
      row.polarity.setAttribute("aria-pressed", String(sub.polarity < 0));
      say(row.polarity, sub.polarity < 0 ? "inverted" : "normal");
      row.drop.disabled = app.state.subs.length < 2;
      const others = app.state.subs
        .map((_, m) => m)
        .filter((m) => m !== n && app.state.subs[m].channel === sub.channel);
      say(row.shares, others.length ? `same channel as ${others.map((m) => m + 1).join(", ")}` : "");
    });
  }

  /** @param {number} n */
  row(n) {
    const { app } = this;
    const name = `sub ${n + 1}`;
    const input = (/** @type {Record<string, string | number>} */ attributes) =>
      /** @type {HTMLInputElement} */ (html("input", attributes));
    const on = input({ type: "checkbox", "aria-label": `${name} on` });
    const place = ["x", "y", "z"].map((axis) =>
      input({ type: "text", inputmode: "decimal", class: "metre", "aria-label": `${name}, ${axis} in metres` }),
    );
    const [gainLow, gainHigh] = app.data.drives.gain;
    const [delayLow, delayHigh] = app.data.drives.delay;
    /** @type {(what: string, low: number, high: number, step: number) => HTMLInputElement[]} */
    const control = (what, low, high, step) => [
      input({ type: "range", min: low, max: high, step, "aria-label": `${name}, ${what}` }),
      input({ type: "text", inputmode: "decimal", class: "setting", "aria-label": `${name}, ${what}, typed` }),
    ];
    const [gainSlider, gain] = control("gain in decibels", gainLow, gainHigh, app.data.drives.gain_step || 0.1);
    const [delaySlider, delay] = control("delay in milliseconds", delayLow, delayHigh, app.data.drives.step || 0.02);
    const polarity = /** @type {HTMLButtonElement} */ (
      html("button", { type: "button", class: "sign", "aria-label": `${name}, polarity inverted` })
    );
    const drop = /** @type {HTMLButtonElement} */ (html("button", { type: "button" }, "take away"));
    drop.setAttribute("aria-label", `take ${name} away`);
    const stands = html("div", { class: "note" });
    const shares = html("div", { class: "note" });
    on.addEventListener("change", () => app.setSub(n, { on: on.checked }));
    place.forEach((field) =>
      field.addEventListener("change", () =>
        app.typeSub(
          n,
          place.map((one) => one.value),
        ),
      ),
    );
    gainSlider.addEventListener("input", () => app.setSub(n, { gain: Number(gainSlider.value) }, `gain ${n}`));
    delaySlider.addEventListener("input", () => app.setSub(n, { delay: Number(delaySlider.value) }, `delay ${n}`));
    for (const slider of [gainSlider, delaySlider]) slider.addEventListener("change", () => app.rest());
    gain.addEventListener("change", () => app.typeSetting(n, "gain", gain, GAIN_DB));
    delay.addEventListener("change", () => app.typeSetting(n, "delay", delay, DELAY_MS));
    polarity.addEventListener("click", () => app.setSub(n, { polarity: -app.state.subs[n].polarity }));
    drop.addEventListener("click", () => app.dropSub(n));
    const cell = (/** @type {(Node | string)[]} */ ...parts) => html("td", {}, ...parts);
    const named = (/** @type {string} */ label, /** @type {Node[]} */ ...parts) =>
      html("td", { "data-label": label }, ...parts);
    const line = html(
      "tr",
      {},
      html("th", { scope: "row" }, html("label", { class: "switch" }, on, ` ${n + 1}`)),
      cell(html("div", { class: "fields" }, ...place), stands),
      named("gain", html("div", { class: "fields" }, gainSlider, gain, "dB"), shares),
      named("delay", html("div", { class: "fields" }, delaySlider, delay, "ms")),
      named("polarity", polarity),
      cell(drop),
    );
    line.addEventListener("focusin", () => app.select(n));
    this.body.append(line);
    return { line, on, place, stands, shares, gain, gainSlider, delay, delaySlider, polarity, drop };
  }
}
