/** What keys do to a sub or an added seat that has the focus. */

import { DELAY_MS, GAIN_DB } from "./state.js";

/** @typedef {import("./app.js").App} App */

const GAIN_STEP_DB = 0.5;
const DELAY_STEP_MS = 0.1;
const STEP_M = 0.01;
const LONG_STEP_M = 0.1;

/**
 * @param {App} app
 * @param {number} n
 * @param {KeyboardEvent} event
 * @param {Record<string, [number, number]>} arrows axis and direction of each arrow
 */
export function subKey(app, n, event, arrows) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const sub = app.state.subs[n];
  const arrow = arrows[event.key];
  const within = (/** @type {number} */ value, /** @type {[number, number]} */ [low, high]) =>
    Number(Math.min(Math.max(value, low), high).toFixed(5));
  const acts = /** @type {Record<string, () => void>} */ ({
    "+": () => app.setSub(n, { gain: within(sub.gain + GAIN_STEP_DB, GAIN_DB) }),
    "-": () => app.setSub(n, { gain: within(sub.gain - GAIN_STEP_DB, GAIN_DB) }),
    ",": () => app.setSub(n, { delay: within(sub.delay - DELAY_STEP_MS, DELAY_MS) }),
    ".": () => app.setSub(n, { delay: within(sub.delay + DELAY_STEP_MS, DELAY_MS) }),
    p: () => app.setSub(n, { polarity: -sub.polarity }),
    o: () => app.setSub(n, { on: !sub.on }),
    Delete: () => app.dropSub(n),
  });
  if (arrow) {
    const at = app.places.next(sub.at, arrow[0], arrow[1], app.free && !event.shiftKey, app.others(n));
    if (at) app.setSub(n, { at });
  } else if (acts[event.key]) acts[event.key]();
  else return;
  event.preventDefault();
}

/**
 * @param {App} app
 * @param {number} n
 * @param {KeyboardEvent} event
 */
export function seatKey(app, n, event) {
  const step = event.shiftKey ? LONG_STEP_M : STEP_M;
  const by = { ArrowRight: [step, 0], ArrowLeft: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[event.key];
  if (by) {
    const [x, y] = app.state.added[n];
    app.moveSeat(n, [x + by[0], y + by[1]]);
  } else if (event.key === "Delete") app.dropSeat(n);
  else return;
  event.preventDefault();
}
