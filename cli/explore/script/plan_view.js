/** The room from above, to scale, front wall to the left and left wall below: subs, rows and seats are dragged here. */

import { lengthWords, rowColour, signed, sized, svg } from "./dom.js";
import { seatKey, subKey } from "./keys.js";
import { cabinetBox, dragged, MARGIN, outlined, solids, subMark, UNIT } from "./room_view.js";

/** @typedef {import("./app.js").App} App */

export class PlanView {
  /**
   * @param {App} app
   * @param {SVGElement} drawing
   */
  constructor(app, drawing) {
    this.app = app;
    this.drawing = drawing;
    const [length, width] = app.data.room.size;
    const margin = MARGIN * length * UNIT;
    this.wide = length * UNIT + 2 * margin;
    drawing.setAttribute("viewBox", [-margin, -width * UNIT - margin, this.wide, width * UNIT + 2 * margin].join(" "));
    this.k = 1; // of a point on the screen
    this.layers = ["still", "marks", "rows", "seats", "subs"].map((name) => svg("g", { class: name }));
    drawing.append(...this.layers);
    /** @type {SVGElement[]} */
    this.subs = [];
    /** @type {SVGElement[]} */
    this.seats = [];
    this.rows = app.data.rows.map((row, n) => this.rowHandle(row, n));
    sized(drawing, (pixels) => this.size(pixels));
  }

  /** @param {number} pixels how wide it stands on the screen */
  size(pixels) {
    this.k = this.wide / pixels;
    this.drawStill();
    this.render();
  }

  drawStill() {
    const { data } = this.app;
    const [length, width] = data.room.size.map((one) => one * UNIT);
    const [still, marks] = this.layers;
    still.replaceChildren();
    marks.replaceChildren();
    const { outline, blocks, slopes } = data.drawing;
    still.append(solids(blocks, outline.plan, 1), outlined(outline.plan));
    for (const slope of slopes) {
      for (const [at, height] of slope.ends) {
        const ends = [
          [at, at],
          [0, data.room.size[1 - slope.axis]],
        ];
        const [x, y] = slope.axis === 0 ? ends : [ends[1], ends[0]];
        const line = { x1: x[0] * UNIT, x2: x[1] * UNIT, y1: -y[0] * UNIT, y2: -y[1] * UNIT };
        const words = `${slope.name}: ceiling ${lengthWords(height, data.feet)} above floor`;
        still.append(svg("line", { class: "slope", ...line }, svg("title", {}, words)));
      }
    }
    for (const box of data.drawing.keep_outs) {
      const [x, y] = [box.low[0] * UNIT, -box.high[1] * UNIT];
      const size = { width: (box.high[0] - box.low[0]) * UNIT, height: (box.high[1] - box.low[1]) * UNIT };
      still.append(svg("rect", { class: "kept", x, y, ...size }, svg("title", {}, `kept free: ${box.name}`)));
    }
    for (const pane of data.drawing.glass) still.append(...this.strip("glass", pane, "glass", length, width));
    for (const part of data.drawing.parts) {
      const words = `${part.key}: ${part.name}, ${part.wall} wall`;
      still.append(...this.strip("part", part, words, length, width), this.partKey(part, length, width));
    }
    data.drawing.mains.forEach((main, n) => still.append(...this.main(main, n + 1)));
    const named = [
      ...blocks.map((one) => ({ ...one, words: one.name })),
      ...data.drawing.keep_outs.map((one) => ({ ...one, words: one.name })),
    ];
    for (const one of named) still.append(...this.label(one));
    if (data.drawing.screen) {
      const half = (data.drawing.screen.width * UNIT) / 2;
      const x = Math.max(3 * this.k, data.drawing.screen.at * UNIT);
      const y = -width / 2;
      if (data.drawing.screen.wall) {
        const line = { x1: x, x2: x, y1: 0, y2: -width };
        still.append(svg("line", { class: "slope", ...line }, svg("title", {}, "false wall")));
      }
      still.append(svg("line", { class: "screen", x1: x, x2: x, y1: y - half, y2: y + half }));
    }
    for (const place of data.places.snap) {
      const [x, y] = data.places.position[place];
      marks.append(svg("circle", { class: "candidate", cx: x * UNIT, cy: -y * UNIT, r: 2.6 * this.k }));
    }
  }

  /**
   * The name of a block or of what is kept free, where it has room, in its upper left corner.
   * @param {{low: number[], high: number[], words: string}} one
   */
  label({ low, high, words }) {
    const { k } = this;
    const [wide, tall] = [(high[0] - low[0]) * UNIT, (high[1] - low[1]) * UNIT];
    if (tall < 14 * k) return [];
    const fits = Math.floor((wide - 6 * k) / (5.8 * k)); // letters
    const short = words.length <= fits ? words : `${words.slice(0, Math.max(0, fits - 1))}…`;
    if (fits < 4) return [];
    const at = { x: low[0] * UNIT + 3 * k, y: -high[1] * UNIT + 11 * k };
    const style = `font-size: ${10 * k}px; stroke-width: ${2.5 * k}px`;
    return [svg("text", { class: "small named", ...at, style }, short)];
  }

