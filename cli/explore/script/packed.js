/** What stands packed in the page: deflated bytes as base64. */

/**
 * @param {string} text
 * @returns {Promise<ArrayBuffer>}
 */
async function inflated(text) {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Response(stream).arrayBuffer();
}

/**
 * Whole numbers of either sign: bytes of equal weight stand side by side, signs are folded to even and odd.
 * @param {import("./types.js").Packed} packed
 * @returns {Promise<Int32Array>}
 */
export async function integers(packed) {
  const bytes = new Uint8Array(await inflated(packed.data));
  const { count } = packed;
  const values = new Int32Array(count);
  for (let place = 0; place < count; place += 1) {
    let folded = 0;
    for (let byte = 0; byte < packed.bytes; byte += 1) folded |= bytes[byte * count + place] << (8 * byte);
    values[place] = (folded >>> 1) ^ -(folded & 1);
  }
  return values;
}

/**
 * Numbers of four bytes.
 * @param {string} text
 * @returns {Promise<Float32Array>}
 */
export async function floats(text) {
  return new Float32Array(await inflated(text));
}
