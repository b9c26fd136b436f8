/** All numbers of a state: the subs with their settings, at the seats that count. */

import {
  average,
  bandLevel,
  DB,
  decayOf,
  energyTime,
  levels,
  meanOf,
  normalised,
  smoothnessOf,
  variationOf,
} from "./judged.js";
import { key } from "./field.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Numbers} Numbers */

const KEPT = 64; // columns that are remembered

export class Judge {
  /**
   * @param {import("./types.js").Data} data
   * @param {import("./field.js").Field} field
   * @param {import("./plane.js").Plane | null} plane
   */
  constructor(data, field, plane) {
    this.data = data;
    this.field = field;
    this.plane = plane;
    /** @type {Map<string, Float64Array>} */
    this.known = new Map();
  }

  /**
   * Ears that count, with their shares: of the drawn seats, then those that were added.
   * @param {State} state
   */
  listeners(state) {
    const { ears, seats } = this.data;
    const drawn = ears.seat.map((_, ear) => ear).filter((ear) => !state.out.includes(ears.seat[ear]));
    const weights = [...drawn.map((ear) => ears.weight[ear]), ...state.added.map(() => 1)];
    const counted = seats.name.map((_, seat) => seat).filter((seat) => !state.out.includes(seat));
    const seatsWeights = counted.map((seat) =>
      ears.seat.reduce((sum, own, ear) => sum + (own === seat ? ears.weight[ear] : 0), 0),
    );
    return {
      drawn,
      share: normalised(weights),
      seats: [...counted, ...state.added.map((_, n) => seats.name.length + n)],
      seatShare: normalised([...seatsWeights, ...state.added.map(() => 1)]),
    };
  }

  /**
   * Transfer from a sub to the ears that count: [frequency][ear][2].
   * @param {import("./types.js").Sub} sub
   * @param {State} state
   * @param {number[]} drawn
   * @returns {Float64Array}
   */
  column(sub, state, drawn) {
    const name = [key(sub.at), state.rows.join(","), drawn.join(","), state.added.join(";")].join("|");
    const before = this.known.get(name);
    if (before) return before;
    const { nFreq, nEar } = this.field;
    const all = this.field.column(sub.at, state.rows);
    const added = state.added.map((at) => (this.plane ? this.plane.column(this.field.mix(sub.at), sub.at, at) : null));
    const count = drawn.length + added.length;
    const column = new Float64Array(nFreq * count * 2);
    for (let f = 0; f < nFreq; f += 1) {
      drawn.forEach((ear, n) => {
        column[2 * (f * count + n)] = all[2 * (f * nEar + ear)];
        column[2 * (f * count + n) + 1] = all[2 * (f * nEar + ear) + 1];
      });
      added.forEach((one, n) => {
        if (!one) return;
        column[2 * (f * count + drawn.length + n)] = one[2 * f];
        column[2 * (f * count + drawn.length + n) + 1] = one[2 * f + 1];
      });
    }
    if (this.known.size >= KEPT) this.known.delete(this.known.keys().next().value ?? "");
    this.known.set(name, column);
    return column;
  }

  /**
   * Complex weight of a sub at each frequency: [frequency][2].
   * @param {import("./types.js").Sub} sub
   * @returns {Float64Array}
   */
  weight(sub) {
    const { hz, filters } = this.data;
    const own = filters && sub.filter >= 0 ? filters[sub.filter] : null;
    const size = sub.polarity * 10 ** (sub.gain / 20);
    const weight = new Float64Array(2 * hz.length);
    hz.forEach((one, f) => {
      const turn = -2 * Math.PI * one * sub.delay * 1e-3;
      const [re, im] = [size * Math.cos(turn), size * Math.sin(turn)];
      const [a, b] = own ? own[f] : [1, 0];
      weight[2 * f] = re * a - im * b;
      weight[2 * f + 1] = re * b + im * a;
    });
    return weight;
  }

  /**
   * @param {State} state
   * @returns {Numbers | null} null where no sub is on, or no seat counts
   */
  numbers(state) {
    const subs = state.subs.filter((sub) => sub.on);
    const { drawn, share, seats, seatShare } = this.listeners(state);
    if (!subs.length || !seats.length) return null;
    const { hz, limits, bands } = this.data;
    const weights = subs.map((sub) => this.weight(sub));
    const pressure = new Float64Array(hz.length * share.length * 2);
    subs.forEach((sub, n) => addTimes(pressure, this.column(sub, state, drawn), weights[n], share.length));
    const heard = levels(pressure, hz.length);
    const common = this.common(subs, weights);
    const places = [...seats.keys()].map((n) =>
      seats[n] < this.data.seats.name.length
        ? drawn.indexOf(seats[n])
        : drawn.length + seats[n] - this.data.seats.name.length,
    );
    const level = places.map((ear) => heard[ear].map((one, f) => one + common[f]));
    const mean = meanOf(level, seatShare);
    const loudest = Math.max(...subs.map((sub) => sub.gain));
    const found = bands.map((band) => this.band(band, level, seatShare, common, (f) => this.stops(subs, weights, f)));
    const asked = found.filter((band) => band.headroom !== null);
    return {
      count: subs.length,
      seats,
      level,
      mean,
      spread: mean.map((_, f) => Math.max(...level.map((one) => one[f])) - Math.min(...level.map((one) => one[f]))),
      variation: variationOf(heard, share),
      output: average(Array.from(meanOf(heard, share))) - loudest - 20 * Math.log10(subs.length),
      smoothness: smoothnessOf(meanOf(heard, share), hz),
      decay: decayOf(pressure, share, hz),
      bands: found,
      worst: limits ? asked.reduce((a, b) => ((b.headroom ?? 0) < (a.headroom ?? 0) ? b : a)) : null,
      arrivals: this.arrivals(state, subs, seats, places, pressure, share.length),
      common,
      rough: state.added.length > 0,
    };
  }

