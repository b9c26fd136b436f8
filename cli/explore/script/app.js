/** The page's state and what may be done with it; views ask it, and are drawn anew after each change. */

import { byId, counted, fixed, lengthWords, say, signed } from "./dom.js";
import { copied, fragmentOf, fromFragment, History, started, withSub } from "./state.js";
import { Places } from "./places.js";

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Numbers} Numbers */

const SAVE_AFTER_MS = 300;

export class App {
  /**
   * @param {import("./types.js").Data} data
   * @param {import("./field.js").Field} field
   * @param {import("./numbers.js").Judge} judge
   */
  constructor(data, field, judge) {
    this.data = data;
    this.field = field;
    this.judge = judge;
    this.places = new Places(data, field);
    /** @type {{render: () => void}[]} */
    this.views = [];
    this.history = new History(started(data, 0));
    /** @type {{state: State, numbers: Numbers} | null} */
    this.pinned = null;
    this.frequency = 0;
    this.free = this.places.between;
    this.selected = 0;
    this.drawing = 0;
    this.saving = 0;
    this.said = "";
    this.work();
  }

  get state() {
    return this.history.now;
  }

  get seatPoints() {
    return this.judge.seatPoints(this.state);
  }

  work() {
    /** @type {Numbers | null} */
    this.numbers = this.judge.numbers(this.state);
  }

  /** Take what an address holds. */
  open() {
    const found = fromFragment(location.hash, this.data, this.field);
    if (found.now) this.history = new History(found.now);
    if (found.pinned) this.pin(found.pinned);
    if (found.frequency >= 0) this.frequency = found.frequency;
    else this.frequency = this.tellingFrequency();
    this.free = this.places.between && (found.now ? found.free : true);
    if (found.strange)
      this.refuse("The link does not fit this plan; what could not be read is left as the plan has it.");
    this.selected = Math.min(this.selected, this.state.subs.length - 1);
    this.changed();
  }

  /** Where the seats of the plan differ most. */
  tellingFrequency() {
    this.work();
    const spread = this.numbers ? Array.from(this.numbers.spread) : [0];
    return spread.indexOf(Math.max(...spread));
  }

  /**
   * A change that can be undone.
   * @param {State} state
   * @param {string} [label] changes with one label are one step
   */
  change(state, label) {
    this.history.push(state, label);
    this.changed();
  }

  /** The next change is a step of its own. */
  rest() {
    this.history.rest();
  }

  changed() {
    this.work();
    this.selected = Math.min(this.selected, this.state.subs.length - 1);
    this.draw();
    window.clearTimeout(this.saving);
    this.saving = window.setTimeout(() => this.save(), SAVE_AFTER_MS);
  }

  save() {
    const { state: now, frequency, free } = this;
    const fragment = fragmentOf(this.data, { now, pinned: this.pinned ? this.pinned.state : null, frequency, free });
    if (fragment !== location.hash) history.replaceState(null, "", fragment);
  }

  /** Draw all views once, before the next frame. */
  draw() {
    if (this.drawing) return;
    this.drawing = requestAnimationFrame(() => this.drawNow());
  }

  drawNow() {
    cancelAnimationFrame(this.drawing);
    this.drawing = 0;
    for (const view of this.views) view.render();
    say(byId("verdict"), this.verdict());
    say(byId("warnings"), this.places.warnings(this.state, this.seatPoints).join(" "));
    /** @type {HTMLButtonElement} */ (byId("undo")).disabled = !this.history.canUndo;
    /** @type {HTMLButtonElement} */ (byId("redo")).disabled = !this.history.canRedo;
    document.documentElement.dataset.drawn = String(Number(document.documentElement.dataset.drawn ?? 0) + 1);
  }

  verdict() {
    const { numbers } = this;
    if (!numbers) return this.state.subs.some((sub) => sub.on) ? "No seat counts." : "No sub is on.";
    const parts = [counted(numbers.count, "sub")];
    if (numbers.level.length > 1) parts.push(`variation ${fixed(numbers.variation, 2)} dB`);
    parts.push(`output ${fixed(numbers.output)} dB`);
    if (numbers.worst)
      parts.push(`least headroom ${signed(Number(numbers.worst.headroom))} dB at ${numbers.worst.hz} Hz`);
    return `${parts.join(", ")}${numbers.rough ? ", to some 0.1 dB at added seats" : ""}`;
  }

