/** A small search from some settings: each channel swept with the others held, landings, and hops away and back. */

import { descend, parts, placed, valueOf } from "./descent.js";

/** @typedef {import("./descent.js").Problem} Problem */
/** @typedef {import("./descent.js").Settings} Settings */
/** @typedef {{settings: Settings, value: number, done: number, total: number}} Best */

const TURNS_PER_DELAY = 8; // delays tried in one turn at the end of the band
const GAIN_STEP_DB = 3;
const PROMISING = 3; // trials of a channel that are descended from
const QUICK = 25; // looks at each of these
const SAVES = 1e-6; // dB^2
const ROUNDS = 8;

/**
 * Yields the best so far after each hop; it is never worse than the start.
 * @param {Problem} problem
 * @param {Settings} start
 * @param {{hops: number, seed: number}} effort
 * @returns {Generator<Best, void, void>}
 */
export function* searched(problem, start, { hops, seed }) {
  const random = randomFrom(seed);
  const rounded = placed(problem, start);
  let best = { settings: start, value: valueOf(problem, parts(problem, start).sum) };
  best = better(problem, best, landed(problem, rounded));
  yield { ...best, done: 0, total: hops };
  for (let hop = 1; hop <= hops && start.gain.length > 1; hop += 1) {
    const thrown = hopped(problem, best.settings, random);
    best = better(problem, best, landed(problem, thrown));
    yield { ...best, done: hop, total: hops };
  }
}

/**
 * The better of two; the second is judged as it will be dialled in, gains and delays in whole steps.
 * @param {Problem} problem
 * @param {{settings: Settings, value: number}} best
 * @param {Settings} trial
 */
function better(problem, best, trial) {
  const value = valueOf(problem, parts(problem, trial).sum);
  return value < best.value - SAVES ? { settings: trial, value } : best;
}

/**
 * Descend, sweep each channel with the others held, descend from what is promising; until nothing helps.
 * @param {Problem} problem
 * @param {Settings} start
 * @returns {Settings}
 */
function landed(problem, start) {
  let now = descend(problem, start);
  for (let round = 0; round < ROUNDS; round += 1) {
    const before = now.value;
    for (let channel = 0; channel < start.gain.length; channel += 1) {
      for (const trial of swept(problem, now.settings, channel)) {
        const next = descend(problem, trial, QUICK);
        if (next.value < now.value - SAVES) now = next;
      }
    }
    if (now.value > before - SAVES) break;
  }
  return onSteps(problem, descend(problem, now.settings).settings);
}

/**
 * Where the processor has steps: one step of one channel after the other, until none helps.
 * @param {Problem} problem
 * @param {Settings} start
 * @returns {Settings}
 */
function onSteps(problem, start) {
  const ways = /** @type {["gain" | "delay", number][]} */ ([
    ["gain", problem.gainStep],
    ["delay", problem.step],
  ]).filter(([, step]) => step > 0);
  let now = start;
  let value = valueOf(problem, parts(problem, now).sum);
  for (let helped = ways.length > 0; helped; ) {
    helped = false;
    for (const [what, step] of ways) {
      for (let channel = 0; channel < start.gain.length; channel += 1) {
        for (const by of [step, -step]) {
          const moved = replaced(now[what], channel, now[what][channel] + by);
          const trial = placed(problem, { ...now, [what]: moved });
          const next = valueOf(problem, parts(problem, trial).sum);
          if (next < value - SAVES) [now, value, helped] = [trial, next, true];
        }
      }
    }
  }
  return now;
}

/**
 * The most promising settings of one channel, the others held.
 * @param {Problem} problem
 * @param {Settings} at
 * @param {number} channel
 * @returns {Settings[]}
 */
function swept(problem, at, channel) {
  const { each, sum } = parts(problem, at);
  const rest = sum.map((one, n) => one - each[channel][n]);
  const [low, high] = problem.delay;
  const step = 1e3 / (TURNS_PER_DELAY * problem.hz[problem.hz.length - 1]);
  const delays = Array.from({ length: 1 + Math.floor((high - low) / step) }, (_, k) => low + k * step);
  const top = Math.max(...at.gain.filter((_, c) => c !== channel), problem.gain[0]);
  const gains = [];
  for (let gain = problem.gain[1]; gain >= problem.gain[0] - 1e-9; gain -= GAIN_STEP_DB) gains.push(gain);
  const offset = at.gain.length > 1 ? Math.min(0, top - problem.gain[1]) : 0;
  const signs = problem.polarity ? [1, -1] : [at.polarity[channel]];
  const lone = { ...problem, columns: [problem.columns[channel]] };
  const found = [];
  const trial = new Float64Array(sum.length);
  for (const delay of delays) {
    const own = parts(lone, { gain: [0], delay: [delay], polarity: [1] }).sum;
    for (const sign of signs) {
      let best = { value: Infinity, delay, sign, gain: gains[0] };
      for (const gain of gains) {
        const size = sign * 10 ** ((gain + offset) / 20);
        for (let n = 0; n < trial.length; n += 1) trial[n] = rest[n] + size * own[n];
        const value = valueOf(problem, trial);
        if (value < best.value) best = { value, delay, sign, gain: gain + offset };
      }
      found.push(best);
    }
  }
  found.sort((a, b) => a.value - b.value);
  /** @type {{value: number, delay: number, sign: number, gain: number}[]} */
  const apart = [];
  for (const one of found) {
    if (apart.length === PROMISING) break;
    if (apart.every((other) => other.sign !== one.sign || Math.abs(other.delay - one.delay) > 2.5 * step)) {
      apart.push(one);
    }
  }
  return apart.map((one) => ({
    gain: replaced(at.gain, channel, one.gain),
    delay: replaced(at.delay, channel, one.delay),
    polarity: replaced(at.polarity, channel, one.sign),
  }));
}

/**
 * One or two channels thrown to settings at random.
 * @param {Problem} problem
 * @param {Settings} at
 * @param {() => number} random
 * @returns {Settings}
 */
function hopped(problem, at, random) {
  const next = { gain: at.gain.slice(), delay: at.delay.slice(), polarity: at.polarity.slice() };
  const throws = random() < 0.5 ? 1 : 2;
  for (let k = 0; k < throws; k += 1) {
    const channel = Math.floor(random() * at.gain.length);
    next.delay[channel] = problem.delay[0] + random() * (problem.delay[1] - problem.delay[0]);
    next.gain[channel] = problem.gain[1] - 0.5 * random() * (problem.gain[1] - problem.gain[0]);
    if (problem.polarity) next.polarity[channel] = random() < 0.5 ? 1 : -1;
  }
  return next;
}

/**
 * @param {number[]} values
 * @param {number} at
 * @param {number} value
 */
function replaced(values, at, value) {
  return values.map((one, n) => (n === at ? value : one));
}

/**
 * Numbers from 0 to 1, the same ones from the same seed (Marsaglia's xorshift, 32 bits).
 * @param {number} seed
 */
function randomFrom(seed) {
  let state = seed | 0 || 1;
  return () => {
    state ^= state << 13;
    state ^= state >>> 17;
    state ^= state << 5;
    return (state >>> 0) / 2 ** 32;
  };
}
