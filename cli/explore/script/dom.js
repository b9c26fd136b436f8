/** Elements and numbers as they are shown. */

const SVG = "http://www.w3.org/2000/svg";

/**
 * @param {string} id
 * @returns {HTMLElement}
 */
export function byId(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`nothing has the id ${id}`);
  return found;
}

/**
 * @param {string} name
 * @param {Record<string, string | number>} [attributes]
 * @param {(Node | string)[]} children
 * @returns {SVGElement}
 */
export function svg(name, attributes = {}, ...children) {
  const made = /** @type {SVGElement} */ (document.createElementNS(SVG, name));
  dress(made, attributes);
  made.append(...children);
  return made;
}

/**
 * @param {string} name
 * @param {Record<string, string | number>} [attributes]
 * @param {(Node | string)[]} children
 * @returns {HTMLElement}
 */
export function html(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  dress(made, attributes);
  made.append(...children);
  return made;
}

/**
 * Attributes; a style goes past the attribute, which the page's policy does not let through.
 * @param {HTMLElement | SVGElement} element
 * @param {Record<string, string | number>} attributes
 */
function dress(element, attributes) {
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "style") element.style.cssText = String(value);
    else element.setAttribute(key, String(value));
  }
}

/**
 * A length in metres, or in feet and inches to the nearest eighth: `roommodes.lengths.feet_inches` once more.
 * @param {number} value [m]
 * @param {boolean} feet
 * @param {number | null} [digits] of metres; null: as many as there are
 */
export function lengthWords(value, feet, digits = 2) {
  if (!feet) return `${digits === null ? value : value.toFixed(digits)} m`;
  const eighths = Math.floor((Math.abs(value) / 0.0254) * 8 + 0.5);
  const sign = value < 0 && eighths ? "-" : "";
  const [whole, rest] = [Math.floor(eighths / 96), Math.floor((eighths % 96) / 8)];
  let [part, below] = [eighths % 8, 8];
  while (part && part % 2 === 0) [part, below] = [part / 2, below / 2];
  let words = String(rest);
  if (part) words = rest || whole ? `${rest} ${part}/${below}` : `${part}/${below}`;
  return whole ? `${sign}${whole}'-${words}"` : `${sign}${words}"`;
}

/**
 * A number with its sign; a minus as long as a plus, none before a zero.
 * @param {number} value
 * @param {number} [digits]
 */
export function signed(value, digits = 1) {
  const size = Math.abs(value).toFixed(digits);
  if (Number(size) === 0) return size;
  return (value > 0 ? "+" : "\u2212") + size;
}

/**
 * A number; a minus as long as a plus.
 * @param {number} value
 * @param {number} [digits]
 */
export function fixed(value, digits = 1) {
  const size = Math.abs(value).toFixed(digits);
  return (value < 0 && Number(size) !== 0 ? "\u2212" : "") + size;
}

/**
 * A number as it is typed: without needless digits, its minus a hyphen.
 * @param {number} value
 * @param {number} digits
 */
export function plain(value, digits) {
  return String(Number(value.toFixed(digits)) + 0);
}

/**
 * @param {number} count
 * @param {string} word
 */
export function counted(count, word) {
  return `${count} ${word}${count === 1 ? "" : "s"}`;
}

/**
 * Set a text only where it differs: readers of screens hear of changes alone.
 * @param {Element} element
 * @param {string} text
 */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/**
 * A field's number, unless somebody types in it.
 * @param {HTMLInputElement} field
 * @param {string} text
 */
export function show(field, text) {
  if (document.activeElement !== field && field.value !== text) field.value = text;
}

/**
 * Say how wide a drawing is, now and whenever that changes.
 * @param {Element} drawing
 * @param {(width: number) => void} act
 */
export function sized(drawing, act) {
  new ResizeObserver(([entry]) => {
    if (entry.contentRect.width > 0) act(entry.contentRect.width);
  }).observe(drawing);
}

/** Colours of rows and dashes of their seats, in the order of the project's figures. */
export const ROWS = 6;
export const DASHES = ["none", "7 3", "2 2.5", "8 2.5 2 2.5", "4 4"];

/**
 * @param {number} row
 */
export function rowColour(row) {
  return `var(--row-${row % ROWS})`;
}