  undo() {
    this.history.undo();
    this.changed();
  }

  redo() {
    this.history.redo();
    this.changed();
  }

  /** @param {number} frequency index */
  setFrequency(frequency) {
    if (frequency === this.frequency) return;
    this.frequency = frequency;
    this.changed();
  }

  /** @param {number} n */
  select(n) {
    if (n === this.selected) return;
    this.selected = n;
    this.draw();
  }

  /**
   * @param {number} n
   * @param {Partial<import("./types.js").Sub>} change
   * @param {string} [label]
   */
  setSub(n, change, label) {
    this.change(withSub(this.state, n, change), label);
  }

  /** @param {number} n */
  others(n) {
    return this.state.subs.filter((_, m) => m !== n).map((sub) => sub.at);
  }

  /**
   * @param {number} n
   * @param {Record<number, number>} to where along two axes
   * @param {number} hidden the third
   */
  dragSub(n, to, hidden) {
    const target = /** @type {Point} */ (this.state.subs[n].at.map((value, axis) => to[axis] ?? value));
    const at = this.places.nearest(target, hidden, this.free, this.others(n));
    if (at && at.some((value, axis) => value !== this.state.subs[n].at[axis])) this.setSub(n, { at }, `move ${n}`);
  }

  /**
   * @param {number} n
   * @param {string[]} texts
   */
  typeSub(n, texts) {
    const target = texts.map((text) => Number(text.replace(",", ".")));
    if (!target.every(Number.isFinite) || texts.some((text) => text.trim() === "")) {
      this.refuse(`The place of sub ${n + 1} must be three numbers, in metres.`);
    } else {
      const typed = /** @type {Point} */ (target);
      const at = this.places.nearest(typed, -1, this.free, this.others(n));
      if (at) {
        if (at.some((value, axis) => Math.abs(value - typed[axis]) > 5e-4)) {
          this.refuse(`No sub may stand at ${texts.join(", ")}; sub ${n + 1} stands at the nearest place.`);
        }
        this.setSub(n, { at });
      }
    }
    this.draw();
  }

  /**
   * @param {number} n
   * @param {"gain" | "delay"} what
   * @param {HTMLInputElement} field
   * @param {[number, number]} range
   */
  typeSetting(n, what, field, range) {
    const value = Number(field.value.replace(",", ".").replace("\u2212", "-"));
    if (field.value.trim() === "" || !Number.isFinite(value) || value < range[0] || value > range[1]) {
      this.refuse(`The ${what} of sub ${n + 1}: got ${field.value}; allowed: ${range[0]} to ${range[1]}.`);
      field.value = String(this.state.subs[n][what]);
    } else this.setSub(n, { [what]: value });
    this.draw();
  }

  addSub() {
    const at = this.places.spare(this.state.subs.map((sub) => sub.at));
    if (this.state.subs.length >= this.data.drives.most) this.refuse(`At most ${this.data.drives.most} subs.`);
    else if (!at) this.refuse("Every candidate is taken.");
    else {
      const channel = 1 + Math.max(...this.state.subs.map((sub) => sub.channel));
      const sub = {
        at,
        gain: this.data.drives.gain[1],
        delay: this.data.drives.delay[0],
        polarity: 1,
        channel,
        on: true,
        filter: -1,
      };
      this.selected = this.state.subs.length;
      this.change({ ...this.state, subs: [...this.state.subs, sub] });
    }
  }

  /** @param {number} n */
  dropSub(n) {
    if (this.state.subs.length < 2) this.refuse("The last sub stays; switch it off instead.");
    else this.change({ ...this.state, subs: this.state.subs.filter((_, m) => m !== n) });
  }

  /**
   * @param {number} seat
   * @param {boolean} counts
   */
  countSeat(seat, counts) {
    const out = this.state.out.filter((one) => one !== seat);
    this.change({ ...this.state, out: counts ? out : [...out, seat].sort((a, b) => a - b) });
  }