  /**
   * A main loudspeaker: its cabinet, or a ring where its size is not given.
   * @param {import("./types.js").Main} main
   * @param {number} number
   */
  main(main, number) {
    const { k } = this;
    const [x, y] = [main.at[0] * UNIT, -main.at[1] * UNIT];
    const title = svg("title", {}, `main loudspeaker ${number}`);
    const body = main.corners
      ? svg("path", { class: "main", d: `M${main.corners.map(([a, b]) => `${a * UNIT} ${-b * UNIT}`).join(" L")} Z` })
      : svg("circle", { class: "main", cx: x, cy: y, r: 7 * k });
    const style = `font-size: ${10 * k}px; stroke-width: ${2.5 * k}px; text-anchor: middle`;
    body.append(title);
    return [body, svg("text", { class: "small named", x, y: y + 3.5 * k, style }, `M${number}`)];
  }

  /**
   * The letter of a part of a wall, on its strip.
   * @param {import("./types.js").WallPart} part
   * @param {number} length
   * @param {number} width
   */
  partKey(part, length, width) {
    const { k } = this;
    const middle = ((part.from + part.to) / 2) * UNIT;
    const at = {
      left: [middle, 7 * k],
      right: [middle, -width],
      front: [-5 * k, -middle + 4 * k],
      rear: [length + 5 * k, -middle + 4 * k],
    }[/** @type {"left" | "right" | "front" | "rear"} */ (part.wall)];
    const style = `font-size: ${10 * k}px; stroke-width: ${2.5 * k}px; text-anchor: middle`;
    return svg("text", { class: "small named", x: at[0], y: at[1], style }, part.key);
  }

  /**
   * A part of a wall as a strip along it, outside the room.
   * @param {string} look
   * @param {{wall: string, from: number, to: number}} pane
   * @param {string} words
   * @param {number} length
   * @param {number} width
   */
  strip(look, pane, words, length, width) {
    const [from, to] = [pane.from * UNIT, pane.to * UNIT];
    const thick = 6 * this.k;
    const along = { left: [from, 0], right: [from, -width - thick] };
    const across = { front: [-thick, -to], rear: [length, -to] };
    const title = svg("title", {}, words);
    if (pane.wall === "left" || pane.wall === "right") {
      const [x, y] = along[pane.wall];
      return [svg("rect", { class: look, x, y, width: to - from, height: thick }, title)];
    }
    if (pane.wall === "front" || pane.wall === "rear") {
      const [x, y] = across[pane.wall];
      return [svg("rect", { class: look, x, y, width: thick, height: to - from }, title)];
    }
    return [];
  }

  /**
   * @param {import("./types.js").Data["rows"][0]} row
   * @param {number} n
   */
  rowHandle(row, n) {
    const { app } = this;
    if (!row.way) return null;
    const handle = svg("g", { class: "row", tabindex: 0, role: "slider", "data-row": n });
    handle.setAttribute("aria-label", `Row ${row.name}, shift toward the rear`);
    this.layers[2].append(handle);
    dragged(
      this.drawing,
      handle,
      ([x]) => app.shiftRow(n, x),
      () => app.rest(),
    );
    handle.addEventListener("keydown", (event) => {
      const sign = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
      if (!sign) return;
      event.preventDefault();
      app.shiftRow(n, app.state.rows[n] + sign * (event.shiftKey ? 0.1 : 0.01));
    });
    return handle;
  }

  render() {
    this.renderRows();
    this.renderSeats();
    this.renderSubs();
  }

  renderRows() {
    const { app, k } = this;
    const ears = app.seatPoints;
    this.rows.forEach((handle, n) => {
      if (!handle) return;
      const way = /** @type {[number, number]} */ (app.data.rows[n].way);
      const own = ears.filter((_, seat) => app.data.seats.row[seat] === n);
      if (!own.length) return;
      const x = own[0][0] * UNIT - 30 * k;
      const [low, high] = [Math.min(...own.map((at) => at[1])), Math.max(...own.map((at) => at[1]))];
      const [top, bottom] = [-high * UNIT - 14 * k, -low * UNIT + 14 * k];
      const by = app.state.rows[n];
      handle.setAttribute("data-at", JSON.stringify([by, 0]));
      handle.setAttribute("aria-valuemin", String(way[0]));
      handle.setAttribute("aria-valuemax", String(way[1]));
      handle.setAttribute("aria-valuenow", by.toFixed(2));
      const shift = app.data.feet ? lengthWords(by, true) : `${signed(by, 2)} m`;
      handle.setAttribute("aria-valuetext", `${shift} toward the rear`);
      const y = (top + bottom) / 2;
      handle.replaceChildren(
        svg("rect", { class: "grip", x: x - 14 * k, y: top, width: 22 * k, height: bottom - top }),
        svg("line", { class: "rail", x1: x, x2: x, y1: top, y2: bottom, style: `stroke: ${rowColour(n)}` }),
        svg("path", {
          class: "arrows",
          style: `fill: ${rowColour(n)}`,
          d: [-1, 1].map((side) => arrow(x + 3 * side * k, y, 7 * side * k, 7 * k)).join(" "),
        }),
      );
    });
  }

