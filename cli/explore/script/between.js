/** Places between places: which of a zone's are near, and what each of them weighs there. */

/** @typedef {import("./types.js").Point} Point */
/** @typedef {{nodes: number[], weights: number[]}} Mix */

const MOST_NODES = 8;
const LEAST_NODES = 4;
const SAME_M = 2e-6;

/**
 * A mix of a zone's places that gives the field at a point; null where no sub may stand, or where there are too few
 * places for a polynomial.
 * @param {import("./types.js").Grid} grid
 * @param {Point} at
 * @returns {Mix | null}
 */
export function mixAt(grid, at) {
  const low = [0, 0, 0];
  const high = [0, 0, 0];
  for (let axis = 0; axis < 3; axis += 1) {
    const places = grid.axes[axis];
    const last = places.length - 1;
    if (at[axis] < places[0] - SAME_M || at[axis] > places[last] + SAME_M) return null;
    let place = 0;
    while (place < last && places[place + 1] < at[axis] - SAME_M) place += 1;
    if (Math.abs(places[place] - at[axis]) <= SAME_M) low[axis] = high[axis] = place;
    else if (place < last && Math.abs(places[place + 1] - at[axis]) <= SAME_M) low[axis] = high[axis] = place + 1;
    else if (place === last) return null;
    else [low[axis], high[axis]] = [place, place + 1];
  }
  if (!free(grid, low, high) || isClosed(grid, low, high)) return null;
  for (let axis = 0; axis < 3; axis += 1) {
    if (high[axis] > low[axis] && !widen(grid, at, axis, low, high)) return null;
  }
  return mixed(grid, at, low, high);
}

/**
 * Whether all places of a block are free.
 * @param {import("./types.js").Grid} grid
 * @param {number[]} low
 * @param {number[]} high
 */
function free(grid, low, high) {
  const [, ny, nz] = grid.axes.map((axis) => axis.length);
  for (let i = low[0]; i <= high[0]; i += 1)
    for (let j = low[1]; j <= high[1]; j += 1)
      for (let k = low[2]; k <= high[2]; k += 1) if (grid.index[(i * ny + j) * nz + k] < 0) return false;
  return true;
}

/**
 * Whether the point lies in a cell in which a sub may not stand.
 * @param {import("./types.js").Grid} grid
 * @param {number[]} low
 * @param {number[]} high
 */
function isClosed(grid, low, high) {
  if (high.every((end, axis) => end === low[axis])) return false;
  return grid.closed.some((cell) =>
    cell.every((corner, axis) => corner === low[axis] || (high[axis] === low[axis] && corner + 1 === low[axis])),
  );
}

/**
 * Take in neighbours along an axis, the nearer first, as long as all of them are free.
 * @param {import("./types.js").Grid} grid
 * @param {Point} at
 * @param {number} axis
 * @param {number[]} low
 * @param {number[]} high
 * @returns {boolean} whether there are enough
 */
function widen(grid, at, axis, low, high) {
  const places = grid.axes[axis];
  const open = [true, true];
  while (high[axis] - low[axis] + 1 < MOST_NODES && (open[0] || open[1])) {
    const below = low[axis] - 1;
    const above = high[axis] + 1;
    if (below < 0) open[0] = false;
    if (above >= places.length) open[1] = false;
    if (!open[0] && !open[1]) break;
    const down = open[0] && (!open[1] || at[axis] - places[below] <= places[above] - at[axis]);
    const [from, to] = [low.slice(), high.slice()];
    from[axis] = to[axis] = down ? below : above;
    if (!free(grid, from, to)) open[down ? 0 : 1] = false;
    else if (down) low[axis] = below;
    else high[axis] = above;
  }
  return high[axis] - low[axis] + 1 >= LEAST_NODES;
}

/**
 * The product of the polynomials along the axes.
 * @param {import("./types.js").Grid} grid
 * @param {Point} at
 * @param {number[]} low
 * @param {number[]} high
 * @returns {Mix}
 */
function mixed(grid, at, low, high) {
  const [, ny, nz] = grid.axes.map((axis) => axis.length);
  const along = grid.axes.map((places, axis) => lagrange(places.slice(low[axis], high[axis] + 1), at[axis]));
  /** @type {Mix} */
  const mix = { nodes: [], weights: [] };
  along[0].forEach((wx, i) =>
    along[1].forEach((wy, j) =>
      along[2].forEach((wz, k) => {
        mix.nodes.push(grid.index[((low[0] + i) * ny + low[1] + j) * nz + low[2] + k]);
        mix.weights.push(wx * wy * wz);
      }),
    ),
  );
  return mix;
}

/**
 * Weights of the polynomial through some places, at a point.
 * @param {number[]} places
 * @param {number} at
 * @returns {number[]}
 */
export function lagrange(places, at) {
  return places.map((own, k) =>
    places.reduce((product, other, n) => (n === k ? product : product * ((at - other) / (own - other))), 1),
  );
}