  /**
   * What is added to a level for the first sub at its limit [dB]; without limits, for the loudest sub at its own.
   * @param {import("./types.js").Sub[]} subs
   * @param {Float64Array[]} weights
   * @returns {Float64Array}
   */
  common(subs, weights) {
    const { hz, limits } = this.data;
    const loudest = Math.max(...subs.map((sub) => sub.gain));
    return Float64Array.from(hz, (_, f) => {
      if (!limits) return -loudest;
      return Math.min(...this.left(subs, weights, f));
    });
  }

  /**
   * What limits a sub: two on one amplifier channel share its voltage or its current.
   * @param {import("./types.js").Sub} sub
   * @param {import("./types.js").Sub[]} subs those that are on
   * @returns {{highest: number[], first: string[]}}
   */
  limitsOf(sub, subs) {
    const limits = /** @type {import("./types.js").Limits} */ (this.data.limits);
    const shared = subs.filter((one) => one.channel === sub.channel).length > 1;
    return (shared && limits.pair) || limits;
  }

  /**
   * How far each sub is below its limit with nothing added, at one frequency [dB].
   * @param {import("./types.js").Sub[]} subs
   * @param {Float64Array[]} weights
   * @param {number} f
   * @returns {number[]}
   */
  left(subs, weights, f) {
    return subs.map((sub, n) => {
      const size = Math.hypot(weights[n][2 * f], weights[n][2 * f + 1]);
      return this.limitsOf(sub, subs).highest[f] - DB * Math.log(size);
    });
  }

  /**
   * What stops the first sub at one frequency.
   * @param {import("./types.js").Sub[]} subs
   * @param {Float64Array[]} weights
   * @param {number} f
   * @returns {string}
   */
  stops(subs, weights, f) {
    const left = this.left(subs, weights, f);
    return this.limitsOf(subs[left.indexOf(Math.min(...left))], subs).first[f];
  }

  /**
   * @param {{number: number, hz: number}} band
   * @param {Float64Array[]} level
   * @param {number[]} share
   * @param {Float64Array} common
   * @param {(f: number) => string} stops what the first sub meets
   * @returns {import("./types.js").Band}
   */
  band(band, level, share, common, stops) {
    const { limits, band_of: bandOf } = this.data;
    const counted = (/** @type {number[]} */ ones) => ones.filter((_, seat) => share[seat] > 0);
    const each = level.map((one) => bandLevel(one, bandOf, band.number));
    const mean = each.reduce((sum, one, seat) => sum + share[seat] * one, 0);
    const asked = limits !== null && limits.bands.includes(band.number);
    const inside = bandOf.map((_, f) => f).filter((f) => bandOf[f] === band.number);
    const tightest = inside.reduce((a, b) => (common[b] < common[a] ? b : a));
    return {
      hz: band.hz,
      level: each,
      mean,
      headroom: limits && asked ? (limits.everywhere ? Math.min(...counted(each)) : mean) - limits.target : null,
      stops: limits ? stops(tightest) : "",
    };
  }

  /**
   * Direct sound of the first and of the last sub, and the centre of energy, at each seat [ms].
   * @param {State} state
   * @param {import("./types.js").Sub[]} subs
   * @param {number[]} seats
   * @param {number[]} places
   * @param {Float64Array} pressure
   * @param {number} count
   */
  arrivals(state, subs, seats, places, pressure, count) {
    const ears = this.seatPoints(state);
    const earliest = Math.min(...subs.map((sub) => sub.delay));
    return seats.map((seat, n) => {
      const times = subs.map(
        (sub) =>
          (1e3 * Math.hypot(...sub.at.map((one, axis) => one - ears[seat][axis]))) / this.data.room.speed +
          sub.delay -
          earliest,
      );
      const energy = 1e3 * energyTime(pressure, count, places[n], this.data.hz) - earliest;
      return { first: Math.min(...times), last: Math.max(...times), energy };
    });
  }

  /**
   * Where all seats are, those that were added after those that are drawn.
   * @param {State} state
   * @returns {import("./types.js").Point[]}
   */
  seatPoints(state) {
    const drawn = this.field.ears(state.rows).slice(0, this.data.seats.name.length);
    const height = this.plane ? this.plane.height : 0;
    return [...drawn, ...state.added.map(([x, y]) => /** @type {[number, number, number]} */ ([x, y, height]))];
  }
}

/**
 * Add a column times its weight.
 * @param {Float64Array} sum [frequency][point][2]
 * @param {Float64Array} column
 * @param {Float64Array} weight [frequency][2]
 * @param {number} count points
 */
export function addTimes(sum, column, weight, count) {
  for (let f = 0; f < weight.length / 2; f += 1) {
    const [re, im] = [weight[2 * f], weight[2 * f + 1]];
    for (let point = 0; point < count; point += 1) {
      const at = 2 * (f * count + point);
      sum[at] += re * column[at] - im * column[at + 1];
      sum[at + 1] += re * column[at + 1] + im * column[at];
    }
  }
}