  renderSeats() {
    const { app } = this;
    const points = app.seatPoints;
    const k = Math.min(this.k, (0.95 * nearestTwo(points) * UNIT) / 38);
    const drawn = app.data.seats.name.length;
    while (this.seats.length < points.length) this.seats.push(this.seatMark(this.seats.length));
    while (this.seats.length > points.length) /** @type {SVGElement} */ (this.seats.pop()).remove();
    this.seats.forEach((mark, seat) => {
      const [x, y] = points[seat];
      const row = seat < drawn ? app.data.seats.row[seat] : -1;
      const counts = !app.state.out.includes(seat);
      const level = app.levelAt(seat);
      mark.setAttribute("class", counts ? "seat" : "seat out");
      mark.setAttribute("data-at", JSON.stringify([x, y]));
      const place = { x: x * UNIT - 19 * k, y: -y * UNIT - 12 * k, width: 38 * k, height: 24 * k, rx: 12 * k };
      const style = row < 0 ? "" : `stroke: ${rowColour(row)}`;
      mark.replaceChildren(
        svg("rect", { class: "chair", ...place, style }),
        svg("text", { class: "level", x: x * UNIT, y: -y * UNIT + 4.5 * k, "font-size": 12.5 * k }, level),
        svg("title", {}, app.seatName(seat)),
      );
    });
  }

  /** @param {number} seat */
  seatMark(seat) {
    const { app } = this;
    const mark = svg("g", {});
    this.layers[3].append(mark);
    const added = seat - app.data.seats.name.length;
    if (added >= 0) {
      mark.setAttribute("tabindex", "0");
      mark.setAttribute("role", "button");
      mark.setAttribute("aria-label", `${app.seatName(seat)}, moved with the arrow keys`);
      dragged(
        this.drawing,
        mark,
        (at) => app.moveSeat(added, at),
        () => app.rest(),
      );
      mark.addEventListener("keydown", (event) => seatKey(app, added, event));
    }
    return mark;
  }

  renderSubs() {
    const { app, k } = this;
    while (this.subs.length < app.state.subs.length) this.subs.push(this.subHandle(this.subs.length));
    while (this.subs.length > app.state.subs.length) /** @type {SVGElement} */ (this.subs.pop()).remove();
    app.state.subs.forEach((sub, n) => {
      const mark = this.subs[n];
      const [low, high] = cabinetBox(app.data, sub.at, app.places.facing(sub.at));
      const box = {
        x: low[0] * UNIT,
        y: -high[1] * UNIT,
        width: (high[0] - low[0]) * UNIT,
        height: (high[1] - low[1]) * UNIT,
      };
      mark.setAttribute("class", ["sub", sub.on ? "" : "off", n === app.selected ? "chosen" : ""].join(" ").trim());
      mark.setAttribute("data-at", JSON.stringify([sub.at[0], sub.at[1]]));
      mark.setAttribute("aria-label", app.subWords(n));
      mark.replaceChildren(...subMark(sub, n + 1, box, { x: sub.at[0] * UNIT, y: -sub.at[1] * UNIT }, k));
    });
  }

  /** @param {number} n */
  subHandle(n) {
    const { app } = this;
    const mark = svg("g", { tabindex: 0, role: "button" });
    this.layers[4].append(mark);
    dragged(
      this.drawing,
      mark,
      ([x, y]) => app.dragSub(n, { 0: x, 1: y }, 2),
      () => app.rest(),
    );
    mark.addEventListener("focus", () => app.select(n));
    mark.addEventListener("keydown", (event) =>
      subKey(app, n, event, { ArrowRight: [0, 1], ArrowLeft: [0, -1], ArrowUp: [1, 1], ArrowDown: [1, -1] }),
    );
    return mark;
  }
}

/**
 * Distance of the two seats that are nearest to each other, seen from above [m].
 * @param {import("./types.js").Point[]} points
 */
function nearestTwo(points) {
  let least = Infinity;
  points.forEach(([x, y], a) => {
    for (let b = 0; b < a; b += 1)
      least = Math.min(least, Math.max(Math.hypot(points[b][0] - x, points[b][1] - y), 0.3));
  });
  return least;
}

/**
 * A triangle that points along x.
 * @param {number} x
 * @param {number} y
 * @param {number} wide negative toward the front
 * @param {number} half
 */
function arrow(x, y, wide, half) {
  return `M${x} ${y - half} l${wide} ${half} l${-wide} ${half} z`;
}
