/** What is taken away: the layout for a project file, the settings for the command line, the picture, the link. */

import { byId, html, plain, say, svg } from "./dom.js";

const FORMAT = "roommodes layout";
const FORMAT_VERSION = 1;
const PICTURE_WIDE = 700;
const PICTURE_SCALE = 2; // of a PNG's pixels to the drawing's

export class Exports {
  /**
   * @param {import("./app.js").App} app
   */
  constructor(app) {
    this.app = app;
    const acts = {
      "save-toml": () => this.download("layout.toml", this.toml(), "text/plain"),
      "save-json": () => this.download("layout.json", this.json(), "application/json"),
      "save-svg": () => this.download("room.svg", this.picture(), "image/svg+xml"),
      "save-png": () => void this.png(),
      "copy-toml": () => void this.copy(this.toml(), "The layout is in the clipboard."),
      "copy-link": () => {
        app.save();
        void this.copy(location.href, "The link is in the clipboard.");
      },
    };
    for (const [id, act] of Object.entries(acts)) byId(id).addEventListener("click", act);
  }

  render() {
    say(byId("toml"), this.toml());
  }

  /** The subs that are on, as lists in their order. */
  layout() {
    const subs = this.app.state.subs.filter((sub) => sub.on);
    return {
      positions_m: subs.map((sub) => sub.at.map((value) => Number(value.toFixed(6)))),
      gain_db: subs.map((sub) => Number(sub.gain.toFixed(4))),
      delay_ms: subs.map((sub) => Number(sub.delay.toFixed(5))),
      polarity: subs.map((sub) => sub.polarity),
    };
  }

  toml() {
    const { app } = this;
    const layout = this.layout();
    const lists = Object.entries(layout).map(([key, values]) => {
      const text = values.map((one) => (Array.isArray(one) ? `[${one.join(", ")}]` : plain(Number(one), 5))).join(", ");
      return `${key} = [${text}]`;
    });
    const remarks = [];
    app.data.rows.forEach((row, n) => {
      const by = app.state.rows[n];
      if (!by) return;
      const x = app.data.ears.position[app.data.seats.row.indexOf(n)][0] + by;
      remarks.push(`# row ${JSON.stringify(row.name)} is moved as well: x_m = ${plain(x, 3)}`);
    });
    if (app.state.out.length)
      remarks.push(`# seats that did not count: ${app.state.out.map((one) => app.seatName(one)).join(", ")}`);
    if (app.state.added.length) remarks.push("# seats that were added are not in the project");
    if (app.data.filters && app.state.subs.some((sub) => sub.on && sub.filter >= 0)) {
      remarks.push("# the plan's own filters on single subs are not part of a layout");
    }
    return [...remarks, "[layout]", ...lists, ""].join("\n");
  }

  json() {
    const { app } = this;
    const { numbers } = app;
    const data = {
      format: FORMAT,
      format_version: FORMAT_VERSION,
      software_version: app.data.version,
      project: app.data.project,
      project_sha256: app.data.project_sha256,
      layout: this.layout(),
      rows: app.data.rows.map((row, n) => ({ name: row.name, shift_m: app.state.rows[n] })),
      seats_left_out: app.state.out.map((seat) => app.seatName(seat)),
      added_seats_m: app.state.added,
      filters: app.state.subs.some((sub) => sub.on && sub.filter >= 0),
      numbers: numbers && {
        variation_db: numbers.variation,
        output_db: numbers.output,
        smoothness_db: numbers.smoothness,
        decay_s: numbers.decay,
        headroom_db: numbers.worst ? numbers.worst.headroom : null,
      },
      project_toml: app.data.project_toml,
    };
    return `${JSON.stringify(data, null, 2)}\n`;
  }

  /** The room with its map, and the curves, as one drawing; as wide as on a desk, whatever the screen. */
  picture() {
    const views = /** @type {{size?: (width: number) => void}[]} */ (this.app.views);
    const before = byId("plan").getBoundingClientRect().width;
    for (const view of views) view.size?.(PICTURE_WIDE);
    const text = this.drawn();
    for (const view of views) view.size?.(before);
    return text;
  }

