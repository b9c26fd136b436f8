/** The field of a sub at every ear: from the places around it, with the rows where they are. */

import { floats, integers } from "./packed.js";
import { mixAt } from "./between.js";

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./between.js").Mix} Mix */

export class Field {
  /**
   * @param {import("./types.js").Data} data
   * @param {Float32Array} smooth [place][frequency][ear][real, imaginary]
   * @param {{shift: import("./types.js").Shift, series: Float32Array}[]} shifts axes: place, term, frequency, ear, 2
   */
  constructor(data, smooth, shifts) {
    this.data = data;
    this.smooth = smooth;
    this.shifts = shifts;
    this.nFreq = data.hz.length;
    this.nEar = data.ears.seat.length;
    this.waves = data.hz.map((hz) => (2 * Math.PI * hz) / data.room.speed);
    /** @type {Map<string, number>} */
    this.byPlace = new Map(data.places.position.map((at, place) => [key(at), place]));
  }

  /**
   * Unpack what the page holds.
   * @param {import("./types.js").Data} data
   * @returns {Promise<Field>}
   */
  static async read(data) {
    const step = await floats(data.packed.step);
    const nPlace = data.places.position.length;
    const nFreq = data.hz.length;
    const nEar = data.ears.seat.length;
    const smooth = turned(await integers(data.packed.field), step, 1, nFreq, nEar, nPlace);
    const shifts = [];
    for (const shift of data.packed.shifts) {
      const numbers = await integers(shift.series);
      shifts.push({ shift, series: turned(numbers, step, shift.terms, nFreq, shift.ears.length, nPlace) });
    }
    return new Field(data, smooth, shifts);
  }

  /**
   * Which places give the field of a sub that stands here; null where none may.
   * @param {Point} at
   * @returns {Mix | null}
   */
  mix(at) {
    const place = this.byPlace.get(key(at));
    if (place !== undefined) return { nodes: [place], weights: [1] };
    for (const grid of this.data.places.grids) {
      const mix = mixAt(grid, at);
      if (mix) return mix;
    }
    return null;
  }

  /**
   * Where the ears are, with the rows shifted.
   * @param {number[]} rows shift of each row [m]
   * @returns {Point[]}
   */
  ears(rows) {
    const { ears, seats } = this.data;
    return ears.position.map(([x, y, z], ear) => [x + (rows[seats.row[ears.seat[ear]]] || 0), y, z]);
  }

  /**
   * Transfer from a place to every ear: [frequency][ear][real, imaginary], 1/m.
   * @param {Point} at
   * @param {number[]} rows shift of each row [m]
   * @returns {Float64Array}
   */
  column(at, rows) {
    const mix = this.mix(at);
    if (!mix) throw new Error("no sub may stand at " + at.join(", "));
    const size = this.nFreq * this.nEar * 2;
    const sum = new Float64Array(size);
    mix.nodes.forEach((place, k) => {
      const weight = mix.weights[k];
      const start = place * size;
      for (let n = 0; n < size; n += 1) sum[n] += weight * this.smooth[start + n];
    });
    for (const { shift, series } of this.shifts) {
      if (rows[shift.row]) this.addShift(sum, mix, shift, series, rows[shift.row]);
    }
    addRough(sum, this.data.room, this.waves, at, this.ears(rows));
    return sum;
  }

  /**
   * What a row's shift adds to the smooth part at its ears.
   * @param {Float64Array} sum
   * @param {Mix} mix
   * @param {import("./types.js").Shift} shift
   * @param {Float32Array} series
   * @param {number} by [m]
   */
  addShift(sum, mix, shift, series, by) {
    const own = shift.ears.length;
    const terms = chebyshev(shift, by).map((value, term) => value - chebyshev(shift, 0)[term]);
    const block = this.nFreq * own * 2;
    mix.nodes.forEach((place, k) => {
      terms.forEach((term, order) => {
        const weight = mix.weights[k] * term;
        let from = (place * shift.terms + order) * block;
        for (let f = 0; f < this.nFreq; f += 1) {
          for (const ear of shift.ears) {
            const to = (f * this.nEar + ear) * 2;
            sum[to] += weight * series[from];
            sum[to + 1] += weight * series[from + 1];
            from += 2;
          }
        }
      });
    });
  }
}

