/** A state of the page: copied, written into the address' fragment, read back, undone and redone. */

import { plain } from "./dom.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Sub} Sub */
/** @typedef {import("./types.js").Data} Data */

const MOST_STEPS = 300;
export const GAIN_DB = /** @type {[number, number]} */ ([-60, 20]); // what a project file takes
export const DELAY_MS = /** @type {[number, number]} */ ([0, 100]);

/**
 * The state of a plan of the file.
 * @param {Data} data
 * @param {number} start its number
 * @returns {State}
 */
export function started(data, start) {
  return {
    subs: data.starts[start].subs.map((sub, index) => ({
      ...sub,
      at: /** @type {import("./types.js").Point} */ (sub.at.slice()),
      on: true,
      filter: start === 0 && data.filters ? index : -1,
    })),
    rows: data.rows.map(() => 0),
    out: [],
    added: [],
  };
}

/**
 * @param {State} state
 * @returns {State}
 */
export function copied(state) {
  return structuredClone(state);
}

/**
 * A change of a sub, with those that share its channel where the change is one of settings.
 * @param {State} state
 * @param {number} index
 * @param {Partial<Sub>} change
 * @returns {State}
 */
export function withSub(state, index, change) {
  const { gain, delay, polarity } = change;
  const shared = Object.fromEntries(
    Object.entries({ gain, delay, polarity }).filter(([, value]) => value !== undefined),
  );
  const { channel } = state.subs[index];
  return {
    ...state,
    subs: state.subs.map((sub, n) => {
      if (n === index) return { ...sub, ...change };
      return sub.channel === channel ? { ...sub, ...shared } : sub;
    }),
  };
}

/**
 * A state as a text for an address: subs / shifts / seats left out / seats added.
 * @param {State} state
 */
export function encoded(state) {
  const subs = state.subs.map((sub) =>
    [
      ...sub.at.map((value) => plain(value, 6)),
      plain(sub.gain, 4),
      plain(sub.delay, 5),
      sub.polarity,
      sub.channel,
      sub.on ? 1 : 0,
      sub.filter,
    ].join(","),
  );
  return [
    subs.join(";"),
    state.rows.map((one) => plain(one, 3)).join(","),
    state.out.join(","),
    state.added.map((at) => at.map((one) => plain(one, 3)).join(",")).join(";"),
  ].join("/");
}

/**
 * @param {string} text
 * @param {Data} data
 * @param {import("./field.js").Field} field
 * @returns {State | null} null where the text is no state of this plan
 */
export function decoded(text, data, field) {
  const [subs, rows, out, added] = text.split("/");
  if (added === undefined) return null;
  const numbers = (/** @type {string} */ part) => (part === "" ? [] : part.split(",").map(Number));
  const state = {
    subs: subs === "" ? [] : subs.split(";").map((one) => subOf(numbers(one))),
    rows: numbers(rows),
    out: numbers(out),
    added: added === "" ? [] : added.split(";").map((one) => /** @type {[number, number]} */ (numbers(one))),
  };
  return isState(state, data, field) ? state : null;
}

/**
 * @param {number[]} numbers
 * @returns {Sub}
 */
function subOf([x, y, z, gain, delay, polarity, channel, on, filter]) {
  return { at: [x, y, z], gain, delay, polarity, channel, on: on === 1, filter };
}

/**
 * @param {State} state
 * @param {Data} data
 * @param {import("./field.js").Field} field
 */
function isState(state, data, field) {
  const within = (/** @type {number} */ value, /** @type {number} */ low, /** @type {number} */ high) =>
    value >= low - 1e-9 && value <= high + 1e-9;
  const [length, width] = data.room.size;
  const nFilter = data.filters ? data.filters.length : 0;
  return (
    state.subs.length > 0 &&
    state.subs.length <= data.drives.most &&
    state.subs.every(
      (sub) =>
        sub.at.every(Number.isFinite) &&
        field.mix(sub.at) !== null &&
        within(sub.gain, ...GAIN_DB) &&
        within(sub.delay, ...DELAY_MS) &&
        Math.abs(sub.polarity) === 1 &&
        within(sub.channel, 0, 99) &&
        within(sub.filter, -1, nFilter - 1) &&
        Number.isInteger(sub.filter),
    ) &&
    state.rows.length === data.rows.length &&
    state.rows.every((by, row) => within(by, ...(data.rows[row].way ?? [0, 0]))) &&
    state.out.every((seat) => Number.isInteger(seat) && within(seat, 0, data.seats.name.length - 1)) &&
    state.added.every((at) => at.length === 2 && within(at[0], 0, length) && within(at[1], 0, width)) &&
    (data.plane !== null || state.added.length === 0)
  );
}

/**
 * @typedef {Object} Address
 * @property {State | null} now
 * @property {State | null} pinned
 * @property {number} frequency index
 * @property {boolean} free
 * @property {boolean} strange whether there was something that does not fit this plan
 */

/**
 * @param {Data} data
 * @param {{now: State, pinned: State | null, frequency: number, free: boolean}} view
 */
export function fragmentOf(data, view) {
  const parts = [`plan=${data.project_sha256.slice(0, 8)}`, `b=${encoded(view.now)}`, `hz=${view.frequency}`];
  if (view.pinned) parts.push(`a=${encoded(view.pinned)}`);
  if (view.free) parts.push("between=1");
  return `#${parts.join("&")}`;
}

/**
 * @param {string} fragment
 * @param {Data} data
 * @param {import("./field.js").Field} field
 * @returns {Address}
 */
export function fromFragment(fragment, data, field) {
  const words = new Map(
    fragment
      .replace(/^#/, "")
      .split("&")
      .map((part) => /** @type {[string, string]} */ ([part.split("=")[0], part.split("=").slice(1).join("=")])),
  );
  const read = (/** @type {string} */ name) => {
    const text = words.get(name);
    try {
      return text === undefined ? null : decoded(decodeURIComponent(text), data, field);
    } catch {
      return null;
    }
  };
  const frequency = Number(words.get("hz"));
  const [now, pinned] = [read("b"), read("a")];
  return {
    now,
    pinned,
    frequency: Number.isInteger(frequency) && frequency >= 0 && frequency < data.hz.length ? frequency : -1,
    free: words.get("between") === "1",
    strange: (words.has("b") && !now) || (words.has("a") && !pinned),
  };
}

/** What was done, to be undone and done again. */
export class History {
  /** @param {State} first */
  constructor(first) {
    this.steps = [first];
    this.at = 0;
    this.label = "";
  }

  /** @returns {State} */
  get now() {
    return this.steps[this.at];
  }

  get canUndo() {
    return this.at > 0;
  }

  get canRedo() {
    return this.at < this.steps.length - 1;
  }

  /**
   * A new state. One with the label of the one before takes its place: a drag is one step.
   * @param {State} state
   * @param {string} [label]
   */
  push(state, label = "") {
    const goesOn = label !== "" && label === this.label && this.at > 0;
    this.steps = [...this.steps.slice(0, this.at + (goesOn ? 0 : 1)), state].slice(-MOST_STEPS);
    this.at = this.steps.length - 1;
    this.label = label;
  }

  /** The next change is a step of its own, whatever its label. */
  rest() {
    this.label = "";
  }

  undo() {
    if (this.canUndo) this.at -= 1;
    this.rest();
  }

  redo() {
    if (this.canRedo) this.at += 1;
    this.rest();
  }
}
