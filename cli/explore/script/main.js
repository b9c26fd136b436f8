/** Where the page begins: the data unpacked, the views made, buttons and keys wired. */

import { App } from "./app.js";
import { Bands } from "./bands.js";
import { Compare } from "./compare.js";
import { Curves } from "./curves.js";
import { byId, html, say } from "./dom.js";
import { Exports } from "./exports.js";
import { Field } from "./field.js";
import { MapView } from "./map_view.js";
import { Judge } from "./numbers.js";
import { Plane } from "./plane.js";
import { PlanView } from "./plan_view.js";
import { Polish } from "./polish.js";
import { SeatTable } from "./seat_table.js";
import { SideView } from "./side_view.js";
import { started } from "./state.js";
import { SubTable } from "./sub_table.js";

const THEMES = ["as the device", "light", "dark"];

async function begin() {
  const data = /** @type {import("./types.js").Data} */ (JSON.parse(byId("data").textContent ?? ""));
  const field = await Field.read(data);
  const plane = await Plane.read(data);
  const app = new App(data, field, new Judge(data, field, plane));
  const drawing = (/** @type {string} */ id) => /** @type {SVGElement} */ (/** @type {unknown} */ (byId(id)));
  app.views = [
    new PlanView(app, drawing("plan")),
    new SideView(app, drawing("side")),
    new MapView(app, /** @type {HTMLCanvasElement} */ (byId("map"))),
    new Curves(app, drawing("curves")),
    new Bands(app, drawing("bands")),
    new SubTable(app, byId("subs")),
    new SeatTable(app, byId("seats")),
    new Compare(app),
    new Exports(app),
  ];
  void new Polish(app);
  offered(app);
  wired(app);
  byId("working").hidden = true;
  byId("page").hidden = false;
  app.open();
  app.drawNow();
  Object.defineProperty(window, "roommodes", { value: { app } });
}

/**
 * Only what this plan can do is shown.
 * @param {App} app
 */
function offered(app) {
  const { data } = app;
  byId("map-part").hidden = !app.judge.plane;
  byId("add-seat").hidden = !app.judge.plane;
  byId("headroom").hidden = !data.limits;
  byId("between").hidden = !app.places.between;
  const starts = /** @type {HTMLSelectElement} */ (byId("start"));
  data.starts.forEach((one, n) =>
    starts.append(html("option", { value: n }, n ? one.label : `${one.label} (shown first)`)),
  );
}

/** @param {App} app */
function wired(app) {
  /** @type {Record<string, () => void>} */
  const clicks = {
    undo: () => app.undo(),
    redo: () => app.redo(),
    "add-sub": () => app.addSub(),
    "add-seat": () => app.addSeat(),
    pin: () => app.pin(),
    unpin: () => app.unpin(),
    swap: () => app.swap(),
    theme: turned,
    print: () => window.print(),
  };
  for (const [id, act] of Object.entries(clicks)) byId(id).addEventListener("click", act);
  const starts = /** @type {HTMLSelectElement} */ (byId("start"));
  starts.addEventListener("change", () => app.change(started(app.data, Number(starts.value))));
  const free = /** @type {HTMLInputElement} */ (byId("free"));
  app.views.push({
    render: () => {
      free.checked = app.free;
    },
  });
  free.addEventListener("change", () => {
    app.free = free.checked;
    app.changed();
  });
  window.addEventListener("hashchange", () => app.open());
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.target instanceof HTMLInputElement) return;
    const pressed = event.key.toLowerCase();
    if (pressed === "z") event.shiftKey ? app.redo() : app.undo();
    else if (pressed === "y") app.redo();
    else return;
    event.preventDefault();
  });
  const folded = /** @type {HTMLDetailsElement[]} */ ([...document.querySelectorAll("details")]);
  /** @type {HTMLDetailsElement[]} */
  let shut = [];
  window.addEventListener("beforeprint", () => {
    shut = folded.filter((one) => !one.open && !one.classList.contains("screen-only"));
    for (const one of shut) one.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const one of shut) one.open = false;
  });
}

/** Light, dark, or as the device has it. */
function turned() {
  const root = document.documentElement;
  const now = THEMES.indexOf(root.dataset.theme ?? THEMES[0]);
  const next = THEMES[(now + 1) % THEMES.length];
  if (next === THEMES[0]) delete root.dataset.theme;
  else root.dataset.theme = next;
  say(byId("theme"), `Colours: ${next}`);
}

begin().catch((fault) => {
  say(byId("working"), `The page cannot be shown: ${fault.message}. It needs a browser of 2023 or later.`);
  throw fault;
});