/**
 * T_1 and on at a shift of a row.
 * @param {import("./types.js").Shift} shift
 * @param {number} by [m]
 * @returns {number[]}
 */
function chebyshev(shift, by) {
  const t = (2 * by - shift.low - shift.high) / (shift.high - shift.low);
  const values = [1, t];
  while (values.length <= shift.terms) values.push(2 * t * values[values.length - 1] - values[values.length - 2]);
  return values.slice(1, shift.terms + 1);
}

/**
 * What is not smooth: the images' 1 / r, and cos(kr) / r of the sub itself.
 * @param {Float64Array} sum [frequency][point][2], to which it is added
 * @param {import("./types.js").Data["room"]} room
 * @param {number[]} waves wavenumber at each frequency [1/m]
 * @param {Point} at
 * @param {Point[]} points
 */
export function addRough(sum, room, waves, at, points) {
  const { images, direct } = roughOf(room, at, points);
  for (let point = 0; point < points.length; point += 1) {
    for (let f = 0; f < waves.length; f += 1) {
      sum[(f * points.length + point) * 2] += images[point] + Math.cos(waves[f] * direct[point]) / direct[point];
    }
  }
}

/**
 * The images' part, and the distance to the sub itself, at each point.
 * @param {import("./types.js").Data["room"]} room
 * @param {Point} at
 * @param {Point[]} points
 */
export function roughOf(room, at, points) {
  const places = Float64Array.from(room.images.flatMap((one) => one.map(([sign, by], axis) => sign * at[axis] + by)));
  const images = new Float64Array(points.length);
  const direct = new Float64Array(points.length);
  const least = room.apart * room.apart;
  for (let n = 0; n < points.length; n += 1) {
    const point = points[n];
    const [px, py, pz] = [point[0], point[1], point[2]];
    let sum = 0;
    for (let k = 0; k < places.length; k += 3) {
      const x = places[k] - px;
      const y = places[k + 1] - py;
      const z = places[k + 2] - pz;
      sum += 1 / Math.sqrt(Math.max(x * x + y * y + z * z, least));
    }
    images[n] = sum;
    direct[n] = Math.sqrt(Math.max((at[0] - px) ** 2 + (at[1] - py) ** 2 + (at[2] - pz) ** 2, least));
  }
  return { images, direct };
}

/**
 * A place as a text, the same for places that are one.
 * @param {Point} at
 */
export function key(at) {
  return at.map((value) => Math.round(1e6 * value)).join(" ");
}

/**
 * Packed numbers, [real, imaginary][term][frequency][ear][place] in steps, as [place][term][frequency][ear][2].
 * @param {Int32Array} numbers
 * @param {Float32Array} step [frequency][place]
 * @param {number} nTerm
 * @param {number} nFreq
 * @param {number} nEar
 * @param {number} nPlace
 * @returns {Float32Array}
 */
function turned(numbers, step, nTerm, nFreq, nEar, nPlace) {
  const values = new Float32Array(numbers.length);
  let from = 0;
  for (let part = 0; part < 2; part += 1)
    for (let term = 0; term < nTerm; term += 1)
      for (let f = 0; f < nFreq; f += 1)
        for (let ear = 0; ear < nEar; ear += 1)
          for (let place = 0; place < nPlace; place += 1) {
            const to = (((place * nTerm + term) * nFreq + f) * nEar + ear) * 2 + part;
            values[to] = numbers[from] * step[f * nPlace + place];
            from += 1;
          }
  return values;
}