  drawn() {
    const style = byId("picture-style").textContent ?? "";
    const made = svg(
      "svg",
      { xmlns: "http://www.w3.org/2000/svg", "data-theme": "light", class: "picture" },
      svg("style", {}, style),
    );
    const [wide, gap] = [PICTURE_WIDE, 14];
    const background = svg("rect", { class: "sheet", width: "100%", height: "100%" });
    made.append(background);
    made.append(svg("text", { class: "title", x: 12, y: 24 }, this.app.data.project));
    made.append(svg("text", { class: "middle", style: "text-anchor: start", x: 12, y: 44 }, this.app.verdict()));
    let top = 56;
    for (const id of ["plan", "side", "curves", "bands"]) {
      const drawing = /** @type {SVGSVGElement} */ (/** @type {unknown} */ (byId(id)));
      const view = drawing.viewBox.baseVal;
      if (!view || !view.width || drawing.closest("[hidden]")) continue;
      const high = (wide * view.height) / view.width;
      const part = /** @type {SVGElement} */ (drawing.cloneNode(true));
      for (const [key, value] of Object.entries({ x: 0, y: top, width: wide, height: high }))
        part.setAttribute(key, String(value));
      part.removeAttribute("id");
      for (const one of part.querySelectorAll("[tabindex]")) one.removeAttribute("tabindex");
      if (id === "plan" && this.app.judge.plane) part.prepend(this.mapImage());
      made.append(part);
      top += high + gap;
    }
    const key = this.keyLines(top);
    made.append(...key.parts);
    top = key.end;
    made.setAttribute("viewBox", `0 0 ${wide} ${top}`);
    made.setAttribute("width", String(wide));
    made.setAttribute("height", String(top));
    return new XMLSerializer().serializeToString(made);
  }

  /**
   * What the lines, the seats' numbers and the map mean.
   * @param {number} top
   */
  keyLines(top) {
    const parts = [];
    const columns = 4;
    const items = [...byId("curve-key").querySelectorAll("li")];
    items.forEach((item, n) => {
      const [x, y] = [12 + (n % columns) * (PICTURE_WIDE / columns), top + 12 + 18 * Math.floor(n / columns)];
      const swatch = /** @type {SVGElement} */ (/** @type {Element} */ (item.querySelector("path")).cloneNode(true));
      swatch.setAttribute("transform", `translate(${x} ${y - 5})`);
      parts.push(swatch, svg("text", { class: "left", x: x + 40, y: y + 4 }, item.textContent ?? ""));
    });
    const end = top + 18 * Math.ceil(items.length / columns) + 10;
    const hz = this.app.data.hz[this.app.frequency].toFixed(1);
    const lines = [`In each seat: its level relative to the average over the seats at ${hz} Hz [dB].`];
    lines.push(`\u00f8: inverted.${this.app.judge.plane ? " The map: light is loud, a line every 3 dB." : ""}`);
    lines.forEach((words, n) => parts.push(svg("text", { class: "left", x: 12, y: end + 4 + 18 * n }, words)));
    return { parts, end: end + 16 + 18 * (lines.length - 1) };
  }

  mapImage() {
    const [length, width] = this.app.data.room.size.map((one) => 100 * one);
    const canvas = /** @type {HTMLCanvasElement} */ (byId("map"));
    return svg("image", {
      x: 0,
      y: -width,
      width: length,
      height: width,
      preserveAspectRatio: "none",
      href: canvas.toDataURL(),
    });
  }

  async png() {
    const image = new Image();
    image.src = URL.createObjectURL(new Blob([this.picture()], { type: "image/svg+xml" }));
    await image.decode();
    const canvas = /** @type {HTMLCanvasElement} */ (
      html("canvas", { width: PICTURE_SCALE * image.width, height: PICTURE_SCALE * image.height })
    );
    const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    context.drawImage(image, 0, 0, canvas.width, canvas.height);
    URL.revokeObjectURL(image.src);
    canvas.toBlob((blob) => blob && this.save("room.png", blob), "image/png");
  }

  /**
   * @param {string} name
   * @param {string} text
   * @param {string} type
   */
  download(name, text, type) {
    this.save(name, new Blob([text], { type }));
  }

  /**
   * @param {string} name
   * @param {Blob} blob
   */
  save(name, blob) {
    const link = /** @type {HTMLAnchorElement} */ (html("a", { download: name, href: URL.createObjectURL(blob) }));
    link.click();
    window.setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
  }

  /**
   * @param {string} text
   * @param {string} done
   */
  async copy(text, done) {
    try {
      await navigator.clipboard.writeText(text);
      this.app.refuse(done);
    } catch {
      this.app.refuse("This browser keeps the clipboard to itself; mark the text and copy it.");
    }
  }
}
