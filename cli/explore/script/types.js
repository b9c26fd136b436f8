/**
 * The page's nouns, for the type checker and the reader; nothing runs here.
 *
 * Axes: x from the front wall to the rear, y from left to right, z up. Levels in dB, delays in ms, frequencies in Hz.
 *
 * @typedef {[number, number, number]} Point
 *
 * @typedef {Object} Sub
 * @property {Point} at acoustic centre [m]
 * @property {number} gain [dB]
 * @property {number} delay [ms]
 * @property {number} polarity 1 or -1
 * @property {number} channel subs of one channel share gain, delay and polarity
 * @property {boolean} on
 * @property {number} filter index of the plan's own filters for it, -1 for none
 *
 * @typedef {Object} State
 * @property {Sub[]} subs
 * @property {number[]} rows shift of each row toward the rear [m]
 * @property {number[]} out seats that do not count, by index
 * @property {[number, number][]} added seats that were added, at the height of the map [m]
 *
 * @typedef {Object} Packed
 * @property {number} count
 * @property {number} bytes
 * @property {string} data
 *
 * @typedef {Object} Grid
 * @property {string} name
 * @property {[number[], number[], number[]]} axes
 * @property {number[]} index
 * @property {number[][]} closed
 *
 * @typedef {Object} Shift
 * @property {number} row
 * @property {number} low
 * @property {number} high
 * @property {number[]} ears
 * @property {number} terms
 * @property {Packed} series
 *
 * @typedef {Object} PackedPlane
 * @property {number[]} x
 * @property {number[]} y
 * @property {number} z
 * @property {number[]} rank
 * @property {string} step
 * @property {Packed} factors
 *
 * @typedef {Object} Limits
 * @property {number[]} highest of one sub at 1 m, free field, at each frequency [dB SPL]
 * @property {string[]} first what stops it there
 * @property {{highest: number[], first: string[]} | null} pair the same of two on one amplifier channel; null where
 *   each has its own
 * @property {number} target [dB SPL]
 * @property {boolean} everywhere whether it is to be reached in every seat, not on average
 * @property {number[]} bands numbers of the bands in which the target is to be reached
 *
 * @typedef {Object} Drives
 * @property {[number, number]} delay
 * @property {[number, number]} gain
 * @property {number} gain_step step of gains below the highest, 0 for any
 * @property {boolean} polarity whether it may be inverted
 * @property {number} step of delays, 0 for any
 * @property {number} most subs
 * @property {number} distance least between two subs [m]
 * @property {number} seat_distance least from any ear [m]
 *
 * @typedef {Object} Start
 * @property {string} label
 * @property {{at: Point, gain: number, delay: number, polarity: number, channel: number}[]} subs
 *
 * @typedef {Object} Box
 * @property {string} name
 * @property {Point} low
 * @property {Point} high
 *
 * @typedef {Object} Data
 * @property {number} format
 * @property {string} project
 * @property {string} project_toml
 * @property {string} project_sha256
 * @property {string} version
 * @property {boolean} feet whether lengths are written in feet and inches
 * @property {number[]} hz
 * @property {{size: Point, speed: number, images: number[][][], apart: number}} room
 * @property {{name: string[], row: number[]}} seats
 * @property {{position: Point[], weight: number[], seat: number[]}} ears
 * @property {{name: string, way: [number, number] | null, wished: boolean}[]} rows
 * @property {{position: Point[], snap: number[], facing: string, grids: Grid[]}} places
 * @property {{step: string, field: Packed, shifts: Shift[]}} packed
 * @property {PackedPlane | null} plane
 * @property {string} unit
 * @property {number[]} band_of
 * @property {{number: number, hz: number}[]} bands
 * @property {Limits | null} limits
 * @property {Drives} drives
 * @property {Start[]} starts
 * @property {number[][][] | null} filters
 * @property {{outline: {plan: number[][][], side: number[][][]}, blocks: Block[], slopes: Slope[],
 *   keep_outs: Box[], zones: Box[], glass: {wall: string, from: number, to: number}[],
 *   parts: WallPart[], mains: Main[],
 *   screen: {width: number, at: number, wall: boolean} | null,
 *   cabinet: {size: Point, centre: Point} | null, colours: number[][], lowest: number, step: number}} drawing
 * @property {{key: string, band: string, left_out: string[], basis: string, cautions: string[], closing: string}} words
 *
 * @typedef {{name: string, low: Point, high: Point, overhead: boolean}} Block
 * @typedef {{key: string, wall: string, from: number, to: number, name: string}} WallPart of another construction
 * @typedef {{at: Point, corners: number[][] | null, side: number[][] | null}} Main a loudspeaker; its cabinet [m]
 * @typedef {{name: string, axis: number, ends: [number, number][]}} Slope ends: place along it, height [m]
 *
 * @typedef {Object} Band
 * @property {number} hz what the band is called
 * @property {number[]} level of each seat [dB]
 * @property {number} mean over the seats [dB]
 * @property {number | null} headroom over the target; null where it is not asked for [dB]
 * @property {string} stops what stops the first sub there
 *
 * @typedef {Object} Numbers
 * @property {number} count subs that are on
 * @property {number[]} seats indices of the seats that count; those added come after the drawn ones
 * @property {Float64Array[]} level for each of them at each frequency, the first sub at its limit [dB]
 * @property {Float64Array} mean over the seats at each frequency [dB]
 * @property {Float64Array} spread spread (max - min) over the seats at each frequency [dB]
 * @property {number} variation [dB]
 * @property {number} output [dB]
 * @property {number} smoothness [dB]
 * @property {number} decay [s]
 * @property {Band[]} bands
 * @property {Band | null} worst the band with the least headroom
 * @property {{first: number, last: number, energy: number}[]} arrivals of each seat that counts [ms]
 * @property {Float64Array} common what is added to a level for the first sub at its limit, at each frequency [dB]
 * @property {boolean} rough whether a seat counts whose field is read off the map
 */
export const KINDS = "types";
