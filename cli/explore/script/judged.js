/** What a plan is judged by: `roommodes.responses.metrics`, `solvers.choice.aims` and `solvers.loudness` once more. */

const SILENCE = 1e-20; // -400 dB: an exact zero of pressure
export const DB = 20 / Math.LN10;

/**
 * Levels of a pressure: 20 lg of its size.
 * @param {Float64Array} pressure [frequency][point][2]
 * @param {number} nFreq
 * @returns {Float64Array[]} for each point over frequency [dB]
 */
export function levels(pressure, nFreq) {
  const count = pressure.length / (2 * nFreq);
  return Array.from({ length: count }, (_, point) =>
    Float64Array.from({ length: nFreq }, (_unused, f) => {
      const at = 2 * (f * count + point);
      return DB * Math.log(Math.max(Math.hypot(pressure[at], pressure[at + 1]), SILENCE));
    }),
  );
}

/**
 * Weights with a sum of one.
 * @param {number[]} weights
 * @returns {number[]}
 */
export function normalised(weights) {
  const sum = weights.reduce((total, one) => total + one, 0);
  return weights.map((one) => one / sum);
}

/**
 * Weighted mean over points at each frequency.
 * @param {Float64Array[]} level
 * @param {number[]} share sum 1
 * @returns {Float64Array}
 */
export function meanOf(level, share) {
  return level[0].map((_, f) => level.reduce((sum, one, point) => sum + share[point] * one[f], 0));
}

/**
 * Rms over frequency of the standard deviation of level over points [dB].
 * @param {Float64Array[]} level
 * @param {number[]} share sum 1
 */
export function variationOf(level, share) {
  const mean = meanOf(level, share);
  let sum = 0;
  for (let f = 0; f < mean.length; f += 1)
    for (let point = 0; point < level.length; point += 1) sum += share[point] * (level[point][f] - mean[f]) ** 2;
  return Math.sqrt(sum / mean.length);
}

/**
 * Rms deviation of a level from its straight line over the logarithm of frequency [dB].
 * @param {Float64Array} mean
 * @param {number[]} hz
 */
export function smoothnessOf(mean, hz) {
  const octaves = hz.map((one) => Math.log2(one / hz[0]));
  const middle = average(octaves);
  const x = octaves.map((one) => one - middle);
  const level = average(Array.from(mean));
  const rest = Array.from(mean, (one) => one - level);
  const length = x.reduce((sum, one) => sum + one * one, 0);
  const slope = length > 0 ? x.reduce((sum, one, f) => sum + one * rest[f], 0) / length : 0;
  return Math.sqrt(average(rest.map((one, f) => (one - slope * x[f]) ** 2)));
}

/**
 * T60 of the single mode that would ring as long as what is heard [s].
 * @param {Float64Array} pressure [frequency][point][2]
 * @param {number[]} share sum 1
 * @param {number[]} hz
 */
export function decayOf(pressure, share, hz) {
  const count = share.length;
  let spread = 0;
  let late = 0;
  let total = 0;
  for (let point = 0; point < count; point += 1) {
    let energy = 0;
    let moment = 0;
    for (let f = 1; f < hz.length; f += 1) {
      const step = 2 * Math.PI * (hz[f] - hz[f - 1]);
      const [a, b] = [2 * ((f - 1) * count + point), 2 * (f * count + point)];
      const slope = [(pressure[b] - pressure[a]) / step, (pressure[b + 1] - pressure[a + 1]) / step];
      const middle = [(pressure[b] + pressure[a]) / 2, (pressure[b + 1] + pressure[a + 1]) / 2];
      const weight = step * share[point];
      energy += weight * (middle[0] ** 2 + middle[1] ** 2);
      moment -= weight * (middle[0] * slope[1] - middle[1] * slope[0]);
      spread += weight * (slope[0] ** 2 + slope[1] ** 2);
    }
    if (energy > 0) late += moment ** 2 / energy;
    total += energy;
  }
  return total > 0 ? Math.log(1e6) * Math.sqrt(Math.max((spread - late) / total, 0)) : 0;
}

/**
 * Centre of energy of the response in the band, at one point [s].
 * @param {Float64Array} pressure [frequency][point][2]
 * @param {number} count points
 * @param {number} point
 * @param {number[]} hz
 */
export function energyTime(pressure, count, point, hz) {
  let energy = 0;
  let moment = 0;
  for (let f = 1; f < hz.length; f += 1) {
    const step = 2 * Math.PI * (hz[f] - hz[f - 1]);
    const [a, b] = [2 * ((f - 1) * count + point), 2 * (f * count + point)];
    const re = pressure[b] * pressure[a] + pressure[b + 1] * pressure[a + 1];
    const im = pressure[b + 1] * pressure[a] - pressure[b] * pressure[a + 1];
    const size = Math.hypot(re, im);
    energy += size * step;
    moment += size * Math.atan2(im, re);
  }
  return -moment / Math.max(energy, Number.MIN_VALUE);
}

/**
 * Mean-square level over the frequencies of a band [dB].
 * @param {Float64Array} level
 * @param {number[]} bandOf number of the band at each frequency
 * @param {number} band
 */
export function bandLevel(level, bandOf, band) {
  let sum = 0;
  let count = 0;
  bandOf.forEach((one, f) => {
    if (one !== band) return;
    sum += 10 ** (level[f] / 10);
    count += 1;
  });
  return 10 * Math.log10(sum / count);
}

/** @param {number[]} values */
export function average(values) {
  return values.reduce((sum, one) => sum + one, 0) / values.length;
}
