/** The field over the listening plane: the map under the pointer, and seats that were added. */

import { floats, integers } from "./packed.js";
import { roughOf } from "./field.js";
import { DB } from "./judged.js";

/** @typedef {import("./types.js").Point} Point */
/** @typedef {import("./between.js").Mix} Mix */

const MAP_POINTS = 2000;
const KEPT = 64; // places whose images are remembered

export class Plane {
  /**
   * @param {import("./types.js").Data} data
   * @param {{left: Float32Array, right: Float32Array}[]} factors left [node][rank][2], right [place][rank][2]
   */
  constructor(data, factors) {
    const packed = /** @type {import("./types.js").PackedPlane} */ (data.plane);
    this.data = data;
    this.factors = factors;
    this.height = packed.z;
    this.nodes = [packed.x, packed.y];
    this.rank = packed.rank;
    this.waves = data.hz.map((hz) => (2 * Math.PI * hz) / data.room.speed);
    const [length, width] = data.room.size;
    const apart = Math.sqrt((length * width) / MAP_POINTS);
    this.nx = Math.max(3, 1 + Math.round(length / apart));
    this.ny = Math.max(3, 1 + Math.round(width / apart));
    this.x = Array.from({ length: this.nx }, (_, i) => (length * i) / (this.nx - 1));
    this.y = Array.from({ length: this.ny }, (_, j) => (width * j) / (this.ny - 1));
    this.alongX = this.x.map((at) => interpolation(packed.x, at));
    this.alongY = this.y.map((at) => interpolation(packed.y, at));
    /** @type {Point[]} */
    this.points = this.x.flatMap((x) => this.y.map((y) => /** @type {Point} */ ([x, y, packed.z])));
    /** @type {Map<string, {images: Float64Array, direct: Float64Array}>} */
    this.known = new Map();
  }

  /**
   * @param {import("./types.js").Data} data
   * @returns {Promise<Plane | null>} null where the page has no map
   */
  static async read(data) {
    if (!data.plane) return null;
    const step = await floats(data.plane.step);
    const numbers = await integers(data.plane.factors);
    const nNode = data.plane.x.length * data.plane.y.length;
    const nPlace = data.places.position.length;
    let from = 0;
    const factors = data.plane.rank.map((rank, f) => {
      const left = new Float32Array(2 * nNode * rank);
      const right = new Float32Array(2 * nPlace * rank);
      for (let part = 0; part < 2; part += 1)
        for (let n = 0; n < nNode * rank; n += 1) left[2 * n + part] = numbers[from++] * step[2 * f];
      for (let part = 0; part < 2; part += 1)
        for (let k = 0; k < rank; k += 1)
          for (let place = 0; place < nPlace; place += 1)
            right[2 * (place * rank + k) + part] = numbers[from++] * step[2 * f + 1];
      return { left, right };
    });
    return new Plane(data, factors);
  }

  /**
   * Transfer from a sub to a point of the plane: [frequency][2].
   * @param {Mix | null} mix
   * @param {Point} at
   * @param {[number, number]} point
   * @returns {Float64Array}
   */
  column(mix, at, point) {
    const column = new Float64Array(2 * this.waves.length);
    if (!mix) return column;
    const [wx, wy] = [interpolation(this.nodes[0], point[0]), interpolation(this.nodes[1], point[1])];
    const { images, direct } = roughOf(this.data.room, at, [[point[0], point[1], this.height]]);
    this.waves.forEach((wave, f) => {
      const amplitude = this.amplitude(f, mix, [1, 0]);
      const [re, im] = this.atPoint(f, amplitude, wx, wy);
      column[2 * f] = re + images[0] + Math.cos(wave * direct[0]) / direct[0];
      column[2 * f + 1] = im;
    });
    return column;
  }

  /**
   * The level over the map at a frequency, x slowest [dB re 1/m].
   * @param {number} f index of the frequency
   * @param {{mix: Mix, at: Point, weight: number[]}[]} subs with their complex weights
   * @returns {Float64Array}
   */
  levels(f, subs) {
    const rank = this.rank[f];
    const amplitude = new Float64Array(2 * rank);
    const sum = new Float64Array(2 * this.points.length);
    for (const sub of subs) {
      this.amplitude(f, sub.mix, sub.weight).forEach((one, k) => (amplitude[k] += one));
      const { images, direct } = this.rough(sub.at);
      for (let point = 0; point < this.points.length; point += 1) {
        const rough = images[point] + Math.cos(this.waves[f] * direct[point]) / direct[point];
        sum[2 * point] += sub.weight[0] * rough;
        sum[2 * point + 1] += sub.weight[1] * rough;
      }
    }
    this.spread(f, amplitude, sum);
    const levels = new Float64Array(this.points.length);
    for (let point = 0; point < levels.length; point += 1) {
      const power = sum[2 * point] ** 2 + sum[2 * point + 1] ** 2;
      levels[point] = (DB / 2) * Math.log(Math.max(power, 1e-40));
    }
    return levels;
  }

