/** PNG with a palette from PNG with true colours (PNG, third edition, W3C 2025): a screen has few colours, and a palette makes it small. */
import { crc32, deflateSync, inflateSync } from 'node:zlib';

const SIGNATURE = Buffer.from([0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a]);
const MOST_COLOURS = 256;

/** @param {Buffer} png 8 bits a channel, red, green and blue with or without alpha, not interlaced @returns {Buffer} */
export function smallPng(png) {
  const { width, height, pixels } = decode(png);
  const { palette, indices } = reduce(pixels);
  const lines = Buffer.alloc(height * (width + 1));
  for (let y = 0; y < height; y += 1) lines.set(indices.subarray(y * width, (y + 1) * width), y * (width + 1) + 1);
  const head = Buffer.alloc(13);
  head.writeUInt32BE(width, 0);
  head.writeUInt32BE(height, 4);
  head.set([8, 3, 0, 0, 0], 8);
  return Buffer.concat([SIGNATURE, chunk('IHDR', head), chunk('PLTE', Buffer.from(palette.flat())), chunk('IDAT', deflateSync(lines, { level: 9 })), chunk('IEND', Buffer.alloc(0))]);
}

/** @param {string} type @param {Buffer} data */
function chunk(type, data) {
  const named = Buffer.concat([Buffer.from(type, 'latin1'), data]);
  const around = Buffer.alloc(8);
  around.writeUInt32BE(data.length, 0);
  around.writeUInt32BE(crc32(named), 4);
  return Buffer.concat([around.subarray(0, 4), named, around.subarray(4)]);
}

/** @param {Buffer} png @returns {{width: number, height: number, pixels: Uint8Array}} three bytes a pixel */
function decode(png) {
  /** @type {Buffer[]} */
  const data = [];
  /** @type {Buffer} */
  let head = Buffer.alloc(0);
  for (let at = SIGNATURE.length; at < png.length;) {
    const length = png.readUInt32BE(at);
    const type = png.toString('latin1', at + 4, at + 8);
    if (type === 'IHDR') head = png.subarray(at + 8, at + 8 + length);
    if (type === 'IDAT') data.push(png.subarray(at + 8, at + 8 + length));
    at += length + 12;
  }
  const [width, height, bytes] = [head.readUInt32BE(0), head.readUInt32BE(4), head[9] === 6 ? 4 : 3];
  const raw = unfilter(inflateSync(Buffer.concat(data)), width * bytes, height, bytes);
  const pixels = new Uint8Array(width * height * 3);
  for (let i = 0; i < width * height; i += 1) pixels.set(raw.subarray(i * bytes, i * bytes + 3), i * 3);
  return { width, height, pixels };
}

/** Undoes the filters of each line (section 9 of the standard). @param {Buffer} filtered @param {number} stride @param {number} height @param {number} bytes */
function unfilter(filtered, stride, height, bytes) {
  const raw = new Uint8Array(stride * height);
  /** @param {number} i */
  const at = (i) => raw[i] ?? 0;
  for (let y = 0; y < height; y += 1) {
    const filter = filtered[y * (stride + 1)] ?? 0;
    for (let x = 0; x < stride; x += 1) {
      const left = x >= bytes ? at(y * stride + x - bytes) : 0;
      const up = y > 0 ? at((y - 1) * stride + x) : 0;
      const corner = x >= bytes && y > 0 ? at((y - 1) * stride + x - bytes) : 0;
      const guess = [0, left, up, (left + up) >> 1, paeth(left, up, corner)][filter] ?? 0;
      raw[y * stride + x] = (filtered[y * (stride + 1) + 1 + x] ?? 0) + guess;
    }
  }
  return raw;
}

/** @param {number} a @param {number} b @param {number} c */
function paeth(a, b, c) {
  const p = a + b - c;
  const [da, db, dc] = [Math.abs(p - a), Math.abs(p - b), Math.abs(p - c)];
  if (da <= db && da <= dc) return a;
  return db <= dc ? b : c;
}

/** The most frequent colours, each pixel taking the nearest. @param {Uint8Array} pixels */
function reduce(pixels) {
  /** @type {Map<number, number>} */
  const counts = new Map();
  const colourAt = (/** @type {number} */ i) => ((pixels[i * 3] ?? 0) << 16) | ((pixels[i * 3 + 1] ?? 0) << 8) | (pixels[i * 3 + 2] ?? 0);
  const size = pixels.length / 3;
  for (let i = 0; i < size; i += 1) counts.set(colourAt(i), (counts.get(colourAt(i)) ?? 0) + 1);
  const palette = [...counts].sort((a, b) => b[1] - a[1]).slice(0, MOST_COLOURS).map(([colour]) => [colour >> 16, (colour >> 8) & 255, colour & 255]);
  /** @type {Map<number, number>} */
  const nearest = new Map();
  for (const colour of counts.keys()) {
    const far = palette.map(([r, g, b]) => ((r ?? 0) - (colour >> 16)) ** 2 + ((g ?? 0) - ((colour >> 8) & 255)) ** 2 + ((b ?? 0) - (colour & 255)) ** 2);
    nearest.set(colour, far.indexOf(Math.min(...far)));
  }
  return { palette, indices: Uint8Array.from({ length: size }, (_, i) => nearest.get(colourAt(i)) ?? 0) };
}
