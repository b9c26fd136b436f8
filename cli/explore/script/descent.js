/**
 * The settings moved to the nearest best: damped Gauss-Newton steps within the limits, as `solvers.search.polish`.
 *
 * V^2 - reward * mean level is minimised. With q_c = w_c H_c / p: dL/dgain_c = Re q_c, dL/ddelay_c = (20 / ln 10) omega
 * Im q_c.
 */

import { DB } from "./judged.js";

/**
 * @typedef {Object} Problem
 * @property {number[]} hz
 * @property {number[]} share of each ear, sum 1
 * @property {Float64Array[]} columns of each channel [frequency][ear][2]
 * @property {[number, number]} gain limits [dB]
 * @property {[number, number]} delay limits [ms]
 * @property {number} gainStep of gains below the highest, 0 for any [dB]
 * @property {number} step of delays, 0 for any [ms]
 * @property {boolean} polarity whether it may be inverted
 * @property {number} reward worth of one dB of mean level [dB]
 *
 * @typedef {Object} Settings
 * @property {number[]} gain [dB]
 * @property {number[]} delay [ms]
 * @property {number[]} polarity
 */

const FIRST_DAMPING = 1e-2;
const LEAST_DAMPING = 1e-7;
const MOST_DAMPING = 1e8;
const SILENCE = 1e-20;

/**
 * Pressure of every channel at every ear: [channel][frequency * ear][2], and their sum.
 * @param {Problem} problem
 * @param {Settings} at
 */
export function parts(problem, at) {
  const nEar = problem.share.length;
  const each = problem.columns.map((column, c) => {
    const size = at.polarity[c] * 10 ** (at.gain[c] / 20);
    const part = new Float64Array(column.length);
    problem.hz.forEach((hz, f) => {
      const turn = -2e-3 * Math.PI * hz * at.delay[c];
      const [re, im] = [size * Math.cos(turn), size * Math.sin(turn)];
      for (let n = 2 * f * nEar; n < 2 * (f + 1) * nEar; n += 2) {
        part[n] = re * column[n] - im * column[n + 1];
        part[n + 1] = re * column[n + 1] + im * column[n];
      }
    });
    return part;
  });
  const sum = new Float64Array(problem.columns[0].length);
  for (const part of each) part.forEach((one, n) => (sum[n] += one));
  return { each, sum };
}

/**
 * V^2 - reward * mean level of a pressure [dB^2].
 * @param {Problem} problem
 * @param {Float64Array} sum [frequency][ear][2]
 */
export function valueOf(problem, sum) {
  const nEar = problem.share.length;
  let value = 0;
  let total = 0;
  for (let n = 0; n < sum.length; n += 2 * nEar) {
    let first = 0;
    let second = 0;
    for (let ear = 0; ear < nEar; ear += 1) {
      const [re, im] = [sum[n + 2 * ear], sum[n + 2 * ear + 1]];
      const level = (DB / 2) * Math.log(Math.max(re * re + im * im, SILENCE * SILENCE));
      first += problem.share[ear] * level;
      second += problem.share[ear] * level * level;
    }
    value += Math.max(second - first * first, 0);
    total += first;
  }
  return (value - problem.reward * total) / problem.hz.length;
}

/**
 * Value, slope and the Gauss-Newton approximation of the second derivatives, in gains [dB] and delays [ms].
 * @param {Problem} problem
 * @param {Settings} at
 */
export function look(problem, at) {
  const { each, sum } = parts(problem, at);
  const nEar = problem.share.length;
  const size = 2 * each.length;
  const slope = new Float64Array(size);
  const curve = Array.from({ length: size }, () => new Float64Array(size));
  const level = new Float64Array(nEar);
  const d = Array.from({ length: nEar }, () => new Float64Array(size));
  const meanD = new Float64Array(size);
  let value = 0;
  let total = 0;
  problem.hz.forEach((hz, f) => {
    meanD.fill(0);
    let mean = 0;
    for (let ear = 0; ear < nEar; ear += 1) {
      const n = 2 * (f * nEar + ear);
      const power = sum[n] * sum[n] + sum[n + 1] * sum[n + 1];
      level[ear] = (DB / 2) * Math.log(Math.max(power, SILENCE * SILENCE));
      mean += problem.share[ear] * level[ear];
      each.forEach((part, c) => {
        const re = power > SILENCE * SILENCE ? (part[n] * sum[n] + part[n + 1] * sum[n + 1]) / power : 0;
        const im = power > SILENCE * SILENCE ? (part[n + 1] * sum[n] - part[n] * sum[n + 1]) / power : 0;
        d[ear][c] = re;
        d[ear][each.length + c] = DB * 2e-3 * Math.PI * hz * im;
      });
      for (let x = 0; x < size; x += 1) meanD[x] += problem.share[ear] * d[ear][x];
    }
    total += mean;
    for (let ear = 0; ear < nEar; ear += 1) {
      const weight = problem.share[ear];
      const rest = level[ear] - mean;
      value += weight * rest * rest;
      for (let x = 0; x < size; x += 1) {
        const e = d[ear][x] - meanD[x];
        slope[x] += 2 * weight * rest * e;
        for (let y = 0; y <= x; y += 1) curve[x][y] += 2 * weight * e * (d[ear][y] - meanD[y]);
      }
    }
    for (let x = 0; x < size; x += 1) slope[x] -= problem.reward * meanD[x];
  });
  const count = problem.hz.length;
  for (let x = 0; x < size; x += 1) {
    slope[x] /= count;
    for (let y = 0; y <= x; y += 1) curve[y][x] = curve[x][y] /= count;
  }
  return { value: (value - problem.reward * total) / count, slope, curve };
}

