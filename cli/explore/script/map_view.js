/** The map behind the plan: level at ear height relative to the average over the seats, in steps with drawn edges. */

import { byId, html, signed } from "./dom.js";
import { MARGIN } from "./room_view.js";

const EDGE = [27, 36, 44];

export class MapView {
  /**
   * @param {import("./app.js").App} app
   * @param {HTMLCanvasElement} canvas
   */
  constructor(app, canvas) {
    this.app = app;
    this.canvas = canvas;
    const [length, width] = app.data.room.size;
    canvas.width = 440;
    canvas.height = Math.round((440 * width) / length);
    const share = 100 / (1 + 2 * MARGIN);
    Object.assign(canvas.style, {
      width: `${share}%`,
      marginLeft: `${share * MARGIN}%`,
      marginTop: `${share * MARGIN}%`,
    });
    this.drawn = "";
    this.key();
  }

  key() {
    const { colours, lowest, step } = this.app.data.drawing;
    const list = byId("map-key");
    colours.forEach((rgb, n) => {
      const edge = lowest + n * step;
      const item = html("li", {}, html("span", {}, edge === 0 ? "0" : signed(edge, 0)));
      item.style.background = `rgb(${rgb.join(",")})`;
      item.style.color = n < 5 ? "#ffffff" : "#000000";
      list.append(item);
    });
  }

  render() {
    const { app } = this;
    const { plane } = app.judge;
    if (!plane || !app.numbers) return;
    const subs = app.state.subs.filter((sub) => sub.on);
    const name = JSON.stringify([subs, app.frequency, app.state.out, app.state.added, app.state.rows]);
    if (name === this.drawn) return;
    this.drawn = name;
    const f = app.frequency;
    const level = plane.levels(
      f,
      subs.map((sub) => ({
        mix: /** @type {import("./between.js").Mix} */ (app.field.mix(sub.at)),
        at: sub.at,
        weight: Array.from(app.judge.weight(sub).subarray(2 * f, 2 * f + 2)),
      })),
    );
    const about = app.numbers.mean[f] - app.numbers.common[f];
    this.paint(
      level.map((one) => one - about),
      plane.nx,
      plane.ny,
    );
  }

  /**
   * @param {Float64Array} level x slowest
   * @param {number} nx
   * @param {number} ny
   */
  paint(level, nx, ny) {
    const { colours, lowest, step } = this.app.data.drawing;
    const { width, height } = this.canvas;
    const context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d"));
    const image = context.createImageData(width, height);
    const steps = new Int8Array(width * height);
    const last = colours.length - 1;
    const pixels = new Uint32Array(image.data.buffer);
    const shades = [...colours, EDGE].map(([r, g, b]) => new Uint32Array(new Uint8Array([r, g, b, 255]).buffer)[0]);
    const across = along(height, ny).reverse(); // the left wall lies below
    along(width, nx).forEach(({ at: i, part: p }, column) => {
      for (let row = 0; row < height; row += 1) {
        const { at: j, part: q } = across[row];
        const at = i * ny + j;
        const near = level[at] + q * (level[at + 1] - level[at]);
        const far = level[at + ny] + q * (level[at + ny + 1] - level[at + ny]);
        const shade = Math.floor((near + p * (far - near) - lowest) / step);
        steps[row * width + column] = shade < 0 ? 0 : shade > last ? last : shade;
      }
    });
    for (let place = 0; place < steps.length; place += 1) {
      const edge =
        ((place + 1) % width && steps[place] !== steps[place + 1]) ||
        (place + width < steps.length && steps[place] !== steps[place + width]);
      pixels[place] = shades[edge ? last + 1 : steps[place]];
    }
    context.putImageData(image, 0, 0);
  }
}

/**
 * For each pixel along a side, the place of the map before it and how far it is to the next.
 * @param {number} pixels
 * @param {number} places
 */
function along(pixels, places) {
  return Array.from({ length: pixels }, (_, n) => {
    const exact = (n / (pixels - 1)) * (places - 1);
    const at = Math.min(Math.floor(exact), places - 2);
    return { at, part: exact - at };
  });
}