  addSeat() {
    const [length, width] = this.data.room.size;
    const taken = this.seatPoints;
    const room = (/** @type {[number, number]} */ at) =>
      Math.min(...taken.map((one) => Math.hypot(one[0] - at[0], one[1] - at[1])));
    const options = [0.35, 0.5, 0.65, 0.8].flatMap((x) =>
      [0.3, 0.5, 0.7].map(
        (y) => /** @type {[number, number]} */ ([Number((x * length).toFixed(2)), Number((y * width).toFixed(2))]),
      ),
    );
    const at = options.reduce((a, b) => (room(b) > room(a) ? b : a));
    this.change({ ...this.state, added: [...this.state.added, at] });
  }

  /** @param {number} n */
  dropSeat(n) {
    this.change({ ...this.state, added: this.state.added.filter((_, m) => m !== n) });
  }

  /**
   * @param {number} n
   * @param {[number, number]} to
   */
  moveSeat(n, to) {
    const at = /** @type {[number, number]} */ (
      to.map((value, axis) => Number(Math.min(Math.max(value, 0.3), this.data.room.size[axis] - 0.3).toFixed(2)))
    );
    this.change({ ...this.state, added: this.state.added.map((one, m) => (m === n ? at : one)) }, `seat ${n}`);
  }

  /**
   * @param {number} row
   * @param {number} to [m]
   */
  shiftRow(row, to) {
    const { way } = this.data.rows[row];
    if (!way) return;
    const by = Number(Math.min(Math.max(to, way[0]), way[1]).toFixed(2)) + 0;
    if (by === this.state.rows[row]) return;
    this.change({ ...this.state, rows: this.state.rows.map((one, n) => (n === row ? by : one)) }, `row ${row}`);
  }

  /** @param {State} [state] */
  pin(state = this.state) {
    const numbers = this.judge.numbers(state);
    if (!numbers) this.refuse("Nothing sounds: there is nothing to pin.");
    else this.pinned = { state: copied(state), numbers };
    this.changed();
  }

  unpin() {
    this.pinned = null;
    this.changed();
  }

  /** B becomes what A is; the other way round, what B was can be undone. */
  swap() {
    if (!this.pinned) return;
    const before = this.state;
    const numbers = this.judge.numbers(before);
    this.change(copied(this.pinned.state));
    if (numbers) this.pinned = { state: copied(before), numbers };
    this.changed();
  }

  /** @param {string} text */
  refuse(text) {
    say(byId("notice"), "");
    say(byId("notice"), text);
  }

  /** @param {number} seat */
  seatName(seat) {
    const { name } = this.data.seats;
    return seat < name.length ? name[seat] : `added ${seat - name.length + 1}`;
  }

  /** @param {number} seat */
  rowOf(seat) {
    return seat < this.data.seats.name.length ? this.data.seats.row[seat] : -1;
  }

  /**
   * Level of a seat relative to the average over the seats at the chosen frequency, as a text.
   * @param {number} seat
   */
  levelAt(seat) {
    const place = this.numbers ? this.numbers.seats.indexOf(seat) : -1;
    if (place < 0 || !this.numbers) return "\u2013";
    return signed(this.numbers.level[place][this.frequency] - this.numbers.mean[this.frequency]);
  }

  /**
   * Where a sub stands, by the nearer walls and the floor.
   * @param {Point} at
   */
  standsWords(at) {
    const { feet } = this.data;
    const [length, width] = this.data.room.size;
    const along = at[0] <= length / 2 ? [at[0], "front"] : [length - at[0], "rear"];
    const across = at[1] <= width / 2 ? [at[1], "left"] : [width - at[1], "right"];
    const walls = [along, across].map(([gap, wall]) => `${lengthWords(Math.abs(Number(gap)), feet)} from ${wall} wall`);
    return `${walls.join(", ")}, ${lengthWords(at[2], feet)} above floor`;
  }

  /** @param {number} n */
  subWords(n) {
    const sub = this.state.subs[n];
    const settings = `${fixed(sub.gain)} dB, ${fixed(sub.delay, 2)} ms, ${sub.polarity < 0 ? "inverted" : "normal"}`;
    return `Sub ${n + 1}${sub.on ? "" : ", off"}: ${this.standsWords(sub.at)}; ${settings}`;
  }
}