/**
 * Descend from some settings; polarities stay.
 * @param {Problem} problem
 * @param {Settings} start
 * @param {number} [most] looks
 * @returns {{settings: Settings, value: number}}
 */
export function descend(problem, start, most = 100) {
  const n = start.gain.length;
  const low = [...start.gain.map(() => problem.gain[0]), ...start.delay.map(() => problem.delay[0])];
  const high = [...start.gain.map(() => problem.gain[1]), ...start.delay.map(() => problem.delay[1])];
  const centred = (/** @type {number[]} */ values, /** @type {[number, number]} */ ends) => {
    const by = (ends[0] + ends[1] - Math.min(...values) - Math.max(...values)) / 2;
    return values.map((one) => one + by);
  };
  const gain = problem.reward === 0 ? centred(start.gain, problem.gain) : start.gain;
  let x = [...gain, ...centred(start.delay, problem.delay)].map((one, k) => Math.min(Math.max(one, low[k]), high[k]));
  const at = (/** @type {number[]} */ values) => ({
    gain: values.slice(0, n),
    delay: values.slice(n),
    polarity: start.polarity,
  });
  let now = look(problem, at(x));
  let damping = FIRST_DAMPING;
  for (let turn = 0; turn < most; turn += 1) {
    const free = x
      .map((_, k) => k)
      .filter(
        (k) => low[k] < high[k] && !(x[k] <= low[k] && now.slope[k] > 0) && !(x[k] >= high[k] && now.slope[k] < 0),
      );
    if (!free.length) break;
    const matrix = free.map((a) =>
      free.map((b) => now.curve[a][b] + (a === b ? damping * now.curve[a][a] + 1e-12 : 0)),
    );
    const move = solved(
      matrix,
      free.map((k) => now.slope[k]),
    );
    const trial = x.slice();
    free.forEach((k, m) => (trial[k] = Math.min(Math.max(x[k] - move[m], low[k]), high[k])));
    const next = look(problem, at(trial));
    if (next.value < now.value) {
      const saved = now.value - next.value;
      [x, now, damping] = [trial, next, Math.max(0.2 * damping, LEAST_DAMPING)];
      if (saved < 1e-8 * Math.max(Math.abs(now.value), 1e-12)) break;
    } else {
      damping *= 5;
      if (damping > MOST_DAMPING) break;
    }
  }
  return { settings: placed(problem, at(x)), value: now.value };
}

/**
 * The loudest at the top of its range, the earliest at the bottom; gains and delays in whole steps.
 * @param {Problem} problem
 * @param {Settings} at
 * @returns {Settings}
 */
export function placed(problem, at) {
  const [low, high] = problem.delay;
  const earliest = Math.min(...at.delay);
  const loudest = Math.max(...at.gain);
  const clip = (/** @type {number} */ value, /** @type {[number, number]} */ ends) =>
    Math.min(Math.max(value, ends[0]), ends[1]);
  return {
    gain: at.gain.map((one) => {
      let below = loudest - one;
      if (problem.gainStep > 0) {
        const most = Math.floor((problem.gain[1] - problem.gain[0]) / problem.gainStep + 1e-9);
        below = problem.gainStep * Math.min(Math.round(below / problem.gainStep), most);
      }
      return clip(problem.gain[1] - below, problem.gain);
    }),
    delay: at.delay.map((one) => {
      let delay = one - earliest + low;
      if (problem.step > 0) {
        const most = Math.floor((high - low) / problem.step + 1e-9);
        delay = low + problem.step * Math.min(Math.round((delay - low) / problem.step), most);
      }
      return clip(delay, problem.delay);
    }),
    polarity: at.polarity,
  };
}

/**
 * Gaussian elimination with pivots.
 * @param {number[][]} matrix
 * @param {number[]} right
 * @returns {number[]}
 */
function solved(matrix, right) {
  const n = right.length;
  const rows = matrix.map((row, k) => [...row, right[k]]);
  for (let k = 0; k < n; k += 1) {
    let pivot = k;
    for (let r = k + 1; r < n; r += 1) if (Math.abs(rows[r][k]) > Math.abs(rows[pivot][k])) pivot = r;
    [rows[k], rows[pivot]] = [rows[pivot], rows[k]];
    if (rows[k][k] === 0) continue;
    for (let r = k + 1; r < n; r += 1) {
      const factor = rows[r][k] / rows[k][k];
      for (let c = k; c <= n; c += 1) rows[r][c] -= factor * rows[k][c];
    }
  }
  const x = new Array(n).fill(0);
  for (let k = n - 1; k >= 0; k -= 1) {
    const rest = rows[k].slice(k + 1, n).reduce((sum, one, m) => sum + one * x[k + 1 + m], 0);
    x[k] = rows[k][k] === 0 ? 0 : (rows[k][n] - rest) / rows[k][k];
  }
  return x;
}
