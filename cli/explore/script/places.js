/** Where a sub may be put: the nearest legal place to a pointer, and the next one along an axis. */

import { lengthWords } from "./dom.js";
import { key } from "./field.js";

/** @typedef {import("./types.js").Point} Point */

const HIDDEN = 0.3; // a metre along the axis that a view does not show counts so much
const CENTIMETRE = 0.01;
const CLOSE_M = 0.005; // two subs nearer than this are in one place

export class Places {
  /**
   * @param {import("./types.js").Data} data
   * @param {import("./field.js").Field} field
   */
  constructor(data, field) {
    this.data = data;
    this.field = field;
    /** @type {Point[]} */
    this.snaps = data.places.snap.map((place) => data.places.position[place]);
  }

  /** Whether a sub may stand between the candidates. */
  get between() {
    return this.data.places.grids.length > 0;
  }

  /**
   * The legal place nearest to a target, as a view shows it.
   * @param {Point} target
   * @param {number} hidden axis that the view does not show; along it the target is where the sub is
   * @param {boolean} free whether places between the candidates count
   * @param {Point[]} taken where other subs stand
   * @returns {Point | null}
   */
  nearest(target, hidden, free, taken) {
    const options = this.snaps.slice();
    if (free) for (const grid of this.data.places.grids) options.push(...this.inGrid(grid, target));
    return this.best(options, target, hidden, taken);
  }

  /**
   * @param {Point[]} options
   * @param {Point} target
   * @param {number} hidden
   * @param {Point[]} taken
   * @returns {Point | null}
   */
  best(options, target, hidden, taken) {
    let best = null;
    let least = Infinity;
    for (const one of options) {
      if (taken.some((other) => distance(one, other) < CLOSE_M)) continue;
      const gap = one.map((value, axis) => (value - target[axis]) * (axis === hidden ? HIDDEN : 1));
      const size = Math.hypot(...gap);
      if (size < least - 1e-9) [best, least] = [one, size];
    }
    return best;
  }

  /**
   * Legal places of a zone around a target: to the centimetre where that is free, and its own places.
   * @param {import("./types.js").Grid} grid
   * @param {Point} target
   * @returns {Point[]}
   */
  inGrid(grid, target) {
    const at = /** @type {Point} */ (
      grid.axes.map((places, axis) => {
        const [low, high] = [places[0], places[places.length - 1]];
        const round = Math.round(target[axis] / CENTIMETRE) * CENTIMETRE;
        return Number(Math.min(Math.max(round, low), high).toFixed(6));
      })
    );
    const found = this.field.mix(at) ? [at] : [];
    const [, ny, nz] = grid.axes.map((axis) => axis.length);
    const near = grid.axes.map((places, axis) => around(places, target[axis], found.length ? 1 : places.length));
    for (const i of near[0])
      for (const j of near[1])
        for (const k of near[2])
          if (grid.index[(i * ny + j) * nz + k] >= 0) found.push([grid.axes[0][i], grid.axes[1][j], grid.axes[2][k]]);
    return found;
  }

  /**
   * The next legal place from here along an axis.
   * @param {Point} from
   * @param {number} axis
   * @param {number} sign 1 or -1
   * @param {boolean} free
   * @param {Point[]} taken
   * @returns {Point | null}
   */
  next(from, axis, sign, free, taken) {
    if (free) {
      const at = /** @type {Point} */ (from.slice());
      at[axis] = Number((Math.round(from[axis] / CENTIMETRE) * CENTIMETRE + sign * CENTIMETRE).toFixed(6));
      if (this.field.mix(at) && !taken.some((other) => distance(at, other) < CLOSE_M)) return at;
    }
    const ahead = this.snaps.filter((one) => {
      const along = sign * (one[axis] - from[axis]);
      return along > 1e-6 && along >= 0.5 * distance(one, from);
    });
    const fits = ahead.filter((one) => !taken.some((other) => distance(one, other) < CLOSE_M));
    return fits.length ? fits.reduce((a, b) => (distance(b, from) < distance(a, from) ? b : a)) : null;
  }

  /**
   * A candidate for one more sub: the one furthest from those that stand.
   * @param {Point[]} taken
   * @returns {Point | null}
   */
  spare(taken) {
    const fits = this.snaps.filter((one) => !taken.some((other) => distance(one, other) < CLOSE_M));
    if (!fits.length) return null;
    const room = (/** @type {Point} */ one) => Math.min(Infinity, ...taken.map((other) => distance(one, other)));
    return fits.reduce((a, b) => (room(b) > room(a) + 1e-9 ? b : a));
  }

  /**
   * What speaks against where the subs stand, in sentences.
   * @param {import("./types.js").State} state
   * @param {Point[]} seats
   * @returns {string[]}
   */
  warnings(state, seats) {
    const { drives, drawing, feet } = this.data;
    const said = [];
    const subs = state.subs;
    for (let a = 0; a < subs.length; a += 1) {
      for (let b = 0; b < a; b += 1) {
        const apart = distance(subs[a].at, subs[b].at);
        const names = `Subs ${b + 1} and ${a + 1}`;
        if (drawing.cabinet && overlap(subs[a].at, subs[b].at, drawing.cabinet.size)) said.push(`${names} overlap.`);
        else if (apart < drives.distance - 1e-6) {
          const wanted = lengthWords(drives.distance, feet, null);
          said.push(`${names} stand ${lengthWords(apart, feet)} apart; the project asks for ${wanted}.`);
        }
      }
      const near = Math.min(...seats.map((seat) => distance(seat, subs[a].at)));
      if (near < Math.max(drives.seat_distance - 1e-6, 0.1)) {
        const wanted = lengthWords(drives.seat_distance, feet, null);
        said.push(`Sub ${a + 1} stands ${lengthWords(near, feet)} from an ear; the project asks for ${wanted}.`);
      }
    }
    return said;
  }

  /**
   * Which way the cabinet is turned there: r(ear), f(ront), R(ight) or l(eft); empty without a cabinet.
   * @param {Point} at
   */
  facing(at) {
    const { facing, position } = this.data.places;
    if (!facing) return "";
    const known = this.field.byPlace.get(key(at));
    if (known !== undefined) return facing[known];
    let [best, least] = [0, Infinity];
    position.forEach((one, place) => {
      const gap = distance(one, at);
      if (gap < least) [best, least] = [place, gap];
    });
    return facing[best];
  }
}

/**
 * Indices of the places around a value, so many either way.
 * @param {number[]} places
 * @param {number} value
 * @param {number} reach
 */
function around(places, value, reach) {
  let nearest = 0;
  places.forEach((place, n) => {
    if (Math.abs(place - value) < Math.abs(places[nearest] - value)) nearest = n;
  });
  return places.map((_, n) => n).filter((n) => Math.abs(n - nearest) <= reach);
}

/**
 * Whether two cabinets overlap however they are turned.
 * @param {Point} a
 * @param {Point} b
 * @param {Point} size depth, width, height
 */
function overlap(a, b, size) {
  const side = Math.min(size[0], size[1]);
  return [side, side, size[2]].every((reach, axis) => Math.abs(a[axis] - b[axis]) < reach - 1e-6);
}

/**
 * @param {Point} a
 * @param {Point} b
 */
export function distance(a, b) {
  return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
}
