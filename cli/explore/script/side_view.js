/** The room from the side, seen from the left wall, to the same scale as the plan: subs are lifted here. */

import { rowColour, sized, svg } from "./dom.js";
import { subKey } from "./keys.js";
import { cabinetBox, dragged, MARGIN, outlined, solids, subMark, UNIT } from "./room_view.js";

export class SideView {
  /**
   * @param {import("./app.js").App} app
   * @param {SVGElement} drawing
   */
  constructor(app, drawing) {
    this.app = app;
    this.drawing = drawing;
    const [length, , height] = app.data.room.size;
    const margin = MARGIN * length * UNIT;
    this.wide = length * UNIT + 2 * margin;
    const high = height * UNIT + margin / 1.5;
    drawing.setAttribute("viewBox", [-margin, -height * UNIT - margin / 3, this.wide, high].join(" "));
    this.k = 1; // of a point on the screen
    this.still = svg("g", {});
    this.ears = svg("g", {});
    this.front = svg("g", {});
    drawing.append(this.still, this.ears, this.front);
    /** @type {SVGElement[]} */
    this.subs = [];
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
    const { outline, blocks } = data.drawing;
    this.still.replaceChildren();
    this.still.append(solids(blocks, outline.side, 2), outlined(outline.side));
    for (const { side } of data.drawing.mains) {
      if (!side) continue;
      const [[x, low], [end, high]] = side.map((one) => one.map((value) => value * UNIT));
      const title = svg("title", {}, "main loudspeaker");
      this.still.append(svg("rect", { class: "main", x, y: -high, width: end - x, height: high - low }, title));
    }
    for (const box of data.drawing.keep_outs) {
      const size = { width: (box.high[0] - box.low[0]) * UNIT, height: (box.high[2] - box.low[2]) * UNIT };
      const place = { x: box.low[0] * UNIT, y: -box.high[2] * UNIT, ...size };
      this.still.append(svg("rect", { class: "kept", ...place }, svg("title", {}, `kept free: ${box.name}`)));
    }
    for (const place of data.places.snap) {
      const [x, , z] = data.places.position[place];
      this.still.append(svg("circle", { class: "candidate", cx: x * UNIT, cy: -z * UNIT, r: 2.6 * this.k }));
    }
  }

  render() {
    const { app, k } = this;
    const points = app.seatPoints;
    const drawn = app.data.seats.name.length;
    this.ears.replaceChildren(
      ...points.map(([x, , z], seat) => {
        const style = seat < drawn ? `fill: ${rowColour(app.data.seats.row[seat])}` : "";
        return svg("circle", { class: "ear", cx: x * UNIT, cy: -z * UNIT, r: 6 * k, style });
      }),
    );
    while (this.subs.length < app.state.subs.length) this.subs.push(this.subHandle(this.subs.length));
    while (this.subs.length > app.state.subs.length) /** @type {SVGElement} */ (this.subs.pop()).remove();
    app.state.subs.forEach((sub, n) => {
      const mark = this.subs[n];
      const [low, high] = cabinetBox(app.data, sub.at, app.places.facing(sub.at));
      const size = { width: (high[0] - low[0]) * UNIT, height: (high[2] - low[2]) * UNIT };
      const box = { x: low[0] * UNIT, y: -high[2] * UNIT, ...size };
      mark.setAttribute("class", ["sub", sub.on ? "" : "off", n === app.selected ? "chosen" : ""].join(" ").trim());
      mark.setAttribute("data-at", JSON.stringify([sub.at[0], sub.at[2]]));
      mark.setAttribute("aria-label", app.subWords(n));
      mark.replaceChildren(...subMark(sub, n + 1, box, { x: sub.at[0] * UNIT, y: -sub.at[2] * UNIT }, k));
    });
  }

  /** @param {number} n */
  subHandle(n) {
    const { app } = this;
    const mark = svg("g", { tabindex: 0, role: "button" });
    this.front.append(mark);
    dragged(
      this.drawing,
      mark,
      ([x, z]) => app.dragSub(n, { 0: x, 2: z }, 1),
      () => app.rest(),
    );
    mark.addEventListener("focus", () => app.select(n));
    mark.addEventListener("keydown", (event) =>
      subKey(app, n, event, { ArrowRight: [0, 1], ArrowLeft: [0, -1], ArrowUp: [2, 1], ArrowDown: [2, -1] }),
    );
    return mark;
  }
}
