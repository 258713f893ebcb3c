// Whether the cut face fills enough of the ring, told from one small picture, or that it cannot be told.
//
// A cut face has edges in all directions (scales, tissues, wool); bark has them in one, a bench seen
// out of focus in none. So the weaker direction of the edges falls off where the face ends, and the
// circle round the middle with the deepest fall is about as wide as the face is long. Circles with
// nearly as deep a fall, seen through two windows, bound it; where they lie on both sides of half the
// ring it cannot be told. How often that is right: tests/browser/test_near.py.

export const SIDE = 160;       // of the square picture: the shorter side of what the camera sees
const RING = 0.42 * SIDE;      // the ring's radius, as bench.css draws it
const STEP = 0.05;             // circles tried, as a share of the ring's radius
const N = 24;                  // the last lies at the edge of the picture
const FALL = 0.3;              // less than this, of the logarithm, is no edge of anything
const NEARLY = 0.85;           // of the deepest fall: as likely the edge of the face
const LESS = 0.575;            // of the ring: all such circles narrower, too far away;
const ENOUGH = 0.475;          // all wider, near enough

const circles = Array.from({ length: N }, () => []);
for (let i = 0; i < SIDE * SIDE; i += 1) {
  const away = Math.hypot((i % SIDE) - (SIDE - 1) / 2, Math.floor(i / SIDE) - (SIDE - 1) / 2);
  circles[Math.floor(away / RING / STEP)]?.push(i);
}

/** Mean over a square window round each pixel, `reach` pixels to each side. */
function mean(values, reach) {
  const sums = new Float64Array((SIDE + 1) ** 2);
  for (let y = 0; y < SIDE; y += 1) {
    let row = 0;
    for (let x = 0; x < SIDE; x += 1) {
      row += values[y * SIDE + x];
      sums[(y + 1) * (SIDE + 1) + x + 1] = sums[y * (SIDE + 1) + x + 1] + row;
    }
  }
  const out = new Float32Array(values.length);
  for (let y = 0; y < SIDE; y += 1) {
    const top = Math.max(0, y - reach), end = Math.min(SIDE, y + reach + 1);
    for (let x = 0; x < SIDE; x += 1) {
      const left = Math.max(0, x - reach), right = Math.min(SIDE, x + reach + 1);
      const at = (row, column) => sums[row * (SIDE + 1) + column];
      out[y * SIDE + x] = (at(end, right) - at(end, left) - at(top, right) + at(top, left)) / ((end - top) * (right - left));
    }
  }
  return out;
}

/** Median over each circle of how strong the edges' weaker direction is, as a logarithm. */
function profile(across, down, both, reach) {
  const [a, b, c] = [across, down, both].map((values) => mean(values, reach));
  return circles.map((pixels) => {
    const weaker = pixels.map((i) => (a[i] + b[i]) / 2 - Math.hypot((a[i] - b[i]) / 2, c[i])).sort((p, q) => p - q);
    return Math.log(Math.sqrt(Math.max(0, weaker[weaker.length >> 1])) + 1);
  });
}

/** The circles, as shares of the ring, with nearly the deepest fall towards what lies round them. */
function edges(level) {
  const part = (from, to) => {
    let sum = 0, n = 0;
    for (let i = from; i < to; i += 1) { sum += level[i] * circles[i].length; n += circles[i].length; }
    return sum / n;
  };
  const falls = [];
  for (let i = 3; i < N - 3; i += 1) falls.push({ share: i * STEP, fall: part(0, i) - part(i, Math.min(N, 2 * i + 2)) });
  const deepest = Math.max(...falls.map(({ fall }) => fall));
  return deepest < FALL ? [] : falls.filter(({ fall }) => fall >= NEARLY * deepest).map(({ share }) => share);
}

/** "near" enough, come "nearer", or "unknown", of a square context of SIDE pixels round the ring. */
export function nearness(context) {
  const { data } = context.getImageData(0, 0, SIDE, SIDE);
  const grey = new Float32Array(SIDE * SIDE);
  for (let i = 0; i < grey.length; i += 1) grey[i] = 0.299 * data[4 * i] + 0.587 * data[4 * i + 1] + 0.114 * data[4 * i + 2];
  const soft = mean(grey, 1);
  const [across, down, both] = [0, 1, 2].map(() => new Float32Array(grey.length));
  for (let y = 1; y < SIDE - 1; y += 1) {
    for (let x = 1; x < SIDE - 1; x += 1) {
      const i = y * SIDE + x, right = soft[i + 1] - soft[i - 1], lower = soft[i + SIDE] - soft[i - SIDE];
      across[i] = right * right;
      down[i] = lower * lower;
      both[i] = right * lower;
    }
  }
  const told = [4, 2].map((reach) => edges(profile(across, down, both, reach)));
  if (told.some((shares) => !shares.length)) return "unknown";
  const less = Math.max(...told.flat()) < LESS, enough = Math.min(...told.flat()) > ENOUGH;
  if (less === enough) return "unknown";
  return less ? "nearer" : "near";
}