  /**
   * How much of each singular vector a sub excites.
   * @param {number} f
   * @param {Mix} mix
   * @param {number[]} weight
   * @returns {Float64Array} [rank][2]
   */
  amplitude(f, mix, weight) {
    const rank = this.rank[f];
    const { right } = this.factors[f];
    const found = new Float64Array(2 * rank);
    mix.nodes.forEach((place, n) => {
      for (let k = 0; k < rank; k += 1) {
        const at = 2 * (place * rank + k);
        const [re, im] = [mix.weights[n] * right[at], mix.weights[n] * right[at + 1]];
        found[2 * k] += weight[0] * re - weight[1] * im;
        found[2 * k + 1] += weight[0] * im + weight[1] * re;
      }
    });
    return found;
  }

  /**
   * The smooth part at a point.
   * @param {number} f
   * @param {Float64Array} amplitude
   * @param {number[]} wx
   * @param {number[]} wy
   * @returns {[number, number]}
   */
  atPoint(f, amplitude, wx, wy) {
    const field = this.atNodes(f, amplitude);
    let [re, im] = [0, 0];
    wx.forEach((a, i) =>
      wy.forEach((b, j) => {
        const at = 2 * (i * wy.length + j);
        re += a * b * field[at];
        im += a * b * field[at + 1];
      }),
    );
    return [re, im];
  }

  /**
   * The smooth part at the nodes.
   * @param {number} f
   * @param {Float64Array} amplitude
   * @returns {Float64Array} [node][2]
   */
  atNodes(f, amplitude) {
    const rank = this.rank[f];
    const { left } = this.factors[f];
    const count = left.length / (2 * rank);
    const field = new Float64Array(2 * count);
    for (let node = 0; node < count; node += 1) {
      for (let k = 0; k < rank; k += 1) {
        const at = 2 * (node * rank + k);
        field[2 * node] += left[at] * amplitude[2 * k] - left[at + 1] * amplitude[2 * k + 1];
        field[2 * node + 1] += left[at] * amplitude[2 * k + 1] + left[at + 1] * amplitude[2 * k];
      }
    }
    return field;
  }

  /**
   * Add the smooth part over the map.
   * @param {number} f
   * @param {Float64Array} amplitude
   * @param {Float64Array} sum [point][2]
   */
  spread(f, amplitude, sum) {
    const field = this.atNodes(f, amplitude);
    const [mx, my] = [this.nodes[0].length, this.nodes[1].length];
    const line = new Float64Array(2 * mx);
    for (let j = 0; j < this.ny; j += 1) {
      line.fill(0);
      for (let i = 0; i < mx; i += 1) {
        for (let n = 0; n < my; n += 1) {
          line[2 * i] += this.alongY[j][n] * field[2 * (i * my + n)];
          line[2 * i + 1] += this.alongY[j][n] * field[2 * (i * my + n) + 1];
        }
      }
      for (let i = 0; i < this.nx; i += 1) {
        const to = 2 * (i * this.ny + j);
        for (let n = 0; n < mx; n += 1) {
          sum[to] += this.alongX[i][n] * line[2 * n];
          sum[to + 1] += this.alongX[i][n] * line[2 * n + 1];
        }
      }
    }
  }

  /** @param {Point} at */
  rough(at) {
    const name = at.join(" ");
    const before = this.known.get(name);
    if (before) return before;
    const found = roughOf(this.data.room, at, this.points);
    if (this.known.size >= KEPT) this.known.delete(this.known.keys().next().value ?? "");
    this.known.set(name, found);
    return found;
  }
}

/**
 * Values at Chebyshev points -> the value at a place, barycentric.
 * @param {number[]} nodes
 * @param {number} at
 * @returns {number[]}
 */
function interpolation(nodes, at) {
  const met = nodes.findIndex((node) => Math.abs(node - at) < 1e-12);
  if (met >= 0) return nodes.map((_, n) => (n === met ? 1 : 0));
  const count = nodes.length;
  const shares = nodes.map((node, n) => {
    const weight = Math.sin((n + 0.5) * (Math.PI / count)) * (n % 2 ? -1 : 1);
    return weight / (at - node);
  });
  const sum = shares.reduce((total, one) => total + one, 0);
  return shares.map((one) => one / sum);
}
