/** What both views of the room share: outlines, cabinets, and a pointer or keys that move them. */

import { svg } from "./dom.js";

/** @typedef {import("./types.js").Point} Point */

export const UNIT = 100; // of a drawing in a metre
export const MARGIN = 0.042; // around the room, of its length

const TURNS = { r: [0, 1], f: [0, -1], R: [1, 1], l: [1, -1] };

/**
 * Low and high corner of a cabinet whose acoustic centre is at a point.
 * @param {import("./types.js").Data} data
 * @param {Point} at
 * @param {string} facing
 * @returns {[Point, Point]}
 */
export function cabinetBox(data, at, facing) {
  const { cabinet } = data.drawing;
  if (!cabinet || !facing) {
    const half = 0.024 * Math.max(...data.room.size.slice(0, 2));
    return [/** @type {Point} */ (at.map((one) => one - half)), /** @type {Point} */ (at.map((one) => one + half))];
  }
  const [axis, sign] = TURNS[/** @type {"r" | "f" | "R" | "l"} */ (facing)];
  const forward = [0, 0];
  forward[axis] = sign;
  const [ahead, right, up] = cabinet.centre;
  const shift = [ahead * forward[0] + right * forward[1], ahead * forward[1] - right * forward[0], up];
  const half = [cabinet.size[1] / 2, cabinet.size[1] / 2, cabinet.size[2] / 2];
  half[axis] = cabinet.size[0] / 2;
  return [
    /** @type {Point} */ (at.map((one, n) => one - shift[n] - half[n])),
    /** @type {Point} */ (at.map((one, n) => one - shift[n] + half[n])),
  ];
}

/**
 * The outline of the air.
 * @param {number[][][]} loops closed, in metres
 */
export function outlined(loops) {
  return svg("path", { class: "outline", d: closed(loops) });
}

/**
 * Blocks in the air, those overhead dashed.
 * @param {import("./types.js").Block[]} blocks
 * @param {number[][][]} loops the air's outline: nothing is drawn outside it
 * @param {number} up the axis that points up in the drawing
 */
export function solids(blocks, loops, up) {
  const id = `air-${up}`;
  const air = svg("clipPath", { id }, svg("path", { d: closed(loops) }));
  const boxes = blocks.map(({ name, low, high, overhead }) => {
    const size = { width: (high[0] - low[0]) * UNIT, height: (high[up] - low[up]) * UNIT };
    const place = { x: low[0] * UNIT, y: -high[up] * UNIT, ...size };
    return svg("rect", { class: overhead ? "solid overhead" : "solid", ...place }, svg("title", {}, name));
  });
  return svg("g", { "clip-path": `url(#${id})` }, air, ...boxes);
}

/** @param {number[][][]} loops */
function closed(loops) {
  return loops.map((loop) => `M${loop.map(([x, y]) => `${x * UNIT} ${-y * UNIT}`).join("L")}Z`).join("");
}

/**
 * A sub as it is drawn: cabinet, cross at the acoustic centre, number; inverted has a ø, off is hollow.
 * @param {import("./types.js").Sub} sub
 * @param {number} number
 * @param {{x: number, y: number, width: number, height: number}} box
 * @param {{x: number, y: number}} centre
 * @param {number} k size of letters and targets
 */
export function subMark(sub, number, box, centre, k) {
  const reach = 22 * k;
  const turned = { class: "turned", x: centre.x + 9 * k, y: centre.y - 8 * k, "font-size": 17 * k };
  return [
    svg("rect", { class: "grip", x: centre.x - reach, y: centre.y - reach, width: 2 * reach, height: 2 * reach }),
    svg("rect", { class: "cabinet", ...box, rx: 2 * k }),
    svg("circle", { class: "disc", cx: centre.x, cy: centre.y, r: 12 * k }),
    svg("text", { class: "number", x: centre.x, y: centre.y + 5.5 * k, "font-size": 15 * k }, String(number)),
    ...(sub.polarity < 0 ? [svg("text", turned, "\u00f8")] : []),
  ];
}

/**
 * Where on a drawing a pointer is, in metres.
 * @param {SVGElement} drawing
 * @param {PointerEvent} event
 * @returns {[number, number]} along the drawing, and up from its lower edge
 */
export function pointed(drawing, event) {
  const box = drawing.getBoundingClientRect();
  const view = /** @type {SVGSVGElement} */ (drawing).viewBox.baseVal;
  const x = view.x + ((event.clientX - box.left) / box.width) * view.width;
  const y = view.y + ((event.clientY - box.top) / box.height) * view.height;
  return [x / UNIT, -y / UNIT];
}

/**
 * Make a mark answer to a pointer: `move` gets where it is taken to.
 * @param {SVGElement} drawing
 * @param {SVGElement} mark
 * @param {(at: [number, number]) => void} move
 * @param {() => void} end
 */
export function dragged(drawing, mark, move, end) {
  /** @type {[number, number] | null} */
  let grip = null;
  mark.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    mark.setPointerCapture(event.pointerId);
    const at = pointed(drawing, event);
    const home = JSON.parse(mark.dataset.at ?? "[0,0]");
    grip = [home[0] - at[0], home[1] - at[1]];
    mark.focus({ preventScroll: true });
    event.preventDefault();
  });
  mark.addEventListener("pointermove", (event) => {
    if (!grip) return;
    const at = pointed(drawing, event);
    move([at[0] + grip[0], at[1] + grip[1]]);
  });
  for (const name of ["pointerup", "pointercancel"]) {
    mark.addEventListener(name, () => {
      if (grip) end();
      grip = null;
    });
  }
}
