// A line a finger high: how one channel went lately. Pure.

/**
 * Path of a line in a box of width by height pixels, over [a, b] seconds; a null is a gap. "" without values.
 * @param {number[]} x @param {(number|null)[]} y
 */
export function sparkPath(x, y, [a, b], width, height) {
  const known = y.filter(Number.isFinite);
  if (known.length === 0 || !(b > a)) return "";
  const low = known.reduce((p, q) => Math.min(p, q));
  const high = known.reduce((p, q) => Math.max(p, q));
  const upTo = (value) => (high > low ? height - 2 - ((value - low) / (high - low)) * (height - 4) : height / 2);
  let path = "";
  let pen = false;
  y.forEach((value, i) => {
    const inside = Number.isFinite(value) && x[i] >= a && x[i] <= b;
    if (inside) path += `${pen ? "L" : "M"}${(((x[i] - a) / (b - a)) * width).toFixed(1)} ${upTo(value).toFixed(1)}`;
    pen = inside;
  });
  return path;
}
