"use strict";
(() => {
  const holder = document.getElementById("map-data");
  if (!holder) return;
  const data = JSON.parse(holder.textContent);
  const slider = document.getElementById("frequency");
  const said = document.getElementById("said");
  const size = data.nx * data.ny;
  const layouts = data.layouts.map((layout, index) => ({
    ...layout,
    levels: new Uint16Array(Uint8Array.from(atob(layout.levels), (letter) => letter.charCodeAt(0)).buffer),
    canvas: document.getElementById("map-" + index),
    marks: data.seats.map((_, seat) => document.getElementById("seat-" + index + "-" + seat)),
    title: document.getElementById("map-text-" + index),
  }));
  const signed = (value, decimals = 1) => {
    const shown = Math.abs(value).toFixed(decimals);
    return (Number(shown) === 0 ? "" : value > 0 ? "+" : "\u2212") + shown;
  };

  const paint = (layout, frame) => {
    const { canvas, levels } = layout;
    const [wide, high] = [canvas.width, canvas.height];
    const context = canvas.getContext("2d");
    const image = context.createImageData(wide, high);
    const steps = new Int8Array(wide * high);
    const last = data.colours.length - 1;
    const start = frame * size;
    for (let row = 0; row < high; row += 1) {
      const v = (1 - row / (high - 1)) * (data.ny - 1); // the left wall lies at the bottom
      const j = Math.min(Math.floor(v), data.ny - 2);
      const q = v - j;
      for (let column = 0; column < wide; column += 1) {
        const u = (column / (wide - 1)) * (data.nx - 1);
        const i = Math.min(Math.floor(u), data.nx - 2);
        const p = u - i;
        const at = start + j * data.nx + i;
        const level =
          (1 - q) * ((1 - p) * levels[at] + p * levels[at + 1]) +
          q * ((1 - p) * levels[at + data.nx] + p * levels[at + data.nx + 1]);
        const step = Math.floor((level * data.quantum + data.floor - data.lowest) / data.step);
        steps[row * wide + column] = Math.max(0, Math.min(last, step));
      }
    }
    for (let place = 0; place < steps.length; place += 1) {
      const edge = (place + 1) % wide && steps[place] !== steps[place + 1];
      const below = place + wide < steps.length && steps[place] !== steps[place + wide];
      const colour = edge || below ? [27, 36, 44] : data.colours[steps[place]];
      image.data.set([colour[0], colour[1], colour[2], 255], 4 * place);
    }
    context.putImageData(image, 0, 0);
    context.fillStyle = "#c9cdd1";
    context.strokeStyle = "#1b242c";
    for (const [x0, y0, x1, y1] of data.solid) {
      const corner = [(x0 / data.length) * wide, (1 - y1 / data.width) * high];
      const extent = [((x1 - x0) / data.length) * wide, ((y1 - y0) / data.width) * high];
      context.fillRect(...corner, ...extent);
      context.strokeRect(...corner, ...extent);
    }
  };

  const show = () => {
    const frame = Number(slider.value);
    const hertz = data.hz[frame].toFixed(1);
    const words = layouts.map((layout) => {
      const levels = layout.seats[frame];
      paint(layout, frame);
      levels.forEach((level, seat) => {
        layout.marks[seat].textContent = signed(level, data.decimals);
      });
      const low = Math.min(...levels);
      const high = Math.max(...levels);
      const range = "seats from " + signed(low) + " to " + signed(high) + " dB about the average over them";
      const text = layout.name + ": " + (levels.length > 1 ? range : "levels about the seat's own");
      layout.title.textContent = text + " at " + hertz + " hertz, from above, front wall to the left.";
      return text;
    });
    said.textContent = hertz + " Hz; " + words.join("; ") + ".";
    slider.setAttribute("aria-valuetext", hertz + " hertz; " + words.join("; "));
  };

  const folded = [...document.querySelectorAll("details")];
  let shut = [];
  window.addEventListener("beforeprint", () => {
    shut = folded.filter((one) => !one.open);
    shut.forEach((one) => { one.open = true; });
  });
  window.addEventListener("afterprint", () => shut.forEach((one) => { one.open = false; }));
  slider.addEventListener("input", show);
  document.documentElement.classList.add("live");
  document.getElementById("live").hidden = false;
  document.getElementById("no-live").hidden = true;
  show();
})();
