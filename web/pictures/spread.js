// Labels that would lie on each other, pushed apart. Pure.

/**
 * Push labels apart until none is closer than `gap` to its neighbor; keeps their order and stays within [low, high].
 * @param {number[]} wanted ascending positions @returns {number[]}
 */
export function spread(wanted, gap, low, high) {
  const placed = wanted.map((y) => Math.min(high, Math.max(low, y)));
  for (let i = 1; i < placed.length; i++) placed[i] = Math.max(placed[i], placed[i - 1] + gap);
  for (let i = placed.length - 1; i >= 0; i--) {
    const limit = i === placed.length - 1 ? high : placed[i + 1] - gap;
    placed[i] = Math.min(placed[i], limit);
  }
  return placed;
}
